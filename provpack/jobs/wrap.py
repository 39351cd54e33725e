"""The main job: every transfer of a job folder becomes one sealed package."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from provpack.edge.commit import PARTIAL_PREFIX
from provpack.edge.schemas import validate
from provpack.errors import Bug, DestinationProblem, ProvpackError
from provpack.findings import Finding, worst
from provpack.jobs import wraprules
from provpack.jobs.check import check_job
from provpack.jobs.chosen import chosen
from provpack.jobs.clientprofiles import load_profiles
from provpack.jobs.destination import look_at
from provpack.jobs.heldfiles import everybody
from provpack.jobs.loaded import LoadedJob, LoadedTransfer
from provpack.jobs.progress import expect, next_part
from provpack.jobs.wrapone import Wrapping
from provpack.jobs.wrapped import Ports, Refusal, UnitOutcome, Wishes, WrapResult, WrapUnit
from provpack.jobs.wrapsize import bytes_to_wrap
from provpack.package.bagpaths import readable
from provpack.package.names import package_name


def wrap_job(
    folder: Path,
    destination: Path,
    ports: Ports,
    *,
    dry_run: bool = False,
    wishes: Wishes | None = None,
    only: frozenset[str] | None = None,
) -> WrapResult:
    """Check the job, then wrap each transfer that has no error. One that fails does not stop the rest.

    only: wrap the transfers of these ids and leave the others, of which nothing is entered either; None =
    all. Raises DestinationProblem when the destination is no folder; InputProblem when the job folder cannot
    be read at all, or has no transfer of an id that was asked for.
    """
    existing = ports.list_names(destination) if look_at(folder, destination, ports.disk) else None
    checked = check_job(folder, now=ports.now(), progress=ports.progress, validate=validate)
    transfers = chosen(checked.job, only)
    wanted = {id(t) for t in transfers}
    findings = [*checked.job_findings, *_leftovers(existing, destination)]
    units: list[WrapUnit] = []
    refused_as_a_whole = worst(checked.job_findings) == "error"
    entered = False
    made_destination = bool(existing is not None)
    asked, clients = wishes or Wishes(), load_profiles(checked.job)
    persons = everybody(checked.job)
    expect(
        ports.progress,
        [
            0 if dry_run or refused_as_a_whole or worst(found) == "error"
            or ports.disk.exists(destination / package_name(checked.job.job_id, t.transfer_id))
            else bytes_to_wrap(checked.job, t, clients, asked.derive)
            for t, found in zip(checked.job.transfers, checked.by_transfer, strict=True)
            if id(t) in wanted
        ],
    )  # fmt: skip
    for transfer, found in zip(checked.job.transfers, checked.by_transfer, strict=True):
        if id(transfer) not in wanted:
            continue
        next_part(ports.progress)
        name = package_name(checked.job.job_id, transfer.transfer_id)
        if worst(found) == "error" or refused_as_a_whole:
            unit = WrapUnit(
                transfer_id=transfer.transfer_id, package_name=name, outcome="refused", findings=found
            )
        else:
            if not (made_destination or dry_run):
                ports.disk.make_folder(destination)
                ports.disk.sync_folder(destination.parent)
                made_destination = True
            if not (entered or dry_run):
                findings += _enter(ports, replace(checked.job, transfers=transfers), destination)
                entered = True
            wrapping = functools.partial(
                Wrapping, checked.job, transfer, found, name, ports, clients, persons, asked
            )
            one = functools.partial(_wrap_one, wrapping, destination / name, ports, dry_run)
            unit = _guarded(one, transfer, name, found)
        units.append(unit)
    if (unsynced := ports.unsynced()) and any(unit.outcome == "wrapped" for unit in units):
        what = f"The file system of '{readable(str(destination))}' cannot sync a folder."
        findings.append(wraprules.FOLDER_NOT_SYNCED.found(what, readable(str(unsynced[-1]))))
    return WrapResult(
        folder=str(folder),
        job_id=checked.job.job_id,
        destination=str(destination),
        dry_run=dry_run,
        units=tuple(units),
        findings=tuple(findings),
        left=tuple(t.transfer_id for t in checked.job.transfers if id(t) not in wanted),
    )


def _enter(ports: Ports, job: LoadedJob, destination: Path) -> list[Finding]:
    """Carriers, passes and faults go into the ledger before the packages; never a reason to stop."""
    try:
        ports.enter_job(job)
    except ProvpackError as err:
        return [wraprules.SHEETS_NOT_ENTERED.found(err.what, err.where or str(destination), todo=err.todo)]
    return []


def _leftovers(existing: list[str] | None, destination: Path) -> list[Finding]:
    return [
        wraprules.LEFTOVER.found(
            f"'{name}' is what an interrupted wrap left, or another wrap is at work on it now.",
            str(destination / name),
            position={"path": name},
        )
        for name in sorted(existing or [])
        if name.startswith(PARTIAL_PREFIX)
    ]


def _guarded(
    one: Callable[[], WrapUnit], transfer: LoadedTransfer, name: str, found: tuple[Finding, ...]
) -> WrapUnit:
    problem: ProvpackError
    try:
        return one()
    except ProvpackError as err:
        problem = err
    except Exception as err:
        # one transfer that trips us up must not take the others along
        problem = Bug(
            "bug",
            f"A mistake of ours, not of yours: {type(err).__name__}: {err}.",
            where=str(transfer.origin),
            todo="The received file is untouched. Please report it with this transfer's row of the sheet.",
        )
        problem.__cause__ = err
    outcome: UnitOutcome = "failed" if problem.exit_code in (15, 70) else "refused"
    return WrapUnit(
        transfer_id=transfer.transfer_id,
        package_name=name,
        outcome=outcome,
        findings=problem.findings if isinstance(problem, Refusal) else found,
        problem=problem,
    )


def _wrap_one(wrapping: Callable[[], Wrapping], final: Path, ports: Ports, dry_run: bool) -> WrapUnit:
    if ports.disk.exists(final):
        raise DestinationProblem(
            "destination-exists",
            f"There is already something called {final.name}.",
            where=str(final),
            todo="A sealed package is never overwritten. If this transfer is wrapped already, nothing is to "
            "do; for a correction, give the transfer a new transfer_id and fill in `supersedes`.",
        )
    return wrapping().plan(final) if dry_run else wrapping().run(final)
