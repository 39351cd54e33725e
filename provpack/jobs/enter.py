"""Lines of the custody ledger that a person enters by hand, or that the sheets of a job tell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from provpack import __version__
from provpack.edge.ledger import LEDGER_NAME, append_new, head, read_ledger
from provpack.edge.schemas import validate
from provpack.errors import DestinationProblem, InputProblem, UsageProblem
from provpack.findings import Finding, worst
from provpack.jobs.custody import check_whole, enter_job
from provpack.jobs.custodyrules import NOT_IN_HOUSE, SHEETS_HAVE_ERRORS, UNKNOWN_NAME, UNTIL_PAST
from provpack.jobs.load import load_job
from provpack.model.formats import read_moment
from provpack.package import ledgerline as kinds
from provpack.package.bagpaths import readable
from provpack.package.custodystate import CustodyState, clears_before_fault, text
from provpack.package.figures import counted
from provpack.package.ledgerchain import NO_PREVIOUS
from provpack.package.ledgerline import ledger_line

_CARRIER, _PACKAGE, _EQUIPMENT = "--carrier", "--package", "--equipment"
_DELIVERY, _TRANSFER = "--delivery", "--transfer"
_WHO, _NOTE, _UNTIL = "--organisation", "--note", "--until"


@dataclass(frozen=True, slots=True, kw_only=True)
class ByHand:
    """What was typed. at, since, until: dates or date-times with offset, as typed."""

    kind: str
    carriers: tuple[str, ...] = ()
    packages: tuple[str, ...] = ()
    equipment: tuple[str, ...] = ()
    transfer: str | None = None
    job: str | None = None
    delivery: str | None = None
    notice: str | None = None
    person: str | None = None
    organisation: str | None = None
    at: str | None = None
    since: str | None = None
    until: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Need:
    """Of `subject` at least one option is needed, of `also` every one. why: what the last one is for."""

    subject: tuple[str, ...] = ()
    also: Mapping[str, str] = field(default_factory=dict)


NEEDS: Final[Mapping[str, Need]] = {
    kinds.CARRIER_RECEIVED: Need((_CARRIER,), {_WHO: "who brought it"}),
    kinds.PASS_MADE: Need((_CARRIER, _TRANSFER), {_EQUIPMENT: "what it was played on"}),
    kinds.DELIVERED: Need((_PACKAGE, _DELIVERY), {_WHO: "who took it"}),
    kinds.ACCEPTED: Need((_PACKAGE, _DELIVERY)),
    kinds.REFUSED: Need((_PACKAGE, _DELIVERY), {_NOTE: "why"}),
    kinds.CARRIER_RETURNED: Need((_CARRIER,), {_WHO: "who took it back"}),
    kinds.RETAINED: Need((_CARRIER, _PACKAGE)),
    kinds.DESTROYED: Need((_CARRIER, _PACKAGE), {_NOTE: "on whose word, and how"}),
    kinds.FAULT_NOTED: Need((_EQUIPMENT,), {_NOTE: "what is wrong"}),
    kinds.FAULT_CLEARED: Need((_EQUIPMENT,), {_NOTE: "how it is known that no harm was done"}),
    kinds.SUPERSEDED: Need((_PACKAGE,), {_NOTE: "by what, and why"}),
    kinds.COPIED: Need((_CARRIER, _PACKAGE), {_NOTE: "where to"}),
    kinds.MOVED: Need((_CARRIER, _PACKAGE), {_NOTE: "where to"}),
    kinds.NOTE: Need((), {_NOTE: "what you want to say"}),
}
"""The kinds that can be entered by hand; wrap and verify write the others themselves."""

_ONLY: Final[Mapping[str, tuple[str, ...]]] = {
    _UNTIL: (kinds.RETAINED, kinds.FAULT_NOTED),
    "--since": (kinds.FAULT_NOTED,),
    "--notice": (kinds.FAULT_NOTED, kinds.FAULT_CLEARED),
    _DELIVERY: (kinds.DELIVERED, kinds.ACCEPTED, kinds.REFUSED, kinds.NOTE),
    _EQUIPMENT: (kinds.PASS_MADE, kinds.FAULT_NOTED, kinds.FAULT_CLEARED, kinds.MOVED, kinds.NOTE),
}  # fmt: skip
"""Options that mean something for these kinds only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EnterResult:
    """The lines that were appended, and where the ledger ends now."""

    path: str
    lines: tuple[Mapping[str, Any], ...]
    head: tuple[int, str] | None
    findings: tuple[Finding, ...] = ()

    @property
    def exit_code(self) -> int:
        return 1 if worst(self.findings) in ("error", "warning") else 0

    @property
    def outcome(self) -> str:
        return "warnings" if self.exit_code else "good" if self.lines else "nothing_new"

    def as_json(self) -> dict[str, Any]:
        """The shape of schemas/result-enter.schema.json."""
        return {
            "outcome": self.outcome,
            "ledger": readable(self.path),
            "lines": [dict(line) for line in self.lines],
            "head": {"entries": self.head[0], "last_sha512": self.head[1]} if self.head else None,
            "findings": [f.as_json() for f in self.findings],
        }


def enter_by_hand(folder: Path, typed: ByHand, now: datetime) -> EnterResult:
    """Append what was typed. Raises UsageProblem for what lacks or cannot be, PackageProblem when the ledger
    is broken, DestinationProblem, EnvironmentProblem, CouldNotCheck."""
    ledger = _ledger_in(folder)
    _complete(typed, now)
    lines = list(_lines(typed, now.isoformat()))
    for line in lines:
        for wrong in validate("ledger-entry", {**line, "n": 1, "previous": NO_PREVIOUS}):
            raise UsageProblem(
                "line-invalid", f"{wrong.pointer}: {wrong.message}", where="the command line",
                todo="Mend that option.",
            )  # fmt: skip
    check_whole(ledger)
    state = CustodyState()
    findings: list[Finding] = []

    def make() -> list[dict[str, Any]]:
        state.finish()
        findings.extend(_unknown(typed, state, ledger))
        findings.extend(_doubtful(typed, state, now))
        return lines

    written = append_new(ledger, make, see=_counting(state))
    return EnterResult(path=str(ledger), lines=tuple(written), head=head(ledger), findings=tuple(findings))


def enter_from_job(folder: Path, job_folder: Path, now: datetime) -> EnterResult:
    """Append what the sheets of a job tell and the ledger does not have. Raises InputProblem and as above."""
    ledger = _ledger_in(folder)
    job = load_job(job_folder)
    if not job.job_id:
        raise InputProblem(
            "job-unreadable", "There is no job.toml with a job_id in this folder.", where=str(job_folder),
            todo="Name a job folder; `provpack check JOB` says what is wrong with its sheets.",
        )  # fmt: skip
    check_whole(ledger)
    written = enter_job(job, ledger, now)
    errors = sum(f.severity == "error" for f in job.all_findings())
    what = f"The sheets of {job.job_id} have {counted(errors, 'error')}."
    findings = [SHEETS_HAVE_ERRORS.found(what, str(job_folder))] if errors else []
    findings += _never_came(written, ledger)
    return EnterResult(path=str(ledger), lines=tuple(written), head=head(ledger), findings=tuple(findings))


def _ledger_in(folder: Path) -> Path:
    if not folder.is_dir():
        raise DestinationProblem(
            "no-folder", "There is no such folder.", where=str(folder),
            todo="Name the folder that holds the packages; their custody ledger lies in it.",
        )  # fmt: skip
    return folder / LEDGER_NAME


def _never_came(written: Sequence[Mapping[str, Any]], ledger: Path) -> list[Finding]:
    """Carriers that the sheets return, and that came in according to no line under any of their names."""
    gone = [line for line in written if line["kind"] == kinds.CARRIER_RETURNED and _names(line)]
    if not gone:
        return []
    came: set[str] = set()
    same: set[tuple[str, ...]] = set()

    def see(line: int, entry: Mapping[str, Any]) -> None:
        names = _names(entry)
        if entry.get("kind") == kinds.CARRIER_RECEIVED:
            came.update(names)
        if len(names) > 1:
            same.add(tuple(names))

    read_ledger(ledger, each=see)
    came.update(name for names in same if came & set(names) for name in names)
    return [
        UNKNOWN_NAME.found(f"No line says that carrier {readable(_names(line)[0])} came in.",
                           readable(str(ledger)), position={"row": line["n"]})
        for line in gone if not came & set(_names(line))
    ]  # fmt: skip


def _names(line: Mapping[str, Any]) -> list[str]:
    """The carrier of a line: by its own name, and by that of the item on it."""
    return [name for key in ("carrier_id", "client_item_id") if (name := text(line, key))]


def _counting(state: CustodyState) -> Any:
    line = 0

    def see(entry: Mapping[str, Any]) -> None:
        nonlocal line
        line += 1
        state.add(line, entry)

    return see


def _given(typed: ByHand) -> dict[str, object]:
    return {
        _CARRIER: typed.carriers, _PACKAGE: typed.packages, _EQUIPMENT: typed.equipment,
        _TRANSFER: typed.transfer, _DELIVERY: typed.delivery, "--notice": typed.notice,
        _WHO: typed.organisation, _NOTE: typed.note, _UNTIL: typed.until, "--since": typed.since,
    }  # fmt: skip


def _complete(typed: ByHand, now: datetime) -> None:
    need = NEEDS.get(typed.kind)
    if need is None:
        own = {kinds.WRAPPED: "wrap", kinds.FIXITY_CHECKED: "verify"}.get(typed.kind)
        what = (
            f"A line '{typed.kind}' is written by `provpack {own}` itself, never by hand."
            if own
            else f"'{typed.kind}' is no kind of line."
        )
        raise _wrong(what, f"Kinds that can be entered: {', '.join(NEEDS)}.")
    given = {name for name, value in _given(typed).items() if value}
    if need.subject and not given & set(need.subject):
        raise _wrong(f"'{typed.kind}' needs {' or '.join(need.subject)}: what is it about?", "Add it.")
    for option, why in need.also.items():
        if option not in given:
            raise _wrong(f"'{typed.kind}' needs {option}: {why}.", "Add it.")
    if typed.kind == kinds.RETAINED and typed.packages and not typed.until:
        raise _wrong("A package that is retained needs --until: until which day.", "Add it.")
    for option, only in _ONLY.items():
        if option in given and typed.kind not in only:
            raise _wrong(f"{option} says nothing for '{typed.kind}'.", f"It goes with: {', '.join(only)}.")
    for option, value in (("--at", typed.at), ("--since", typed.since), (_UNTIL, typed.until)):
        moment = read_moment(value)
        if value is not None and moment is None:
            raise _wrong(
                f"{option} {readable(value)} is neither a date nor a time with offset.",
                "Write 2031-05-04, or 2031-05-04T14:30:00+02:00.",
            )
        if moment is not None and option != _UNTIL and moment.earliest > now:
            raise _wrong(f"{option} {value} has not come yet.", "A ledger holds what has happened.")


def _wrong(what: str, todo: str) -> UsageProblem:
    return UsageProblem("enter-incomplete", what, where="the command line", todo=todo)


def _lines(typed: ByHand, at: str) -> Iterator[dict[str, Any]]:
    """One line per carrier, package or piece of equipment; one carrier and one package share a line."""
    common: dict[str, Any] = {
        "transfer_id": typed.transfer, "job_id": typed.job, "delivery_id": typed.delivery,
        "notice_id": typed.notice, "person": typed.person, "organisation": typed.organisation,
        "happened_at": typed.at, "since": typed.since, "until": typed.until, "note": typed.note,
    }  # fmt: skip
    if typed.kind == kinds.PASS_MADE:
        common["equipment_ids"] = list(typed.equipment)
    elif typed.kind in (kinds.FAULT_NOTED, kinds.FAULT_CLEARED):
        for name in dict.fromkeys(typed.equipment):
            yield ledger_line(typed.kind, at=at, tool_version=__version__, equipment_id=name, **common)
        return
    elif typed.equipment:
        common["equipment_ids"] = list(typed.equipment)
    carriers, packages = list(dict.fromkeys(typed.carriers)), list(dict.fromkeys(typed.packages))
    if len(carriers) == len(packages) == 1:
        subjects: list[dict[str, Any]] = [{"carrier_id": carriers[0], "package": packages[0]}]
    else:
        subjects = [{"carrier_id": c} for c in carriers] + [{"package": p} for p in packages]
    for subject in subjects or [{}]:
        yield ledger_line(typed.kind, at=at, tool_version=__version__, **common, **subject)


def _unknown(typed: ByHand, state: CustodyState, ledger: Path) -> Iterator[Finding]:
    """Names the ledger has not met before, where it should have: entered all the same, but said."""
    shown = readable(str(ledger))
    if typed.kind == kinds.FAULT_CLEARED:
        for name in typed.equipment:
            notices = list(dict.fromkeys(notice for one, notice, _ in state.faults if one == name))
            if not notices or (typed.notice and typed.notice not in notices):
                known = dict.fromkeys(readable(f"{one} {notice}") for one, notice, _ in state.faults)
                raise _wrong(
                    f"The ledger knows of no such open fault of {readable(name)}.",
                    f"Open notices: {', '.join(known) or 'none'}.",
                )
            if len(notices) > 1 and not typed.notice:
                raise _wrong(
                    f"{readable(name)} has {len(notices)} open fault notices.",
                    f"Say which one: --notice {' or --notice '.join(map(readable, notices))}.",
                )
            meant = [f for (e, n, _), f in state.faults.items() if e == name and typed.notice in (None, n)]
            if all(clears_before_fault(typed.at, one.since, one.event.moment) for one in meant):
                raise _wrong(
                    f"--at {readable(typed.at or '')} is before the fault of {readable(name)} began, or was "
                    "noted.",
                    "Give the time at which it was found that no harm was done, or leave --at out.",
                )
    if typed.kind not in (kinds.CARRIER_RECEIVED, kinds.PASS_MADE, kinds.NOTE):
        for name in typed.carriers:
            held = state.carriers.get(name)
            if held is None or held.received is None:
                yield UNKNOWN_NAME.found(f"No line says that carrier {readable(name)} came in.", shown)
        for name in typed.packages:
            package = state.packages.get(name)
            if package is None or package.sealed is None:
                yield UNKNOWN_NAME.found(f"No line says that {readable(name)} was wrapped.", shown)
        if typed.delivery and typed.kind != kinds.DELIVERED and typed.delivery not in state.deliveries:
            yield UNKNOWN_NAME.found(f"No line says that delivery {typed.delivery} was handed over.", shown)


def _doubtful(typed: ByHand, state: CustodyState, now: datetime) -> Iterator[Finding]:
    """What can be, but is seldom meant: entered all the same, but said."""
    until = read_moment(typed.until)
    if typed.kind == kinds.RETAINED and until is not None and until.latest < now:
        yield UNTIL_PAST.found(f"{_UNTIL} {typed.until} is past.", "the command line")
    if typed.kind != kinds.CARRIER_RETURNED:
        return
    for name in typed.carriers:
        held = state.carriers.get(name)
        if held is None or held.received is None or held.ended is None or state.in_house(held):
            continue
        if held.ended.kind in (kinds.CARRIER_RETURNED, kinds.DESTROYED):
            said = "returned" if held.ended.kind == kinds.CARRIER_RETURNED else "destroyed"
            what = f"Carrier {readable(name)} was {said} before, and no line says that it came in again."
            yield NOT_IN_HOUSE.found(what, f"line {held.ended.line}", position={"row": held.ended.line})
