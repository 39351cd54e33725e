"""The healing record: from which copy every file and block of a package built anew came.

It lies beside the package as `<name>.healing.json` (schemas/healing-record.schema.json), for the package
itself is, byte for byte, the one that was sealed.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from provpack.package.bagblocks import BlockDigests, ranges
from provpack.package.bagpaths import path_base64, readable
from provpack.package.healplan import IDENTITY, Plan, Planned
from provpack.package.healstock import Held, Joined, Made, Piece

VERSION: Final = "1.0.0"
ENDING: Final = ".healing.json"
MOST: Final = 64 * 1024 * 1024


def record_name(package: str) -> str:
    """Name of the file beside the package."""
    return package + ENDING


def named(path: str, key: str = "path") -> dict[str, str | None]:
    """A path as it is told, and its bytes where that is not the same."""
    return {key: readable(path), f"{key}_base64": path_base64(path)}


def file_entry(planned: Planned) -> dict[str, Any]:
    """One file: where its bytes came from."""
    source = planned.source
    how = "whole" if isinstance(source, Held) else "joined" if isinstance(source, Joined) else "written_anew"
    elsewhere = isinstance(source, Held) and source.path != planned.path
    return {
        **named(planned.path),
        "bytes": source.size,
        "sha512": source.digests["sha512"],
        "how": how,
        "copy": source.copy if isinstance(source, Held) else None,
        "found_as": readable(source.path) if elsewhere else None,
    }


def piece_entry(piece: Piece, digests: BlockDigests) -> dict[str, Any]:
    """Neighbouring bytes of a joined master; frames and times where they are audio."""
    out: dict[str, Any] = {
        "copy": piece.copy,
        "found_in": readable(piece.path),
        "offset": piece.offset,
        "bytes": piece.length,
        "part": piece.part,
        "blocks": None,
    }
    if piece.part == "blocks":
        (span,) = ranges(digests, range(piece.first, piece.last + 1))
        out["blocks"] = range_entry(span)
    return out


def range_entry(span: Any) -> dict[str, Any]:
    """A range of blocks, in frames and time."""
    names = ("first_block", "last_block", "first_frame", "last_frame", "start", "end")
    return {name: getattr(span, name) for name in names}


def master_entry(joined: Joined, digests: BlockDigests) -> dict[str, Any]:
    """A master put together: which runs of blocks came from which copy."""
    return {
        **named(joined.path),
        "bytes": joined.size,
        "frames": digests.frames,
        "sampling_frequency": {"num": digests.rate.numerator, "den": digests.rate.denominator},
        "block_frames": digests.block_frames,
        "blocks": len(digests.blocks),
        "pieces": [piece_entry(piece, digests) for piece in joined.pieces],
    }


def healing_record(
    plan: Plan,
    *,
    package: str,
    record_id: str | None,
    at: str,
    tool: str,
    version: str,
    copies: Sequence[Mapping[str, Any]],
    masters: Mapping[str, BlockDigests],
    signature: Mapping[str, Any],
    left_out: Iterable[tuple[int, str]],
) -> dict[str, Any]:
    """The document. copies: number, place, identity, state and counts of each, as the result tells them."""
    joined = [f.source for f in plan.files if isinstance(f.source, Joined)]
    return {
        "schema_version": VERSION,
        "made_by": {"tool": tool, "version": version, "at": at},
        "package": package,
        "record_id": record_id,
        "tagmanifest_sha512": plan.identity,
        "evidence": plan.evidence,
        "copies": [dict(copy) for copy in copies],
        "files": [file_entry(planned) for planned in plan.files],
        "masters": [master_entry(one, masters[one.path]) for one in joined],
        "written_anew": sorted(readable(f.path) for f in plan.files if isinstance(f.source, Made)),
        "unproven": [readable(path) for path in plan.unproven],
        "signature": dict(signature),
        "left_out": [{"copy": number, **named(path)} for number, path in left_out],
    }


def as_bytes(record: Mapping[str, Any]) -> bytes:
    """The document as it is written; names that are no Unicode stand in it as escapes. Where a record itself
    has half characters, all that is not ASCII is written in escapes, which say the same."""
    try:
        return json.dumps(record, ensure_ascii=False, indent=1, allow_nan=False).encode("utf-8") + b"\n"
    except UnicodeEncodeError:
        return json.dumps(record, indent=1, allow_nan=False).encode("ascii") + b"\n"


def expected_files(record: object) -> dict[str, str] | None:
    """path -> SHA-512 of a healing record that was read back, None when it is none. Where it is one, it tells
    its package; tagmanifest_sha512 and record_id are texts, or are not told."""
    if not isinstance(record, dict) or not str(record.get("schema_version", "")).startswith("1."):
        return None
    told = (record.get("tagmanifest_sha512"), record.get("record_id"))
    if not isinstance(record.get("package"), str) or not all(isinstance(one, str | None) for one in told):
        return None
    entries, out = record.get("files"), {}
    if not isinstance(entries, list) or not entries:
        return None
    for entry in entries:
        if not isinstance(entry, dict) or entry.get("path_base64") is not None:
            return None
        path, digest = entry.get("path"), entry.get("sha512")
        if not isinstance(path, str) or not isinstance(digest, str):
            return None
        out[path] = digest
    if IDENTITY in out and out[IDENTITY] != record.get("tagmanifest_sha512"):
        return None
    return out
