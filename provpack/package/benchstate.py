"""What the bench log says, folded: values stated, carriers taken in, passes with their events. Pure values.

Only lines that count are in it: a line taken back is gone from the state, but stays in `entries`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from provpack.package.benchline import Fits

Key = tuple[str, str | None, str]
"""(scope, id, field) of a declared value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """The last value stated for a field. was: what the FIRST line still in force saw in the sheets."""

    value: Any
    was: Any
    n: int
    at: str
    by: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedEvent:
    """One event of a pass. at: when it happened (ISO 8601 with offset); written_at: when it was logged."""

    n: int
    at: str
    written_at: str
    type: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A free note, on a pass, a transfer, or the evening as a whole."""

    n: int
    at: str
    text: str
    by: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Attached:
    """The file of a pass as it was found when it was attached; times ISO 8601 with offset."""

    n: int
    file: str
    bytes: int
    modified_at: str
    frames: int | None
    header_hz: int | None
    starts_at: str | None
    starts_from: str
    agreement: Mapping[str, Fits]
    attached_by: str
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """One playback. started_at, stopped_at: when it happened; stopped_at None = it still runs."""

    transfer_id: str
    number: int
    chain_id: str
    n: int
    started_at: str
    settings: Mapping[str, Any]
    changed: tuple[str, ...]
    reason: str = ""
    note: str = ""
    by: str | None = None
    stopped_at: str | None = None
    stopped_n: int | None = None
    outcome: str | None = None
    stop_note: str = ""
    events: tuple[LoggedEvent, ...] = ()
    notes: tuple[Note, ...] = ()
    attached: Attached | None = None
    verdict: str | None = None
    verdict_note: str = ""
    verdict_n: int | None = None

    @property
    def running(self) -> bool:
        """Started and not yet stopped."""
        return self.stopped_at is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A transfer the log knows. n, at: the line that took it in, None when it stands in a sheet only."""

    transfer_id: str
    n: int | None = None
    at: str | None = None
    passes: tuple[Pass, ...] = ()
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchState:
    """The log up to line n. transfers in the order they first appear; notes: on no transfer."""

    n: int = 0
    values: Mapping[Key, Stated] = field(default_factory=dict)
    transfers: Mapping[str, Taken] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()
    taken_back: frozenset[int] = frozenset()
    entries: tuple[Mapping[str, Any], ...] = ()

    def running(self) -> tuple[Pass, ...]:
        """Passes that run now, by start."""
        found = [p for t in self.transfers.values() for p in t.passes if p.running]
        return tuple(sorted(found, key=lambda p: p.n))

    def pass_of(self, transfer_id: str, number: int) -> Pass | None:
        """The pass of that number, None when the log has none."""
        taken = self.transfers.get(transfer_id)
        return next((p for p in taken.passes if p.number == number), None) if taken else None
