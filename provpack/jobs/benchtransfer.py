"""What the passes of the bench log make of a transfer: its passes, its file and times, its events.

Everything is as it was logged; a frame is only there where the clock times of the event and of the file's
first sample give one, and then `converted` says how.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, Final

from provpack.jobs import benchrules
from provpack.jobs.declared import Declared, declare_table, found_at
from provpack.jobs.loaded import LoadedTransfer, Origin
from provpack.jobs.merge import PASS_MACHINES
from provpack.jobs.sheetfields import CHAIN_ONLY, pointer, sheet_fields
from provpack.package import benchtime
from provpack.package.benchline import LOG_NAME
from provpack.package.benchstate import LoggedEvent, Note, Pass, Stated, Taken

Rate = tuple[Fraction, list[str], str]
"""What merge.exact_rate gives: the rate in Hz, the fields it rests on, how."""


def speaking(passes: Sequence[Pass]) -> Pass | None:
    """The pass whose settings are the transfer's: the one that counts; while there is none, the last."""
    return benchtime.pass_that_counts(passes) or max(passes, key=lambda p: p.number, default=None)


def values_of(taken: Taken) -> dict[str, Stated]:
    """The row's own values that follow from the passes: file, chain, times, and the settings confirmed.

    `was` of each is its own value: a sheet must say the same or nothing.
    """
    one = speaking(taken.passes)
    if one is None:
        return {}
    columns = set(sheet_fields().chain) - CHAIN_ONLY
    said: dict[str, tuple[Any, int]] = {k: (v, one.n) for k, v in one.settings.items() if k in columns}
    said["chain"] = one.chain_id, one.n
    said["started_at"] = one.started_at, one.n
    if one.stopped_at is not None and one.stopped_n is not None:
        said["stopped_at"] = one.stopped_at, one.stopped_n
    if one.attached is not None and one is benchtime.pass_that_counts(taken.passes):
        said["file"] = one.attached.file, one.attached.n
    return {
        name: Stated(value=value, was=value, n=n, at=one.started_at, by=one.by)
        for name, (value, n) in said.items()
        if value is not None
    }


def nobody_knows(taken: Taken) -> set[str]:
    """Fields that were confirmed as not known when the pass began whose settings are the transfer's."""
    one = speaking(taken.passes)
    columns = set(sheet_fields().chain) - CHAIN_ONLY
    return {k for k, v in one.settings.items() if v is None and k in columns} if one is not None else set()


def take_companion(row: Declared, companions: dict[str, Declared], name: str) -> None:
    """Let a list of a companion sheet stand in the row, so that the log can be laid over it.

    Left where it is when the row has such a list as well: that is told when the two are merged.
    """
    if name in row.values:
        return
    table = companions.pop(name)
    row.values[name] = table.values[name]
    row.origins.update(table.origins)
    row.findings += table.findings
    row.refused |= table.refused


def lay_passes(row: Declared, taken: Taken) -> None:
    """Lay the logged passes over the list of the row, by number; a running one is an error."""
    there = row.values.get("passes")
    entries: list[tuple[dict[str, Any], Origin | None]] = [
        (dict(entry), row.origins.get(f"passes/{n}", row.origins.get("passes")))
        for n, entry in enumerate(there if isinstance(there, list) else [])
    ]
    kept = [(entry, at) for entry, at in entries if entry.get("n") not in {p.number for p in taken.passes}]
    for one in taken.passes:
        at = _line(one.n)
        entry = _pass_entry(one, row)
        for other, place in entries:
            if other.get("n") == one.number and _differ(other, entry):
                told = f"Pass {one.number} stands there and, differently, in the bench log, line {one.n}."
                row.findings.append(found_at(benchrules.PASS_TWICE, told, place or at))
        if one.running:
            since = clock_of(one.started_at)
            what = f"Pass {one.number} still runs on chain {one.chain_id} since {since}; stop it first."
            row.findings.append(found_at(benchrules.PASS_RUNNING, what, at))
        kept.append((entry, at))
    kept.sort(key=lambda item: (not isinstance(item[0].get("n"), int), item[0].get("n") or 0))
    for key in [k for k in row.origins if k == "passes" or k.startswith("passes/")]:
        del row.origins[key]
    row.refused -= {k for k in row.refused if k == "passes" or k.startswith("passes/")}
    row.values["passes"] = [entry for entry, _ in kept]
    row.origins["passes"] = _line(taken.passes[0].n)
    speaks = speaking(taken.passes)
    logged = {p.number: p for p in taken.passes}
    for n, (entry, _) in enumerate(kept):
        made = logged.get(entry.get("n", 0))
        if made is None:
            continue
        # what its chain said later is not known of a pass; of the one that speaks it is taken, with a finding
        row.withheld |= {
            f"passes/{n}/{key}"
            for key in PASS_MACHINES
            if made.settings.get(key) is None and (key in made.settings or made is not speaks)
        }
    running = {p.number for p in taken.passes if p.running}
    for n, (entry, place) in enumerate(kept):
        row.origins[f"passes/{n}"] = place or row.origins["passes"]
        if entry.get("n") in running:
            row.refused.add(f"passes/{n}/stopped_at")  # its absence is told by the pass that runs


def _differ(sheet: Mapping[str, Any], logged: Mapping[str, Any]) -> bool:
    """Machines that only the sheet names may have come from the chain."""
    return any(logged.get(k) != v for k, v in sheet.items() if k in logged or k not in _MACHINES)


def _pass_entry(one: Pass, row: Declared) -> dict[str, Any]:
    columns = sheet_fields().transfer["passes"].fields
    said: dict[str, Any] = {k: v for k, v in one.settings.items() if k in columns and k in _MACHINES}
    said |= {
        "n": one.number,
        "chain_id": one.chain_id,
        "started_at": one.started_at,
        "stopped_at": one.stopped_at,
        "outcome": one.outcome,
        "reason": one.reason or None,
        "file": one.attached.file if one.attached else None,
        "note": _pass_note(one) or None,
    }
    at = replace(_line(one.n), column="passes")
    read = declare_table({k: v for k, v in said.items() if v is not None}, columns, at)
    row.findings += read.findings
    entry = dict(read.values)
    if not one.running:
        entry.setdefault("outcome", "unknown")
    entry.setdefault("file", None)
    return entry


_MACHINES: Final = frozenset(
    {
        "deck_id",
        "decoder_id",
        "capture_device_id",
        "capture_input",
        "line_standard",
        "sampling_frequency",
        "header_sampling_frequency_hz",
    }
)


def _pass_note(one: Pass) -> str:
    """All that was noted of a pass, in order, one line each, with the clock where it was noted on the way."""
    parts = [one.note, *(_timed(note) for note in sorted(one.notes, key=lambda note: note.n)), one.stop_note]
    if one.attached is not None and one.attached.reason:
        parts.append(f"File attached by decision: {one.attached.reason}")
    if one.verdict == "redo":
        parts.append("To be made again" + (f": {one.verdict_note}" if one.verdict_note else "."))
    elif one.verdict_note:
        parts.append(f"Accepted: {one.verdict_note}")
    return "\n".join(part for part in parts if part)


def _timed(note: Note) -> str:
    return f"{clock_of(note.at)} {note.text}"


def clock_of(moment: str) -> str:
    """The time of day of an ISO 8601 moment, as the clock on the wall said it, to the second."""
    return moment[11:19]


def _line(n: int) -> Origin:
    return Origin(level="companion", file=LOG_NAME, row=n)


# -- events ----------------------------------------------------------------------------------------------
def add_events(transfer: LoadedTransfer, taken: Taken, known: Rate | None) -> LoadedTransfer:
    """The transfer with the logged events among its transfer_events, and the stretches they bound.

    known: the exact rate. Events of the pass whose file is the transfer's get their frame, and so do events
    in the parts of an assembly. All others, and notes on the transfer, keep their clock time, with frame
    null: that sound is not in this file.
    """
    rate = known[0] if known else None
    whole = _pass_of_file(transfer, taken)
    assembly = transfer.values.get("assembly") if transfer.file is None else None
    logged: list[_Logged] = []
    lost: list[LoggedEvent] = []
    placed_whole: tuple[benchtime.Placed, ...] = ()
    for one in taken.passes:
        if one.attached is None or not (one is whole or assembly):
            logged += [_Logged(event, None, f"pass {one.number}") for event in one.events]
            continue
        placed = benchtime.place_events(one.events, one.attached, rate)
        lost += [spot.event for spot in placed if spot.why == benchtime.NOT_PLACED]
        for spot in placed:
            how = "" if rate is None else benchtime.how_placed(spot.event, one.attached, rate)
            if one is whole:
                logged.append(_Logged(spot.event, spot.frame, spot.why, how, one.attached.n))
                continue
            frame = _in_assembly(assembly, one.number, spot.frame)
            why = (
                f"pass {one.number}" if frame is not None else f"pass {one.number}, not in the assembled file"
            )
            how = f"{how} of pass {one.number}, moved with its part of the assembly"
            logged.append(_Logged(spot.event, frame, why, how, one.attached.n))
        placed_whole = placed if one is whole else placed_whole
    for note in taken.notes:
        event = LoggedEvent(n=note.n, at=note.at, written_at=note.at, type="operator_note", note=note.text)
        logged.append(_Logged(event, None, ""))
    if not logged:
        return transfer
    order = {event.n: n for n, event in enumerate(benchtime.in_order(item.event for item in logged))}
    if assembly:  # parts of several passes: the order is that of the assembled file
        logged.sort(key=lambda item: (-1 if item.frame is None else item.frame, order[item.event.n]))
    else:
        logged.sort(key=lambda item: order[item.event.n])
    transfer = _with_events(transfer, logged, known)
    if lost:
        what = f"{len(lost)} logged event(s) have a clock time but no place in the file."
        finding = found_at(benchrules.EVENTS_UNPLACED, what, _line(lost[0].n))
        transfer = replace(transfer, findings=(*transfer.findings, finding))
    return transfer if whole is None else _with_ranges(transfer, whole, placed_whole)


@dataclass(frozen=True, slots=True)
class _Logged:
    """An event of the log. frame: in the transfer's file, None and why when it is not there; how: it was
    found, from the line `file_line` that attached the file."""

    event: LoggedEvent
    frame: int | None
    why: str
    how: str = ""
    file_line: int = 0

    def entry(self) -> dict[str, Any]:
        """As an entry of transfer_events."""
        event = self.event
        late = f"written down at {clock_of(event.written_at)}" if event.written_at != event.at else ""
        note = "; ".join(part for part in (event.note, self.why, late) if part)
        entry = {"frame": self.frame, "at": event.at, "type": event.type, "origin": "seen"}
        return {**entry, "note": note} if note else entry


def _pass_of_file(transfer: LoadedTransfer, taken: Taken) -> Pass | None:
    """The pass that made the transfer's file; a file that somebody put together outside is no pass's."""
    one = benchtime.pass_that_counts(taken.passes)
    if one is None or one.attached is None or transfer.file is None:
        return None
    return one if one.attached.file == transfer.file.written else None


def _in_assembly(assembly: Any, number: int, frame: int | None) -> int | None:
    """Where a frame of the file of a pass lies in the assembled file; None when that part was not taken."""
    for part in assembly if isinstance(assembly, list) and frame is not None else ():
        start, end, target = (part.get(key) for key in ("source_start", "source_end", "target_start"))
        if part.get("pass_n") != number or not all(isinstance(x, int) for x in (start, end, target)):
            continue
        if start <= frame < end:
            return int(target + frame - start)
    return None


def _with_events(
    transfer: LoadedTransfer,
    logged: Sequence[_Logged],
    known: Rate | None,
) -> LoadedTransfer:
    """Logged events among those a sheet lists; these keep their order: it may be a fault to be told."""
    name = "transfer_events"
    there = transfer.values.get(name)
    listed = list(there) if isinstance(there, list) else []
    already = {(entry.get("at"), entry.get("type")) for entry in listed}
    waiting = deque(item for item in logged if (item.event.at, item.event.type) not in already)
    events: list[dict[str, Any]] = []
    origins = {k: v for k, v in transfer.origins.items() if not k.startswith(f"{name}/")}
    origins.setdefault(name, _line(logged[0].event.n))
    converted: list[Mapping[str, Any]] = []
    moved: dict[str, str] = {}

    def add_logged(upto: int | None) -> None:
        while waiting and not (upto is not None and (waiting[0].frame or 0) >= upto):
            item = waiting.popleft()
            if item.frame is not None and known is not None:
                lines = [str(_line(item.event.n)), str(_line(item.file_line))]
                converted.append(
                    {
                        "field": f"{pointer(name)}/{len(events)}/frame",
                        "from": [*lines, *(pointer(field) for field in known[1])],
                        "how": item.how,
                    }
                )
            origins[f"{name}/{len(events)}"] = _line(item.event.n)
            events.append(item.entry())

    for n, entry in enumerate(listed):
        frame = entry.get("frame")
        if isinstance(frame, int):
            add_logged(frame)
        origins[f"{name}/{len(events)}"] = transfer.origins.get(f"{name}/{n}", origins[name])
        moved[f"{name}/{n}/"] = f"{name}/{len(events)}/"
        events.append(entry)
    add_logged(None)
    return replace(
        transfer,
        values={**transfer.values, name: events},
        origins=origins,
        converted=(*(_renumbered(entry, moved) for entry in transfer.converted), *converted),
        refused=frozenset(_moved(key, moved) for key in transfer.refused),
    )


def _renumbered(entry: Mapping[str, Any], moved: Mapping[str, str]) -> dict[str, Any]:
    head = pointer("transfer_events").removesuffix("transfer_events")
    field = str(entry["field"])
    if not field.startswith(head):
        return dict(entry)
    return {**entry, "field": head + _moved(field.removeprefix(head), moved)}


def _moved(key: str, moved: Mapping[str, str]) -> str:
    for old, new in moved.items():
        if key.startswith(old):
            return new + key.removeprefix(old)
    return key


def _with_ranges(transfer: LoadedTransfer, one: Pass, placed: Sequence[benchtime.Placed]) -> LoadedTransfer:
    """signal_state_ranges from the changes logged, where no sheet has any; what that says of the tape."""
    name = "signal_state_ranges"
    if name in transfer.values or name in transfer.refused or one.attached is None:
        return transfer
    ranges = benchtime.state_ranges(placed, one.attached.frames, one.settings, one.n)
    if not ranges:
        return transfer
    entries = []
    origins = {**transfer.origins, name: _line(ranges[-1].lines[0])}
    for n, part in enumerate(ranges):
        entry: dict[str, Any] = {"start": part.start, "end": part.end, "emphasis": part.emphasis}
        if part.mode is not None:
            entry["mode"] = part.mode
        if part.emphasis != "unknown":
            entry["evidence"] = ["indicator"]
        entries.append(entry)
        origins[f"{name}/{n}"] = _line(part.lines[0])
    lines = sorted({line for part in ranges for line in part.lines} | {one.attached.n})
    how = {
        "field": pointer(name),
        "from": [str(_line(n)) for n in lines],
        "how": f"from the changes logged during pass {one.number}; before the first, the settings confirmed "
        "at its start where they decide",
    }
    findings = list(transfer.findings)
    tape = transfer.values.get("tape_emphasis")
    if tape not in (None, "mixed") and {"on", "off"} <= {part.emphasis for part in ranges}:
        what = f"Emphasis was logged as on and as off during pass {one.number}; tape_emphasis is '{tape}'."
        findings.append(found_at(benchrules.EMPHASIS_CHANGES, what, transfer.origin_of("tape_emphasis")))
    return replace(
        transfer,
        values={**transfer.values, name: entries},
        origins=origins,
        converted=(*transfer.converted, how),
        findings=tuple(findings),
    )
