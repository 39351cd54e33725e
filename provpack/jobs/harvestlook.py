"""What `provpack catalogue` answers: packages found by words or by a digest, and what is known at all."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from provpack.catalogue.values import Listed
from provpack.errors import UsageProblem
from provpack.findings import Finding
from provpack.jobs.harvest import HarvestResult
from provpack.model.formats import read_date_time
from provpack.package.bagpaths import readable

if TYPE_CHECKING:
    from provpack.catalogue.opening import Catalogue

_DIGEST = re.compile(r"(?:[0-9a-f]{64}|[0-9a-f]{128})\Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """A package that was found; file: path in it of the file that has the digest asked for, or ""."""

    package: Listed
    file: str = ""

    def as_json(self) -> dict[str, Any]:
        p = self.package
        return {
            "place": readable(p.place),
            "place_base64": p.place_base64,
            "storage": p.storage,
            "name": p.name,
            "file": self.file or None,
            "title": p.title,
            "client": p.client,
            "job_id": p.job_id,
            "transfer_id": p.transfer_id,
            "carrier_id": p.carrier_id,
            "transferred_at": p.transferred_at,
            "last_checked_at": p.last_checked_at,
            "last_outcome": p.last_outcome,
            "last_depth": p.last_depth,
            "checks": p.checks,
            "once_bad": p.once_bad,
            "gone": p.gone,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Hits:
    """The first of the packages found, and how many there are; more: at least so many."""

    total: int
    hits: tuple[Hit, ...]
    more: bool = False

    def as_json(self) -> dict[str, Any]:
        return {"total": self.total, "more": self.more, "packages": [hit.as_json() for hit in self.hits]}


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What a catalogue knows. roots: (root, when it was last looked at, whole days since or None)."""

    size: dict[str, int]
    roots: tuple[tuple[str, str, int | None], ...]

    def as_json(self) -> dict[str, Any]:
        return {
            "counts": dict(self.size),
            "roots": [
                {"root": readable(r), "seen_at": at or None, "days": days} for r, at, days in self.roots
            ],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """The result of `provpack catalogue`, whatever was asked; what was not asked is None."""

    action: str
    shown: str
    engine: str
    version: str
    harvest: HarvestResult | None = None
    found: Hits | None = None
    known: Known | None = None

    @property
    def findings(self) -> Sequence[Finding]:
        return self.harvest.findings if self.harvest is not None else ()

    @property
    def exit_code(self) -> int:
        """0, or 1 when something could not be read."""
        return self.harvest.exit_code if self.harvest is not None else 0

    def as_json(self) -> dict[str, Any]:
        """The shape of schemas/result-catalogue.schema.json."""
        return {
            "outcome": "good",
            "action": self.action,
            "catalogue": {"where": readable(self.shown), "engine": self.engine, "version": str(self.version)},
            "harvest": self.harvest.as_json() if self.harvest is not None else None,
            "found": self.found.as_json() if self.found is not None else None,
            "state": self.known.as_json() if self.known is not None else None,
            "findings": [f.as_json() for f in self.findings],
        }


def answered(action: str, catalogue: Catalogue, **facts: Any) -> Answered:
    """A result about this catalogue."""
    return Answered(
        action=action,
        shown=catalogue.shown,
        engine=catalogue.engine_name,
        version=str(catalogue.version),
        **facts,
    )


def digest_of(said: str) -> str:
    """A digest as it is looked for. Raises UsageProblem when it is none."""
    wanted = said.strip().lower()
    if not _DIGEST.match(wanted):
        raise UsageProblem(
            "no-digest",
            f"{readable(said[:200])!r} is no SHA-256 (64 hex digits) and no SHA-512 (128).",
            where="--digest",
            todo="Give the digest of a file, of the audio alone, or of tagmanifest-sha512.txt, whole.",
        )
    return wanted


def find(catalogue: Catalogue, words: Sequence[str], digest: str | None, limit: int) -> Answered:
    """The packages that hold all the words, or else the file with this digest; limit 0 = all of them."""
    if digest is None:
        answer = catalogue.ask.find(" ".join(words), limit)
        hits = tuple(Hit(package=listed) for listed in answer.first)
        return answered("find", catalogue, found=Hits(total=answer.total, hits=hits, more=answer.more))
    found = catalogue.ask.by_digest(digest, 0)
    hits = tuple(Hit(package=listed, file=path) for listed, path in found)
    return answered("find", catalogue, found=Hits(total=len(hits), hits=hits[: limit or None]))


def state(catalogue: Catalogue, now: datetime) -> Answered:
    """How much is known, from where, and how old that is."""
    roots = tuple((root, at or "", _days(at, now)) for root, at in catalogue.ask.roots())
    return answered("state", catalogue, known=Known(size=catalogue.ask.size(), roots=roots))


def _days(at: str | None, now: datetime) -> int | None:
    seen = read_date_time(at) if at else None
    return None if seen is None else max(0, (now - seen).days)
