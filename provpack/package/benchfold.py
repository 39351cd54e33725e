"""From the lines of the bench log to what they say: values, carriers, passes with their events.

Two steps. First, which lines count: a taken_back line takes the effect of one earlier line away, and taking
that taken_back line back restores it. As only a later line can do so, one look from the end to the beginning
settles it. Then the lines that count are played in their order.

What a line cannot mean is passed over, never an error: an unknown kind, an event of a pass that is not there,
a second start of a pass that stands. Such lines stay in `entries`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import Any, Final

from provpack.package.benchstate import (
    Attached,
    BenchState,
    Key,
    LoggedEvent,
    Note,
    Pass,
    Stated,
    Taken,
)

Entry = Mapping[str, Any]


def fold(entries: Sequence[Entry]) -> BenchState:
    """What the lines say, given in the order of the log. Raises nothing, whatever they hold.

    A line belongs to the pass whose start of that transfer and number stands last before it; with a start
    that is taken back everything logged under it goes. A pass ends with the first stop that counts; an event
    logged after that counts when it happened inside the pass. Only taken_in, pass_started and notes bring a
    transfer into `transfers`; values stated for one stand in `values` alone.
    """
    return Folding().add(entries)


class Folding:
    """Lines folded as they come: each call costs what is new, save where a line is taken back."""

    def __init__(self) -> None:
        self._entries: list[Entry] = []
        self._last = 0
        self._gone: frozenset[int] = frozenset()
        self._play = _Play()
        self._values: dict[Key, Stated] = {}
        self._taken: dict[str, Taken] = {}

    def add(self, entries: Sequence[Entry]) -> BenchState:
        """The state of all lines given so far; states given before stay as they are."""
        self._entries += entries
        new = _numbered(entries)
        numbers = [self._last, *(number for number, _ in new)]
        onward = all(one < other for one, other in pairwise(numbers))
        stated = not onward or any(e.get("kind") == "taken_back" for _, e in new)
        if stated:  # what counts may have changed anywhere
            new = _numbered(self._entries)
            self._gone, self._play, self._taken = frozenset(taken_back(new)), _Play(), {}
        self._last = max(numbers)
        touched: dict[str, None] = {}
        for number, entry in new:
            kind = entry.get("kind")
            if number in self._gone:
                if kind == "pass_started":
                    self._play.passes[_pass_key(entry)] = None
                continue
            act = _ACTS.get(kind) if isinstance(kind, str) else None
            if act is not None:
                act(self._play, number, entry)
                touched[_text(entry, "transfer_id")] = None
                stated |= kind == "declared"
        if stated:
            self._values = dict(self._play.values)
        return self._state(touched)

    def _state(self, touched: Iterable[str]) -> BenchState:
        taken = dict(self._taken)
        for name in touched:
            draft = self._play.transfers.get(name)
            if draft is not None and draft.known():
                taken[name] = draft.done()
        self._taken = {name: taken[name] for name in self._play.transfers if name in taken}
        return BenchState(
            n=self._last,
            values=self._values,
            transfers=self._taken,
            notes=tuple(self._play.notes),
            taken_back=self._gone,
            entries=tuple(self._entries),
        )


def _numbered(entries: Iterable[Entry]) -> list[tuple[int, Entry]]:
    return [(number, entry) for entry in entries if (number := number_of(entry)) is not None]


def number_of(entry: Entry) -> int | None:
    """The number of a line, None when it has none."""
    number = entry.get("n") if isinstance(entry, Mapping) else None
    return number if type(number) is int and number > 0 else None


def taken_back(numbered: Sequence[tuple[int, Entry]]) -> set[int]:
    """Numbers of the lines that no longer count, also of taken_back lines that were themselves taken back."""
    gone: set[int] = set()
    for number, entry in reversed(numbered):
        if entry.get("kind") == "taken_back" and number not in gone:
            target = entry.get("entry")
            if type(target) is int and 0 < target < number:
                gone.add(target)
    known = {number for number, _ in numbered}
    return gone & known


@dataclass(slots=True)
class _PassDraft:
    """A pass while the lines are played."""

    entry: Entry
    n: int
    stop: tuple[int, Entry] | None = None
    events: list[LoggedEvent] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    attached: Attached | None = None
    judged: tuple[int, Entry] | None = None

    def done(self) -> Pass:
        start = self.entry
        stop_n, stop = self.stop or (None, {})
        judged_n, judged = self.judged or (None, {})
        settings, changed = start.get("settings"), start.get("changed")
        return Pass(
            transfer_id=_text(start, "transfer_id"),
            number=start["pass"],
            chain_id=_text(start, "chain_id"),
            n=self.n,
            started_at=_when(start),
            settings=dict(settings) if isinstance(settings, Mapping) else {},
            changed=tuple(c for c in changed if isinstance(c, str)) if isinstance(changed, list) else (),
            reason=_text(start, "reason"),
            note=_text(start, "note"),
            by=_maybe(start, "by"),
            stopped_at=_when(stop) if stop_n is not None else None,
            stopped_n=stop_n,
            outcome=_maybe(stop, "outcome"),
            stop_note=_text(stop, "note"),
            events=tuple(self.events),
            notes=tuple(self.notes),
            attached=self.attached,
            verdict=_maybe(judged, "verdict"),
            verdict_note=_text(judged, "note"),
            verdict_n=judged_n,
        )


@dataclass(slots=True)
class _TakenDraft:
    """A transfer while the lines are played."""

    transfer_id: str
    n: int | None = None
    at: str | None = None
    passes: dict[int, _PassDraft] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)

    def known(self) -> bool:
        return self.n is not None or bool(self.passes or self.notes)

    def done(self) -> Taken:
        passes = sorted((p.done() for p in self.passes.values()), key=lambda p: p.number)
        return Taken(
            transfer_id=self.transfer_id, n=self.n, at=self.at, passes=tuple(passes), notes=tuple(self.notes)
        )


@dataclass(slots=True)
class _Play:
    """What stands after the lines played so far. passes: None = its start was taken back."""

    values: dict[Key, Stated] = field(default_factory=dict)
    transfers: dict[str, _TakenDraft] = field(default_factory=dict)
    passes: dict[tuple[str, int], _PassDraft | None] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)

    def transfer(self, entry: Entry) -> _TakenDraft | None:
        name = _text(entry, "transfer_id")
        return self.transfers.setdefault(name, _TakenDraft(name)) if name else None

    def pass_of(self, entry: Entry) -> _PassDraft | None:
        return self.passes.get(_pass_key(entry))


def _taken_in(play: _Play, n: int, entry: Entry) -> None:
    taken = play.transfer(entry)
    if taken is not None and taken.n is None:
        taken.n, taken.at = n, _text(entry, "at")


def _declared(play: _Play, n: int, entry: Entry) -> None:
    scope, name, of = _text(entry, "scope"), _text(entry, "field"), entry.get("id")
    if not scope or not name or not (of is None or isinstance(of, str)):
        return
    before = play.values.get((scope, of, name))
    play.values[scope, of, name] = Stated(
        value=entry.get("value"),
        was=before.was if before is not None else entry.get("was"),
        n=n,
        at=_text(entry, "at"),
        by=_maybe(entry, "by"),
    )


def _pass_started(play: _Play, n: int, entry: Entry) -> None:
    key, taken = _pass_key(entry), play.transfer(entry)
    if taken is None or not key[1]:
        return
    draft = taken.passes.setdefault(key[1], _PassDraft(entry, n))
    play.passes[key] = draft


def _pass_stopped(play: _Play, n: int, entry: Entry) -> None:
    draft = play.pass_of(entry)
    if draft is not None and draft.stop is None:
        draft.stop = n, entry


def _event(play: _Play, n: int, entry: Entry) -> None:
    draft = play.pass_of(entry)
    kind = _text(entry, "type")
    if draft is None or not kind or (draft.stop is not None and not _inside(entry, draft)):
        return
    draft.events.append(
        LoggedEvent(n=n, at=_when(entry), written_at=_text(entry, "at"), type=kind, note=_text(entry, "note"))
    )


def _noted(play: _Play, n: int, entry: Entry) -> None:
    note = Note(n=n, at=_when(entry), text=_text(entry, "note"), by=_maybe(entry, "by"))
    if "pass" in entry:
        draft = play.pass_of(entry)
        if draft is not None:
            draft.notes.append(note)
        return
    taken = play.transfer(entry)
    (play.notes if taken is None else taken.notes).append(note)


def _file_attached(play: _Play, n: int, entry: Entry) -> None:
    draft, file = play.pass_of(entry), _text(entry, "file")
    if draft is None or not file:
        return
    agreement = entry.get("agreement")
    draft.attached = Attached(
        n=n,
        file=file,
        bytes=_whole(entry, "bytes") or 0,
        modified_at=_text(entry, "modified_at"),
        frames=_whole(entry, "frames"),
        header_hz=_whole(entry, "header_sampling_frequency_hz"),
        starts_at=_maybe(entry, "starts_at"),
        starts_from=_text(entry, "starts_from"),
        agreement=dict(agreement) if isinstance(agreement, Mapping) else {},
        attached_by=_text(entry, "attached_by"),
        reason=_text(entry, "reason"),
    )


def _file_detached(play: _Play, n: int, entry: Entry) -> None:
    draft = play.pass_of(entry)
    if draft is not None and draft.attached is not None and draft.attached.file == entry.get("file"):
        draft.attached = None


def _judged(play: _Play, n: int, entry: Entry) -> None:
    draft = play.pass_of(entry)
    if draft is not None:
        draft.judged = n, entry


_ACTS: Final[Mapping[str, Callable[[_Play, int, Entry], None]]] = {
    "taken_in": _taken_in,
    "declared": _declared,
    "pass_started": _pass_started,
    "pass_stopped": _pass_stopped,
    "event": _event,
    "noted": _noted,
    "file_attached": _file_attached,
    "file_detached": _file_detached,
    "judged": _judged,
}


def _pass_key(entry: Entry) -> tuple[str, int]:
    """Transfer and number of the pass a line is about; ("", 0) when it names none."""
    number = entry.get("pass")
    name = _text(entry, "transfer_id")
    return (name, number) if name and type(number) is int and number > 0 else ("", 0)


def _inside(entry: Entry, draft: _PassDraft) -> bool:
    """Whether an event that was logged late says that it happened while the pass ran."""
    if draft.stop is None or "happened_at" not in entry:
        return False
    times = [_moment(_when(e)) for e in (draft.entry, entry, draft.stop[1])]
    start, at, stop = times
    return start is not None and at is not None and stop is not None and start <= at <= stop


def _moment(text: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else None


def _when(entry: Entry) -> str:
    """When it happened: as stated, else when it was written down."""
    return _text(entry, "happened_at") or _text(entry, "at")


def _text(entry: Entry, name: str) -> str:
    value = entry.get(name)
    return value if isinstance(value, str) else ""


def _maybe(entry: Entry, name: str) -> str | None:
    return _text(entry, name) or None


def _whole(entry: Entry, name: str) -> int | None:
    value = entry.get(name)
    return value if type(value) is int else None
