"""The bench log as one of a job's sheets: what it states lies over what the other sheets declare.

A value of the log is read as any other declared value, with its line as its origin. Where a sheet has said
something else than the person at the bench saw and stated, both are told in a finding and nothing is wrapped:
neither wins in silence. What passes and events make of a transfer is in benchtransfer.py.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any, Final

from provpack.edge import benchlog, input_rules
from provpack.edge.jobfolder import Listing, read_all
from provpack.edge.tables import shortened
from provpack.errors import ProvpackError
from provpack.findings import Finding
from provpack.jobs import benchrules, benchtransfer
from provpack.jobs.columns import Column
from provpack.jobs.declared import Declared, declare_table, found_at
from provpack.jobs.loaded import DeclaredIn, Equipment, Level, LoadedTransfer, Origin
from provpack.jobs.merge import exact_rate
from provpack.jobs.register import equipment_of
from provpack.jobs.sheetfields import sheet_fields
from provpack.model.rates import parse_time
from provpack.package.benchfold import fold
from provpack.package.benchline import LOG_NAME, Scope
from provpack.package.benchstate import BenchState, Stated, Taken

Folded = tuple[tuple[int, str], BenchState]
"""Number and SHA-512 of the last line of a log that was read, and what its lines say."""
_OF_A_PASS: Final = (
    "It was confirmed for a pass. Find out which is right; write that into the sheet, or state it for this "
    "transfer at the bench."
)
_ID_FIELD: Final[Mapping[str, str]] = {"chain": "id", "equipment": "id", "transfer": "transfer_id"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSheet:
    """The log of a job folder as a sheet. sheet: None when the folder has none."""

    bench: BenchSheet
    sheet: DeclaredIn | None = None
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Meeting:
    """A field of the log. declared: what a sheet says of it now, None = nothing; seen: what the lines saw
    there, or say."""

    name: str
    declared: Any
    place: Origin
    seen: tuple[Any, ...]
    told: str
    todo: str = ""


@dataclass(slots=True)
class _Lines:
    """What the log states of one thing: its id (None for the job and its defaults), field -> Stated."""

    id: str | None
    fields: dict[str, Stated] = field(default_factory=dict)

    @property
    def first(self) -> int:
        return min((stated.n for stated in self.fields.values()), default=0)


def read_bench(listing: Listing, folded: Folded | None = None) -> ReadSheet:
    """Read and fold the bench log of a job folder. Never raises for what it holds.

    What lies in its place and is no file, or cannot be read, is a finding: never silently no log. folded: a
    log that was folded before; when it ends as this one does, its state is taken.
    """
    path = listing.root / LOG_NAME
    log = benchlog.read(path)
    if not log.size and LOG_NAME not in listing.files:
        return ReadSheet(bench=BenchSheet(BenchState()), findings=log.findings)
    try:
        data = read_all(path, log.size)[: log.size]  # only ever added to: what was read stands there still
    except (ProvpackError, OSError) as problem:
        what = f"The bench log cannot be read: {getattr(problem, 'what', problem)}"
        found = input_rules.SHEET_UNREADABLE.found(what, LOG_NAME, position={"file": LOG_NAME})
        return ReadSheet(bench=BenchSheet(BenchState()), findings=(found,))
    sheet = DeclaredIn(path=LOG_NAME, sha256=hashlib.sha256(data).hexdigest(), bytes=len(data), absolute=path)
    # the last line's SHA-512 vouches for every line before it
    state = folded[1] if folded is not None and folded[0] == log.head else fold(log.entries)
    return ReadSheet(bench=BenchSheet(state), sheet=sheet, findings=log.findings)


class BenchSheet:
    """What the log states, laid over a job while it is loaded; use it for one loading."""

    def __init__(self, state: BenchState) -> None:
        self.state = state
        self._lines: dict[tuple[str, str | None], _Lines] = {}
        self._meetings: dict[int, list[_Meeting]] = {}
        self._saw: dict[tuple[object, object, object], list[Any]] = {}
        for entry in state.entries:
            # what a line saw that was taken back since stood in a sheet, or in a line before it
            if entry.get("kind") == "declared" and entry.get("n") in state.taken_back:
                key = entry.get("scope"), entry.get("id"), entry.get("field")
                self._saw.setdefault(key, []).append(entry.get("was"))
        for (scope, name, field_name), stated in sorted(state.values.items(), key=lambda item: item[1].n):
            if (name is None) == (scope in ("job", "defaults")):
                lines = self._lines.setdefault((scope, name), _Lines(name))
                lines.fields[field_name] = stated

    def knows(self, scope: Scope) -> dict[str, int]:
        """Ids of chains, transfers or equipment that the log states something of, with the first line."""
        return {lines.id: lines.first for (of, _), lines in self._lines.items() if of == scope and lines.id}

    # -- job, defaults, chains, equipment ----------------------------------------------------------------
    def lay(
        self, declared: Declared, scope: Scope, name: str | None, columns: Mapping[str, Column], level: Level
    ) -> None:
        """Lay what the log states of one thing over its values; conflicts become findings of `declared`."""
        for key, stated in self._stated(scope, name, declared, level):
            saw = self._saw.get((scope, name, key), ())
            meeting = _lay_one(declared, key, _at(level, stated.n, key), columns, (stated,), saw)
            if not any(same(meeting.declared, seen) for seen in meeting.seen):
                declared.findings.append(_conflict(meeting))

    def lay_chains(self, chains: dict[str, Declared], columns: Mapping[str, Column]) -> list[Finding]:
        """Lay the log over the chains, by id; chains that only it has are added."""
        findings: list[Finding] = []
        for name in self.knows("chain"):
            whole = chains.setdefault(name, Declared())
            before = len(whole.findings)
            self.lay(whole, "chain", name, columns, "chain")
            findings += whole.findings[before:]
        return findings

    def lay_equipment(self, register: dict[str, Equipment]) -> list[Finding]:
        """Lay the log over the entries of the register, by id; equipment that only it has is added."""
        findings: list[Finding] = []
        for name, line in self.knows("equipment").items():
            item = register.get(name)
            if item is None:
                origin = Origin(level="job", file=LOG_NAME, row=line, column="equipment")
                entry = Declared(values={"id": name}, origins={"id": origin})
            else:
                origin = item.origin
                places = {key: replace(origin, column=f"{origin.column}.{key}") for key in item.raw}
                entry = Declared(values=dict(item.raw), origins=places)
            self.lay(entry, "equipment", name, sheet_fields().equipment, "job")
            findings += entry.findings
            register[name] = equipment_of(entry.values, origin)
        return findings

    # -- transfers ---------------------------------------------------------------------------------------
    def new_rows(self, rows: Sequence[tuple[Declared, Origin]]) -> list[tuple[Declared, Origin]]:
        """A row for each transfer that only the log knows, in the order it came to know them."""
        there = {str(row.values.get("transfer_id", "")) for row, _ in rows}
        first = self.knows("transfer")
        for name, taken in self.state.transfers.items():
            lines = [taken.n, *(p.n for p in taken.passes), *(n.n for n in taken.notes), first.get(name)]
            first[name] = min(n for n in lines if n)
        out = []
        for name, line in sorted(first.items(), key=lambda item: item[1]):
            if name not in there:
                at = Origin(level="row", file=LOG_NAME, row=line)
                out.append((declare_table({"transfer_id": name}, sheet_fields().transfer, at), at))
        return out

    def lay_row(self, row: Declared, companions: dict[str, Declared]) -> None:
        """Lay what the log states of a transfer, and what its passes say, over its row and companions."""
        name = str(row.values.get("transfer_id", ""))
        taken = self.state.transfers.get(name, Taken(transfer_id=name))
        logged = benchtransfer.values_of(taken)
        row.withheld |= benchtransfer.nobody_knows(taken)
        declared = dict(self._stated("transfer", name, row, "row")) if name else {}
        made = declared.get("assembly")
        if made.value if made else "assembly" in companions or row.values.get("assembly"):
            logged.pop("file", None)  # the master is put together from the passes: no pass's file is it
        columns = sheet_fields().transfer
        met: list[_Meeting] = []
        for field_name in sorted({*logged, *declared}):
            if field_name in companions:
                benchtransfer.take_companion(row, companions, field_name)
            stated, confirmed = declared.get(field_name), logged.get(field_name)
            both = sorted((s for s in (stated, confirmed) if s is not None), key=lambda s: s.n)
            saw = [*self._saw.get(("transfer", name, field_name), ()), *([] if stated else [None])]
            at = _at("row", both[-1].n, field_name)
            meeting = _lay_one(row, field_name, at, columns, both, saw)
            met.append(meeting if stated else replace(meeting, todo=_OF_A_PASS))
        self._meetings[id(row)] = met
        if taken.passes:
            if "passes" in companions:
                benchtransfer.take_companion(row, companions, "passes")
            benchtransfer.lay_passes(row, taken)

    def finish(self, transfer: LoadedTransfer, row: Declared) -> LoadedTransfer:
        """The merged transfer with the logged events in it, and with what sheet and log disagree about."""
        known = exact_rate(transfer.values)
        rate = known[0] if known else None
        found = [
            _conflict(m)
            for m in self._meetings.pop(id(row), ())
            if not any(same(m.declared, seen, rate) for seen in m.seen)
        ]
        if found:
            transfer = replace(transfer, findings=(*transfer.findings, *found))
        taken = self._played(transfer)
        return transfer if taken is None else benchtransfer.add_events(transfer, taken, known)

    # -- corrections -------------------------------------------------------------------------------------
    def taken_away(self, name: str) -> set[str]:
        """Fields of a transfer of which the log says that they have no value."""
        lines = self._lines.get(("transfer", name))
        return {key for key, stated in lines.fields.items() if stated.value is None} if lines else set()

    def played(self, name: str) -> bool:
        """Whether the log has a pass of a transfer."""
        taken = self.state.transfers.get(name)
        return taken is not None and bool(taken.passes)

    def hand_on(self, other: Declared, row: Declared, names: Set[str]) -> None:
        """What sheet and log disagree about in one row holds for the row that takes those fields over."""
        met = [m for m in self._meetings.get(id(other), ()) if m.name in names]
        self._meetings.setdefault(id(row), []).extend(met)

    def _played(self, transfer: LoadedTransfer) -> Taken | None:
        """What was logged of a transfer: the passes of the one it corrects, the notes of both."""
        own = self.state.transfers.get(transfer.transfer_id)
        if not transfer.follows:
            return own
        lineage = [
            self.state.transfers.get(name) for name in (*reversed(transfer.follows), transfer.transfer_id)
        ]
        notes = tuple(note for taken in lineage if taken is not None for note in taken.notes)
        passes = lineage[0].passes if lineage[0] is not None else ()
        return Taken(transfer_id=transfer.transfer_id, passes=passes, notes=notes)

    # -- one field ---------------------------------------------------------------------------------------
    def _stated(
        self, scope: Scope, name: str | None, declared: Declared, level: Level
    ) -> list[tuple[str, Stated]]:
        """Fields the log states of a thing, without its id: that is what the lines name it by."""
        lines = self._lines.get((scope, name), _Lines(name))
        own = _ID_FIELD.get(scope)
        stated = lines.fields.get(own) if own else None
        if own and stated is not None and stated.value != name:
            what = f"The bench log states '{own}' {shown(stated.value)} for what is called {shown(name)}."
            declared.findings.append(found_at(benchrules.ID_CHANGED, what, _at(level, stated.n, own)))
        return [item for item in lines.fields.items() if item[0] != own]


def _lay_one(
    declared: Declared,
    name: str,
    at: Origin,
    columns: Mapping[str, Column],
    lines: Sequence[Stated],
    saw: Sequence[Any],
) -> _Meeting:
    """Put what the last of the lines says in its place, at its origin. Returns what a sheet had there.

    saw: what else was seen in a sheet before the lines.
    """
    before, place = declared.values.get(name), declared.origins.get(name, at)
    for key in [k for k in declared.origins if k == name or k.startswith(f"{name}/")]:
        del declared.origins[key]
    declared.refused -= {k for k in declared.refused if k == name or k.startswith(f"{name}/")}
    declared.values.pop(name, None)
    if lines[-1].value is not None:
        read = declare_table({name: lines[-1].value}, columns, replace(at, column=""))
        declared.values.update(read.values)
        declared.origins.update(read.origins)
        declared.findings += read.findings
        declared.refused |= read.refused
    seen = [s for line in lines for s in (line.was, line.value)] + list(saw)
    # a value may have been stated as it was typed: held against the sheet as it is read
    seen += [read.values[name] for s in seen if name in (read := _read(name, s, columns)).values]
    told = "; ".join(_telling(line) for line in lines)
    return _Meeting(name=name, declared=before, place=place, seen=tuple(seen), told=told)


def same(declared: Any, seen: Any, rate: Fraction | None = None) -> bool:
    """Whether a sheet still says what was seen, as JSON. rate: to hold a time against the frame it became.

    In a table, what was seen may have more fields: those the chain of a pass filled in.
    """
    if isinstance(declared, Mapping) and isinstance(seen, Mapping):
        return all(key in seen and same(value, seen[key], rate) for key, value in declared.items())
    if isinstance(declared, list) and isinstance(seen, list):
        return len(declared) == len(seen) and all(
            same(one, other, rate) for one, other in zip(declared, seen, strict=True)
        )
    if isinstance(declared, str) and type(seen) is int and rate is not None:
        try:
            return parse_time(declared, rate) == seen
        except ProvpackError:
            return False
    return type(declared) is type(seen) and bool(declared == seen)


def _read(name: str, value: Any, columns: Mapping[str, Column]) -> Declared:
    return declare_table({name: value}, columns, Origin(level="row", file=LOG_NAME))


def _at(level: Level, line: int, column: str) -> Origin:
    return Origin(level=level, file=LOG_NAME, row=line, column=column)


def _conflict(meeting: _Meeting) -> Finding:
    here = f"is {shown(meeting.declared)} in {meeting.place}"
    if meeting.declared is None:
        here = "stands in no sheet any more"
    what = f"'{meeting.name}' {here}; {meeting.told}."
    return found_at(benchrules.TWO_VALUES, what, meeting.place, todo=meeting.todo)


def _telling(line: Stated) -> str:
    who = line.by or "somebody at the bench"
    said = "took it away" if line.value is None else f"stated {shown(line.value)}"
    told = f"{who} {said} at {line.at} (bench log, line {line.n})"
    if line.was == line.value:
        return told
    return f"{told}, having seen {'nothing' if line.was is None else shown(line.was)} before"


def shown(value: Any) -> str:
    """A value in a message."""
    return shortened(value if isinstance(value, str) else json.dumps(value, ensure_ascii=False))
