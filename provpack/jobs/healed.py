"""What came of healing a package, as values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from provpack.edge.commit import Disk
from provpack.findings import Finding
from provpack.jobs.healassess import Assessment
from provpack.jobs.healblocks import BlockMap, Seen, tail_bytes
from provpack.jobs.progress import Progress
from provpack.measure.fanout import RunAll
from provpack.package.bagblocks import BlockRange
from provpack.package.bagpaths import path_base64, readable
from provpack.package.healnote import named, range_entry
from provpack.package.healplan import IDENTITY
from provpack.package.healstock import CopyView, Held, Joined, Made

HealOutcome = Literal["healed", "completed", "nothing_to_heal", "lost", "could_not_check"]

EXIT_CODES: Mapping[str, int] = {
    "healed": 0, "completed": 1, "nothing_to_heal": 0, "lost": 10, "could_not_check": 11,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Ports:
    """What healing needs of the world. healed_documents: SHA-512 of every document that a `healed` line of
    the ledger in a folder names."""

    disk: Disk
    now: Callable[[], datetime]
    new_id: Callable[[], str]
    run_all: RunAll
    progress: Progress
    list_names: Callable[[Path], list[str]]
    append_ledger: Callable[[Path, Mapping[str, Any]], None]
    healed_documents: Callable[[Path], frozenset[str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class HealResult:
    """The whole run. package, record: paths of what was written, None when nothing was. assessment: None
    when an earlier run was completed only."""

    outcome: HealOutcome
    name: str
    destination: str
    identity: str | None = None
    package: str | None = None
    record: str | None = None
    document_sha512: str | None = None
    assessment: Assessment | None = None
    findings: tuple[Finding, ...] = field(default=())

    @property
    def exit_code(self) -> int:
        warned = any(f.severity != "note" for f in self.findings)
        return 1 if warned and not EXIT_CODES[self.outcome] else EXIT_CODES[self.outcome]

    def as_json(self) -> dict[str, Any]:
        """The shape of schemas/result-heal.schema.json."""
        seen = self.assessment
        return {
            "outcome": self.outcome,
            "package": readable(self.name),
            "destination": readable(self.destination),
            "path": readable(self.package) if self.package is not None else None,
            "record": readable(self.record) if self.record is not None else None,
            "document_sha512": self.document_sha512,
            "tagmanifest_sha512": self.identity,
            "evidence": seen.plan.evidence if seen else None,
            "signature": seen.signature_state if seen else None,
            "copies": copies_json(seen) if seen else [],
            "files": counts(seen) if seen else None,
            "lost": losses(seen) if seen else [],
            "findings": [f.as_json() for f in self.findings],
        }


def copies_json(seen: Assessment) -> list[dict[str, Any]]:
    """Each copy: where, which package it says it is, in which state."""
    out = []
    for copy, view in zip(seen.copies, seen.views, strict=True):
        held = view.files.get(IDENTITY)
        good = sum(
            (here := view.files.get(f.path)) is not None and here.digests == f.source.digests
            for f in seen.plan.files
        )
        out.append(
            {
                "number": copy.number,
                "place": readable(copy.shown),
                "place_base64": path_base64(copy.shown),
                "form": copy.place.serialisation if copy.place is not None else None,
                "tagmanifest_sha512": held.digests["sha512"] if held is not None else None,
                "state": seen.state(view),
                "problem": readable(view.unlisted) or None,
                "good_files": good,
                "other_files": len(seen.plan.paths) - good,
            }
        )
    return out


def counts(seen: Assessment) -> dict[str, int]:
    """How many files there are, and how each was got."""
    sources = [f.source for f in seen.plan.files]
    return {
        "all": len(seen.plan.paths),
        "whole": sum(isinstance(s, Held) for s in sources),
        "joined": sum(isinstance(s, Joined) for s in sources),
        "written_anew": sum(isinstance(s, Made) for s in sources),
        "lost": len(seen.plan.lost),
        "bytes": sum(s.size for s in sources),
    }


def losses(seen: Assessment) -> list[dict[str, Any]]:
    """What no copy holds: per file, and for a master its blocks, and what each copy has in their place."""
    out = []
    for path in seen.plan.lost:
        blocks = seen.maps.get(path)
        needed: int | None = None
        if blocks is not None:
            needed = blocks.lost_bytes
        out.append(
            {
                **named(path),
                "bytes_needed": needed,
                "copies": [{"copy": v.number, "what": _there(v, path)} for v in seen.views],
                "master": _master(blocks, seen) if blocks is not None and not blocks.complete else None,
            }
        )
    return out


def _there(view: CopyView, path: str) -> str:
    if path in view.problems:
        said = readable(view.problems[path])
        return f"cannot be read: {said}" if path in view.unread else f"is damaged: {said}"
    if view.may_hold(path):
        return _unknown(view, path)
    if path in view.irregular:
        return f"is {view.irregular[path]} there"
    return "is not as it was sealed" if path in view.sizes else "is not there"


def _unknown(view: CopyView, path: str) -> str:
    """Of a file that may be where the copy could not be read."""
    link = view.link_above(path)
    if link is not None:
        return f"is not known: '{readable(link)}' is a link; name what it leads to as a copy of its own"
    return (
        f"is not known: {readable(view.unlisted or next(iter(view.problems.values()), 'it cannot be read'))}"
    )


def _master(blocks: BlockMap, seen: Assessment) -> dict[str, Any]:
    d = blocks.digests
    return {
        "blocks": len(d.blocks),
        "lost_blocks": len(blocks.lost_blocks),
        "frames": d.frames,
        "sampling_frequency": {"num": d.rate.numerator, "den": d.rate.denominator},
        "head_lost": blocks.head_lost,
        "head_bytes": d.audio_offset,
        "tail_lost": blocks.tail_lost,
        "tail_bytes": tail_bytes(d),
        "ranges": [
            {**range_entry(span), "bytes": _bytes(blocks, span), "copies": _in_copies(blocks, span, seen)}
            for span in blocks.lost_ranges
        ],
    }


def _bytes(blocks: BlockMap, span: BlockRange) -> int:
    return (span.last_frame - span.first_frame + 1) * blocks.digests.frame_bytes


def _in_copies(blocks: BlockMap, span: BlockRange, seen: Assessment) -> list[dict[str, Any]]:
    out = []
    for view in seen.views:
        one = next((s for s in blocks.seen if (s.where.copy, s.where.path) == _at(view, blocks)), None)
        nothing = (
            _unknown(view, blocks.digests.file) if view.may_hold(blocks.digests.file) else "no such file"
        )
        out.append({"copy": view.number, "what": nothing if one is None else _has(one, blocks, span)})
    return out


def _at(view: CopyView, blocks: BlockMap) -> tuple[int, str]:
    return view.number, blocks.digests.file


def _has(one: Seen, blocks: BlockMap, span: BlockRange) -> str:
    if one.unreadable & set(range(span.first_block, span.last_block + 1)):
        return "cannot be read"
    if one.where.size <= blocks.digests.audio_offset + blocks.digests.span(span.first_block)[0]:
        return "the file ends before"
    return "other bytes"
