"""Packages of the job, as the page shows them: what can be wrapped, what is sealed, what the ledger says.

A sealed package is never patched: nothing on the page changes one.
"""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from provpack.edge.ledger import LEDGER_NAME, read_ledger
from provpack.errors import ProvpackError
from provpack.findings import Finding
from provpack.jobs.benchact import clock_words
from provpack.jobs.benchcorrect import Correction, corrections
from provpack.jobs.benchdesk import Desk, DeskInfo
from provpack.jobs.benchnaming import Naming
from provpack.jobs.benchsealed import sealed_at, since
from provpack.jobs.benchview_checked import ORDER, checked, found_of, measured_of, ready
from provpack.jobs.benchview_files import after_address
from provpack.jobs.corrections import PLAYS_AGAIN
from provpack.jobs.loaded import LoadedTransfer
from provpack.package.benchtime import pass_that_counts
from provpack.package.custodystate import moment_of, package_of
from provpack.package.figures import count
from provpack.package.ledgerline import FIXITY_CHECKED, SUPERSEDED
from provpack.package.ledgerwords import sentence
from provpack.package.names import package_name

LINES_SHOWN: Final = 12
LINES_AT_MOST: Final = 500
REASONS_SHOWN: Final = 4
OUTCOMES: Final[Mapping[str, str]] = {
    "wrapped": "sealed", "planned": "only planned", "refused": "not wrapped", "failed": "failed",
    "good": "good", "bad": "damaged", "missing": "not there", "could_not_check": "could not be checked",
}  # fmt: skip
"""What came of one transfer or one package, in words."""
DEPTHS: Final[Mapping[str, str]] = {
    "listed": "names and sizes", "bytes": "every byte", "meaning": "every byte, and what the record says"
}  # fmt: skip


def packages_view(desk: Desk, info: DeskInfo) -> dict[str, Any]:
    """The page: {destination, ready, open, job_findings, packages, correct, works, busy, ledger}."""
    job, replaced = desk.job(), corrections(desk)
    result = checked(desk, info)
    names = {t.transfer_id: package_name(job.job_id, t.transfer_id) for t in job.transfers}
    there = {i: n for i, n in names.items() if _is_package(info.destination / n)}
    made = {transfer_id: sealed_at(info.destination / name) for transfer_id, name in there.items()}
    later = since(desk.state, made)
    titles = {t.transfer_id: _title(t) for t in job.transfers}
    lines, trouble = _ledger(info.destination, set(names.values()), job.job_id)
    waiting: list[dict[str, Any]] = []
    can: list[dict[str, Any]] = []
    for one in job.transfers:
        if not one.transfer_id or one.transfer_id in there:
            continue
        found = found_of(result, one.transfer_id)
        row = _row(desk, info, one, found)
        (can if ready(result, one.transfer_id) else waiting).append(row)
    works = [
        _work(w, names) for w in reversed(list(info.works.values())) if w.get("kind") in ("wrap", "verify")
    ]
    now = desk.now()
    shown = [_line(entry, now) for entry in lines]
    return {
        "troubles": desk.troubles,
        "destination": str(info.destination),
        "ready": can,
        "open": waiting,
        "any": bool(job.transfers),
        "job_findings": [
            f.as_json()
            for f in sorted(result.job_findings, key=lambda f: ORDER[f.severity])
            if f.severity == "error"
        ],
        "packages": [
            {
                **_package(transfer_id, name, made[transfer_id], later.get(transfer_id, ""), lines, now),
                "replaced": _replaced(replaced.get(transfer_id)),
                "enter": _to_be_entered(replaced.get(transfer_id), name, lines, info.destination),
            }
            for transfer_id, name in there.items()
        ],
        "correct": [
            {"id": one, "name": there[one], "title": titles[one], "new": new.words}
            for one, new in Naming(desk).proposals(i for i in there if i not in replaced).items()
        ],
        "replacing": [_replacing(c) for c in replaced.values() if c.of in there and not c.sealed],
        "works": works[:6],
        "busy": {kind: any(w["kind"] == kind and w["running"] for w in works) for kind in ("wrap", "verify")},
        "ledger": {"shown": shown[:LINES_SHOWN], "more": shown[LINES_SHOWN:], "trouble": trouble},
    }


def _is_package(path: Path) -> bool:
    try:
        return (path / "bagit.txt").is_file()
    except (OSError, ValueError):
        return False


# -- what can be wrapped -------------------------------------------------------------------------------------
def _row(desk: Desk, info: DeskInfo, one: LoadedTransfer, found: tuple[Finding, ...]) -> dict[str, Any]:
    """{id, title, address, reasons, more, notes}: reasons are the errors, notes what should be known."""
    errors = [f for f in found if f.severity == "error"]
    mild = sum(f.severity == "warning" for f in found)
    notes = [count(mild, "warning", "warnings") + ", which the package will hold."] if mild else []
    taken = desk.state.transfers.get(one.transfer_id)
    passes = taken.passes if taken is not None else ()
    counts = pass_that_counts(passes)
    last = passes[-1] if passes else None
    address = after_address(one.transfer_id, counts.number if counts else last.number) if last else ""
    if counts is not None and counts.verdict is None:
        notes.append(f"Nobody has accepted pass {counts.number} yet.")
    if last is not None and last.verdict == "redo":
        notes.append(f"Pass {last.number} is to be made again.")
    if one.path is not None and measured_of(info, one.file) is None:
        notes.append("Its file was not measured yet: wrapping measures it and may find more.")
    return {
        "id": one.transfer_id,
        "title": _title(one),
        "address": address,
        "reasons": [{"what": f.what, "todo": f.todo, "where": f.where} for f in errors[:REASONS_SHOWN]],
        "more": max(len(errors) - REASONS_SHOWN, 0),
        "notes": notes,
    }


def _title(one: LoadedTransfer) -> str:
    said = ", ".join(str(one.values[n]) for n in ("carrier_id", "title") if one.values.get(n))
    return said or "no title yet"


# -- what was wrapped or verified ----------------------------------------------------------------------------
def _work(work: Mapping[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    """A wrap or verification asked for here, with what came of each transfer or package."""
    result = work.get("result") or {}
    units = []
    for unit in result.get("units", ()):
        found = [f for f in unit.get("findings", ()) if f.get("severity") == "error"]
        problem = unit.get("problem")
        if problem:  # what was found while wrapping is quoted in the refusal: once is enough
            found = [problem, *(f for f in found if f["what"] not in problem["what"])]
        name = unit.get("transfer_id") or unit.get("name") or Path(str(unit.get("path") or "")).name
        units.append(
            {
                "name": str(name),
                "words": OUTCOMES.get(str(unit["outcome"]), str(unit["outcome"]).replace("_", " ")),
                "well": unit["outcome"] in ("wrapped", "good"),
                "found": [{"what": f["what"], "todo": f.get("todo", "")} for f in found[:REASONS_SHOWN]],
            }
        )
    return {
        "work": work["work"],
        "kind": work["kind"],
        "label": str(work.get("label", "")),
        "words": str(work.get("words", "")),
        "state": work["state"],
        "running": work["state"] == "running",
        "done": work.get("done") or 0,
        "total": work.get("total") or 1,
        "units": units,
    }


# -- packages and the ledger ---------------------------------------------------------------------------------
def _package(
    transfer_id: str,
    name: str,
    made: datetime | None,
    later: str,
    lines: list[dict[str, Any]],
    now: datetime,
) -> dict[str, Any]:
    last = next((e for e in lines if e.get("kind") == FIXITY_CHECKED and package_of(e) == name), None)
    looked = "Not verified since it was sealed, as far as the ledger says."
    well = None
    if last is not None:
        outcome, depth = str(last.get("outcome") or ""), str(last.get("depth") or "")
        well = outcome == "good"
        looked = (
            f"Verified {clock_words(moment_of(last), now)}: {OUTCOMES.get(outcome, outcome or 'not known')}"
            f" ({DEPTHS.get(depth, depth or 'how deep is not known')})."
        )
    return {
        "name": name,
        "transfer_id": transfer_id,
        "made": clock_words(made.isoformat(), now) if made is not None else "at a time that cannot be read",
        "later": later,
        "looked": looked,
        "well": well,
    }


def _replaced(by: Correction | None) -> str:
    if by is None:
        return ""
    return f"{by.transfer_id} replaces it" + (f", sealed as {by.sealed}." if by.sealed else ", once wrapped.")


def _to_be_entered(by: Correction | None, name: str, lines: list[dict[str, Any]], destination: Path) -> str:
    """The command that enters in the ledger what replaces a package, "" when it is in there or not so yet."""
    if by is None or not by.sealed:
        return ""
    if any(e.get("kind") == SUPERSEDED and package_of(e) == name for e in lines):
        return ""
    words = [
        "provpack",
        "enter",
        str(destination),
        "superseded",
        "--package",
        name,
        "--note",
        f"by {by.sealed}",
    ]
    return shlex.join(words)


def _replacing(one: Correction) -> dict[str, Any]:
    """A correction that is not wrapped yet. can_go: the log made it and can take it back."""
    return {
        "id": one.transfer_id,
        "of": one.of,
        "again": one.how == PLAYS_AGAIN,
        "can_go": bool(one.lines),
    }


def _ledger(folder: Path, names: set[str], job_id: str) -> tuple[list[dict[str, Any]], str]:
    """Lines about these packages, the newest first, and what is wrong with the ledger, "" when nothing."""
    path = folder / LEDGER_NAME
    if not path.exists():
        return [], ""
    mine: list[dict[str, Any]] = []

    def add(_line: int, entry: Mapping[str, Any]) -> None:
        if package_of(entry) in names or (job_id and entry.get("job_id") == job_id):
            mine.append(dict(entry))

    try:
        chain = read_ledger(path, each=add)
    except ProvpackError as problem:
        return [], f"{problem.what} {problem.todo}"
    trouble = ""
    if chain.breaks:
        trouble = f"{chain.breaks[0].what} Look at it with `provpack custody` before anything else is done."
    return mine[::-1][:LINES_AT_MOST], trouble


def _line(entry: Mapping[str, Any], now: datetime) -> dict[str, str]:
    at = moment_of(entry)
    said = sentence(entry)
    return {
        "n": str(entry.get("n", "")),
        "iso": at,
        "at": clock_words(at, now),
        "words": said[:1].upper() + said[1:],
    }
