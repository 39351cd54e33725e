"""The lines of the bench log that count, played in their order: what each of them does. Pure.

What a line cannot mean is passed over, never an error; benchfold.py decides which lines count.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from provpack.package.benchstate import Attached, Key, LoggedEvent, Note, Pass, Stated, Taken

Entry = Mapping[str, Any]
Group = tuple[str, Any, Any, Any]
"""What lines that can touch each other have in common: ("", transfer, None, None), ("declared", scope, id,
field), or EVENING."""
EVENING: Final[Group] = ("noted", None, None, None)


def group_of(entry: Entry) -> Group:
    if entry.get("kind") == "declared":
        of = entry.get("id")
        return (
            "declared",
            text_of(entry, "scope"),
            of if isinstance(of, str) else None,
            text_of(entry, "field"),
        )
    name = text_of(entry, "transfer_id")
    if entry.get("kind") == "noted" and "pass" not in entry and not name:
        return EVENING
    return "", name, None, None


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
            transfer_id=text_of(start, "transfer_id"),
            number=start["pass"],
            chain_id=text_of(start, "chain_id"),
            n=self.n,
            started_at=_when(start),
            settings=dict(settings) if isinstance(settings, Mapping) else {},
            changed=tuple(c for c in changed if isinstance(c, str)) if isinstance(changed, list) else (),
            reason=text_of(start, "reason"),
            note=text_of(start, "note"),
            by=_maybe(start, "by"),
            stopped_at=_when(stop) if stop_n is not None else None,
            stopped_n=stop_n,
            outcome=_maybe(stop, "outcome"),
            stop_note=text_of(stop, "note"),
            events=tuple(self.events),
            notes=tuple(self.notes),
            attached=self.attached,
            verdict=_maybe(judged, "verdict"),
            verdict_note=text_of(judged, "note"),
            verdict_n=judged_n,
        )


@dataclass(slots=True)
class _TakenDraft:
    """A transfer while the lines are played. first: the line with which it came to be known."""

    transfer_id: str
    first: int
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
class Play:
    """What stands after the lines played so far. passes: None = its start was taken back. values: with the
    line that first stated each."""

    values: dict[Key, tuple[int, Stated]] = field(default_factory=dict)
    transfers: dict[str, _TakenDraft] = field(default_factory=dict)
    passes: dict[tuple[str, int], _PassDraft | None] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)

    def transfer(self, n: int, entry: Entry) -> _TakenDraft | None:
        name = text_of(entry, "transfer_id")
        return self.transfers.setdefault(name, _TakenDraft(name, n)) if name else None

    def forget(self, group: Group) -> None:
        """Drop what the lines of a group have made."""
        if group[0] == "declared":
            self.values.pop(group[1:], None)
        elif group == EVENING:
            self.notes = []
        else:
            self.transfers.pop(group[1], None)
            for key in [key for key in self.passes if key[0] == group[1]]:
                del self.passes[key]

    def in_order(self) -> None:
        """Transfers and values as they first appear, also where some were played again."""
        self.transfers = dict(sorted(self.transfers.items(), key=lambda item: item[1].first))
        self.values = dict(sorted(self.values.items(), key=lambda item: item[1][0]))

    def pass_of(self, entry: Entry) -> _PassDraft | None:
        return self.passes.get(pass_key(entry))


def _taken_in(play: Play, n: int, entry: Entry) -> None:
    taken = play.transfer(n, entry)
    if taken is not None and taken.n is None:
        taken.n, taken.at = n, text_of(entry, "at")


def _declared(play: Play, n: int, entry: Entry) -> None:
    scope, name, of = text_of(entry, "scope"), text_of(entry, "field"), entry.get("id")
    if not scope or not name or not (of is None or isinstance(of, str)):
        return
    first, before = play.values.get((scope, of, name), (n, None))
    stated = Stated(
        value=entry.get("value"),
        was=before.was if before is not None else entry.get("was"),
        n=n,
        at=text_of(entry, "at"),
        by=_maybe(entry, "by"),
    )
    play.values[scope, of, name] = first, stated


def _pass_started(play: Play, n: int, entry: Entry) -> None:
    key, taken = pass_key(entry), play.transfer(n, entry)
    if taken is None or not key[1]:
        return
    draft = taken.passes.setdefault(key[1], _PassDraft(entry, n))
    play.passes[key] = draft


def _pass_stopped(play: Play, n: int, entry: Entry) -> None:
    draft = play.pass_of(entry)
    if draft is not None and draft.stop is None:
        draft.stop = n, entry


def _event(play: Play, n: int, entry: Entry) -> None:
    draft = play.pass_of(entry)
    kind = text_of(entry, "type")
    if draft is None or not kind or (draft.stop is not None and not _inside(entry, draft)):
        return
    draft.events.append(
        LoggedEvent(
            n=n, at=_when(entry), written_at=text_of(entry, "at"), type=kind, note=text_of(entry, "note")
        )
    )


def _noted(play: Play, n: int, entry: Entry) -> None:
    note = Note(n=n, at=_when(entry), text=text_of(entry, "note"), by=_maybe(entry, "by"))
    if "pass" in entry:
        draft = play.pass_of(entry)
        if draft is not None:
            draft.notes.append(note)
        return
    taken = play.transfer(n, entry)
    (play.notes if taken is None else taken.notes).append(note)


def _file_attached(play: Play, n: int, entry: Entry) -> None:
    draft, file = play.pass_of(entry), text_of(entry, "file")
    if draft is None or not file:
        return
    agreement = entry.get("agreement")
    draft.attached = Attached(
        n=n,
        file=file,
        bytes=_whole(entry, "bytes") or 0,
        modified_at=text_of(entry, "modified_at"),
        frames=_whole(entry, "frames"),
        header_hz=_whole(entry, "header_sampling_frequency_hz"),
        starts_at=_maybe(entry, "starts_at"),
        starts_from=text_of(entry, "starts_from"),
        agreement=dict(agreement) if isinstance(agreement, Mapping) else {},
        attached_by=text_of(entry, "attached_by"),
        reason=text_of(entry, "reason"),
    )


def _file_detached(play: Play, n: int, entry: Entry) -> None:
    draft = play.pass_of(entry)
    if draft is not None and draft.attached is not None and draft.attached.file == entry.get("file"):
        draft.attached = None


def _judged(play: Play, n: int, entry: Entry) -> None:
    draft = play.pass_of(entry)
    if draft is not None:
        draft.judged = n, entry


ACTS: Final[Mapping[str, Callable[[Play, int, Entry], None]]] = {
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


def pass_key(entry: Entry) -> tuple[str, int]:
    """Transfer and number of the pass a line is about; ("", 0) when it names none."""
    number = entry.get("pass")
    name = text_of(entry, "transfer_id")
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
    return text_of(entry, "happened_at") or text_of(entry, "at")


def text_of(entry: Entry, name: str) -> str:
    value = entry.get(name)
    return value if isinstance(value, str) else ""


def _maybe(entry: Entry, name: str) -> str | None:
    return text_of(entry, name) or None


def _whole(entry: Entry, name: str) -> int | None:
    value = entry.get(name)
    return value if type(value) is int else None
