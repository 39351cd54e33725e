"""`check_job`: everything that is wrong with a job folder, at once, without writing anything."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from provpack.errors import ProvpackError
from provpack.findings import Finding, Severity, worst
from provpack.jobs import rules
from provpack.jobs.assembly import open_audio, prove_file
from provpack.jobs.check_bench import against_the_bench
from provpack.jobs.check_chains import Playback, chain_check, crossed, equipment, playbacks, serials, times
from provpack.jobs.check_files import (
    FileFacts,
    attached_files,
    own_papers,
    probe,
    shared_files,
    unnamed_files,
)
from provpack.jobs.check_records import NO_ID, Validate, judge_draft, judge_job, unknown_waivers, waived
from provpack.jobs.clientprofiles import load_profiles
from provpack.jobs.declared import found_at
from provpack.jobs.heldfiles import everybody, held_in_draft, holds_back, no_salt
from provpack.jobs.load import build_record_draft, load_job
from provpack.jobs.loaded import Concerning, LoadedJob, LoadedTransfer
from provpack.jobs.measuring import measure_received
from provpack.jobs.merge import exact_rate
from provpack.jobs.passes import PassReport, compare_transfer
from provpack.jobs.progress import Progress, expect, next_part
from provpack.jobs.wrapsize import bytes_to_check
from provpack.measure.fanout import RunAll
from provpack.package.bagpaths import readable
from provpack.package.figures import counted
from provpack.package.heldback import hold_back
from provpack.package.heldnames import Person
from provpack.package.names import package_name

Outcome = Literal["good", "warnings", "refused"]
MOST_ALIKE = 50
"""Findings of one rule on one column that are told one by one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedTransfer:
    """One transfer in the result: where it is declared, its package's name, its audio, its findings."""

    transfer_id: str
    declared_at: str
    package_name: str
    file: str | None
    frames: int | None
    errors: int
    warnings: int
    passes: PassReport | None = None

    @property
    def outcome(self) -> Outcome:
        """refused when it has an error, warnings when it has a warning, else good."""
        return "refused" if self.errors else "warnings" if self.warnings else "good"

    def as_json(self) -> dict[str, object]:
        """Plain JSON."""
        return {
            "transfer_id": self.transfer_id,
            "package_name": self.package_name,
            "outcome": self.outcome,
            "declared_at": self.declared_at,
            "file": self.file,
            "frames": self.frames,
            "errors": self.errors,
            "warnings": self.warnings,
            "passes": self.passes.as_json() if self.passes and self.passes.pairs else None,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """A checked job: a line for each transfer, and everything found."""

    folder: str
    job_id: str
    transfers: tuple[CheckedTransfer, ...]
    findings: tuple[Finding, ...]
    job: LoadedJob
    by_transfer: tuple[tuple[Finding, ...], ...]
    """For each transfer of the job, in its order, the findings that are about it."""
    job_findings: tuple[Finding, ...]
    """Findings that are about no single transfer."""

    @property
    def outcome(self) -> Outcome:
        """refused when there is any error, warnings when there is any warning, else good."""
        grave = worst(self.findings)
        return "refused" if grave == "error" else "warnings" if grave == "warning" else "good"

    def as_json(self) -> dict[str, Any]:
        """The result for programs; schemas/result-check.schema.json."""
        return {
            "outcome": self.outcome,
            "job": readable(self.folder),
            "job_id": self.job_id,
            "units": [t.as_json() for t in self.transfers],
            "findings": [f.as_json() for f in self.findings],
        }


def check_job(
    folder: Path,
    *,
    now: datetime,
    progress: Progress,
    validate: Validate,
    run_all: RunAll | None = None,
) -> CheckResult:
    """Check a job folder: sheets, equipment, files, times, schema and domain rules.

    now: aware, the moment of the check. validate: edge/schemas.py `validate`. run_all: given, the audio is
    read and measured as well, and held against what is declared (`wrap` does that in its own read). Raises
    InputProblem only when the folder itself cannot be listed. Time grows with n log n of the transfers.
    """
    return check_loaded(load_job(folder), now=now, progress=progress, validate=validate, run_all=run_all)


def check_loaded(
    job: LoadedJob,
    *,
    now: datetime,
    progress: Progress,
    validate: Validate,
    run_all: RunAll | None = None,
    figures: Mapping[str, Mapping[str, Any]] | None = None,
) -> CheckResult:
    """`check_job` for a job that was loaded already. figures: transfer_id -> the record's `measured`, for
    transfers whose audio was measured before; without run_all nothing else is read of the audio."""
    register = {"equipment": [item.raw for item in job.equipment.values()]}
    clients = load_profiles(job)
    persons: tuple[Person, ...] = ()
    findings: list[Finding] = [*job.findings, *clients.findings]
    everything: list[Playback] = []
    used: set[str] = set()
    summaries: list[tuple[LoadedTransfer, FileFacts | None, list[Finding], PassReport | None]] = []
    progress.begin(f"checking {counted(len(job.transfers), 'transfer')}", 0)
    if run_all is not None:
        expect(progress, [bytes_to_check(transfer) for transfer in job.transfers])
    for transfer in job.transfers:
        next_part(progress)
        facts, own = probe(transfer)
        passes = playbacks(transfer, facts)
        everything += passes
        used |= {name for p in passes for kind, name in p.resources if kind != "capture input"}
        used.add(str(transfer.values.get("capture_device_id", "")))
        own += times(transfer, passes, facts, now)
        own += equipment(job, transfer)
        draft = build_record_draft(job, transfer, record_id=NO_ID)
        own += unknown_waivers(transfer)
        own += against_the_bench(job, transfer)
        own += chain_check(job, transfer, (draft.get("capture") or {}).get("chain_check_at"))
        told = figures.get(transfer.transfer_id) if figures else None
        if told is None and run_all is not None and facts is not None and not facts.is_float:
            told, unread = _measured(transfer, draft, now, run_all, progress)
            own += unread
        report: PassReport | None = None
        if run_all is not None:
            known = exact_rate(transfer.values)
            rate = known[0] if known else None
            report = compare_transfer(transfer, rate, progress)
            own += [*report.findings(), *prove_file(transfer, rate, progress)]
        own += clients.findings_for(transfer, draft, package_name(job.job_id, transfer.transfer_id))
        if holds_back(job, clients.of(draft)):
            persons = persons or everybody(job)
            own += held_in_draft(transfer, draft, hold_back(draft, no_salt, persons))
        own = waived(own, transfer)
        if job.job_values:
            judged = judge_draft(job, transfer, draft, facts, validate, register, told)
            # The ranges were held against the passes themselves: the record's rule would only repeat it.
            if any(f.rule.startswith("pass-assembly-") and f.severity == "error" for f in own):
                judged = [f for f in judged if not f.rule.startswith("rec-assembly-")]
            own += judged
        summaries.append((transfer, facts, [*transfer.findings, *own], report))
    findings += judge_job(job, validate, used)
    findings += serials(job, used)
    findings += unnamed_files(job)
    shared = [*_items(job), *_names(job), *shared_files(job), *attached_files(job), *own_papers(job)]
    shared += crossed(everything)
    findings, mine = _attributed(job, findings)
    per_transfer = {id(transfer): [*mine.get(id(transfer), []), *own] for transfer, _, own, _ in summaries}
    for finding, transfers in shared:
        for transfer in transfers:
            per_transfer[id(transfer)].append(finding)
    by_transfer = tuple(_told_once(per_transfer[id(t)]) for t in job.transfers)
    return CheckResult(
        folder=str(job.folder),
        job_id=job.job_id,
        transfers=tuple(
            _summary(job, transfer, facts, found, report)
            for (transfer, facts, _, report), found in zip(summaries, by_transfer, strict=True)
        ),
        findings=_told_once([*findings, *(f for found in by_transfer for f in found)]),
        job=job,
        by_transfer=by_transfer,
        job_findings=_told_once(findings),
    )


def _measured(
    transfer: LoadedTransfer, draft: Mapping[str, Any], now: datetime, run_all: RunAll, progress: Progress
) -> tuple[Mapping[str, Any] | None, list[Finding]]:
    """What the transfer's audio says, None when it cannot be read or its exact rate is not known (which the
    schema's finding tells)."""
    rate = exact_rate(draft.get("signal") or {})
    try:
        opened = open_audio(transfer) if rate is not None else None
        if opened is None or rate is None:
            return None, []
        with opened as source:
            return measure_received(
                source, draft, rate=rate[0], at=now, run_all=run_all, progress=progress
            ), []
    except (ProvpackError, OSError) as problem:
        name = readable(transfer.file.relative) if transfer.file else "of a pass"
        place = transfer.file.origin if transfer.file else transfer.origin_of("assembly")
        what = f"The file '{name}': {getattr(problem, 'what', problem)}"
        return None, [found_at(rules.FILE_UNREADABLE, what, place)]


def _attributed(job: LoadedJob, findings: list[Finding]) -> tuple[list[Finding], dict[int, list[Finding]]]:
    """Findings of the whole job, and those among them that stand on a transfer's own row."""
    rows = {(t.origin.file, t.origin.row or t.origin.column): t for t in job.transfers}
    by_id: dict[str, list[LoadedTransfer]] = {}
    for transfer in job.transfers:
        by_id.setdefault(transfer.transfer_id, []).append(transfer)
    general: list[Finding] = []
    mine: dict[int, list[Finding]] = {}
    for finding in findings:
        place = finding.position
        key = str(place.get("key", "")).partition(".")[0]
        owner = rows.get((str(place.get("file", "")), place.get("row") or key))
        if owner is None:
            general.append(finding)
            continue
        # Which of two rows with one id is the right one, nobody can tell: it is about both.
        alike = by_id[owner.transfer_id] if finding.rule == rules.ID_REPEATED.id else [owner]
        for transfer in alike:
            mine.setdefault(id(transfer), []).append(finding)
    return general, mine


def _summary(
    job: LoadedJob,
    transfer: LoadedTransfer,
    facts: FileFacts | None,
    findings: Sequence[Finding],
    passes: PassReport | None,
) -> CheckedTransfer:
    return CheckedTransfer(
        transfer_id=transfer.transfer_id,
        declared_at=str(transfer.origin),
        package_name=package_name(job.job_id, transfer.transfer_id),
        file=transfer.file.written if transfer.file else None,
        frames=facts.frames if facts else None,
        errors=sum(f.severity == "error" for f in findings),
        warnings=sum(f.severity == "warning" for f in findings),
        passes=passes,
    )


def _items(job: LoadedJob) -> list[Concerning]:
    """One client_item_id on two carriers, unless source_items explains it."""
    out: list[Concerning] = []
    first: dict[str, LoadedTransfer] = {}
    for transfer in job.transfers:
        item = transfer.values.get("client_item_id")
        if not isinstance(item, str) or transfer.values.get("source_items"):
            continue
        other = first.setdefault(item, transfer)
        mine, theirs = transfer.values.get("carrier_id"), other.values.get("carrier_id")
        if other is transfer or mine == theirs:
            continue
        carriers = [str(carrier) if carrier else "one that is not named" for carrier in (mine, theirs)]
        what = f"'{item}' is on carrier {carriers[0]}, and in {other.origin} on {carriers[1]}."
        place = transfer.origin_of("client_item_id")
        sure: Severity = "error" if mine and theirs else "warning"
        out.append((found_at(rules.ITEM_TWO_CARRIERS, what, place, severity=sure), (other, transfer)))
    return out


def _names(job: LoadedJob) -> list[Concerning]:
    """Packages that would get one name."""
    out: list[Concerning] = []
    first: dict[str, LoadedTransfer] = {}
    for transfer in job.transfers:
        if not transfer.transfer_id:
            continue
        name = package_name(job.job_id, transfer.transfer_id)
        other = first.setdefault(name, transfer)
        if other.transfer_id != transfer.transfer_id:
            what = (
                f"'{transfer.transfer_id}' and '{other.transfer_id}' ({other.origin}) both become '{name}'."
            )
            place = transfer.origin_of("transfer_id")
            out.append((found_at(rules.NAME_COLLISION, what, place), (other, transfer)))
    return out


def _told_once(findings: list[Finding]) -> tuple[Finding, ...]:
    """Each finding once (a fault in the defaults shows in every row), and no more than MOST_ALIKE alike."""
    seen: set[tuple[str, str, str]] = set()
    alike: dict[tuple[str, object], int] = {}
    out: list[Finding] = []
    last: dict[tuple[str, object], Finding] = {}
    for finding in findings:
        key = (finding.rule, finding.where, finding.what)
        if key in seen:
            continue
        seen.add(key)
        kind = (finding.rule, _column(finding.position))
        alike[kind] = alike.get(kind, 0) + 1
        if alike[kind] <= MOST_ALIKE:
            out.append(finding)
        last[kind] = finding
    for kind, many in alike.items():
        if many > MOST_ALIKE:
            what = f"{many - MOST_ALIKE} more of the same kind, the last one: {last[kind].what}"
            out.append(replace(last[kind], what=what))
    return tuple(out)


def _column(position: Mapping[str, str | int]) -> object:
    return (position.get("file"), position.get("column"), "path" in position)
