"""Each transfer as the record it will become: schema and domain rules, led back to the cell."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Protocol

from provpack.findings import Finding, Severity
from provpack.jobs import rules, valuerules
from provpack.jobs.assembly import is_assembled
from provpack.jobs.check_files import NO_AUDIO, FileFacts
from provpack.jobs.declared import found_at
from provpack.jobs.draft import FROM_REGISTER, used_equipment
from provpack.jobs.loaded import LoadedJob, LoadedTransfer, Origin
from provpack.jobs.sheetfields import JOB_VERSION, REGISTER_VERSION, sheet_fields
from provpack.model.recordrules import judge_record
from provpack.model.recordview import PCM_ON_VIDEO
from provpack.model.rules import CUSTODY_MISSING, NOT_ASSESSED, PCM_FIELDS
from provpack.package.bagpaths import readable
from provpack.package.names import unfit_job_id
from provpack.package.needrules import FIELD_MISSING, PLACEHOLDER_EMPTY

NO_ID = "00000000-0000-4000-8000-000000000000"
"""Stands for the record_id that only packing makes."""
_FILLED_LATER = frozenset(
    {"record_id", "made_by", "package_name", "measured", "files", "audio_sha256", "coding_history"}
)
_AUDIO_SECTIONS = ("deck", "interface", "capture", "signal")
_MILDER: Mapping[Severity, Severity] = {"error": "warning", "warning": "note", "note": "note"}
_NOT_FILLED = frozenset({FIELD_MISSING.id, PLACEHOLDER_EMPTY.id})
NEVER_WAIVED = frozenset({rules.ID_MISSING.id, rules.ID_REPEATED.id, rules.FILE_TWICE.id, rules.REQUIRED.id})


class Violation(Protocol):
    """One place where a document breaks its schema (edge/schemas.py)."""

    @property
    def pointer(self) -> str: ...
    @property
    def message(self) -> str: ...
    @property
    def schema_path(self) -> str: ...


Validate = Callable[[str, object], Sequence[Violation]]


def judge_draft(
    job: LoadedJob,
    transfer: LoadedTransfer,
    draft: Mapping[str, Any],
    facts: FileFacts | None,
    validate: Validate,
    register: Mapping[str, object],
    figures: Mapping[str, Any] | None = None,
) -> list[Finding]:
    """What schema and domain rules say of the draft, as far as it can be known before packing.

    figures: the record's `measured` when the audio was read; else only the header's length is known.
    """
    record = _complete(transfer, draft, facts)
    by_pointer: dict[str, Finding] = {}
    for violation in validate("transfer-record", record):
        finding = _violation(job, transfer, violation, facts)
        if finding is not None:
            by_pointer.setdefault(violation.pointer, finding)
    said: list[Finding] = []
    measured = figures or ({"frames": facts.frames} if facts else {})
    told = {**draft, "signal": record["signal"], "measured": measured}
    if transfer.file is None and not is_assembled(transfer):
        told["audio_sha256"] = None
    for finding in judge_record(told, equipment=register):
        path = str(finding.position.get("path", ""))
        missing = by_pointer.get(path)
        if missing is not None and missing.rule == rules.REQUIRED.id:
            continue
        if _follows(job, transfer, finding, path):
            continue
        by_pointer.pop(path, None)
        said.append(led_back(finding, transfer))
    return [*by_pointer.values(), *said]


def _complete(transfer: LoadedTransfer, draft: Mapping[str, Any], facts: FileFacts | None) -> dict[str, Any]:
    """The draft with stand-ins for what packing adds, so that the schema's conditions can be judged."""
    audio = transfer.file is not None or draft.get("outcome") not in NO_AUDIO
    record = {**draft, **{name: {} for name in _FILLED_LATER}}
    record |= {"record_id": NO_ID, "package_name": "a", "files": [], "coding_history": "-" if audio else None}
    record["audio_sha256"] = "0" * 64 if audio else None
    wanted = _AUDIO_SECTIONS if audio else ()
    if audio and (draft.get("carrier") or {}).get("recording_format") in PCM_ON_VIDEO:
        wanted = (*wanted, "decoder")
    for name in wanted:
        record[name] = dict(record.get(name) or {})
    signal = record.get("signal")
    if isinstance(signal, dict) and facts is not None:
        record["signal"] = {**signal, "header_sampling_frequency_hz": facts.header_rate}
    return record


def _violation(
    job: LoadedJob, transfer: LoadedTransfer, violation: Violation, facts: FileFacts | None
) -> Finding | None:
    parts = violation.pointer.split("/")[1:]
    if not parts or parts[0] in _FILLED_LATER or violation.pointer == "":
        return None
    name = _field(parts)
    if _refused(transfer, parts) or (name == "header_sampling_frequency_hz" and facts is None):
        return None
    if violation.pointer in ("/job_id", "/transfer_id") and not (job.job_id and transfer.transfer_id):
        return None
    place = place_of(transfer, violation.pointer)
    if violation.schema_path.endswith("/required"):
        if _told_elsewhere(job, transfer, parts[-1]):
            return None
        return found_at(rules.REQUIRED, f"'{parts[-1]}' is missing.", place, todo=_how_to_fill(parts))
    what = f"'{parts[-1] if not parts[-1].isdigit() else name}': {violation.message}"
    return found_at(rules.SCHEMA, what, place)


def _how_to_fill(parts: Sequence[str]) -> str:
    """Where a missing field may stand and what it may say; "" where only the rule's own advice fits."""
    column = sheet_fields().transfer.get(parts[-1])
    if column is None or len(parts) > 2:
        return ""
    item = column.item if column.kind == "list" and column.item is not None else column
    words = ", ".join(str(word).casefold() for word in item.words)
    said = "State it for the transfer, for its chain or in the defaults"
    if column.kind == "list":
        some = f"; one or more of: {words}" if words else ""
        return f"{said}: values divided by |, or [] where there is none{some}."
    return f"{said}: one of {words}." if words else ""


def _refused(transfer: LoadedTransfer, parts: Sequence[str]) -> bool:
    """True when the value was given and could not be taken, which is told where it stands."""
    name = _field(parts)
    if name in transfer.refused:
        return True
    rest = parts[parts.index(name) + 1 :]
    return bool(rest) and any(key.startswith(f"{name}/{rest[0]}/") for key in transfer.refused)


def follows_refusal(finding: Finding, transfer: LoadedTransfer) -> bool:
    """True for a finding about a field that was filled in, with a value that could not be taken: that is told
    where it stands."""
    parts = str(finding.position.get("path", "")).split("/")[1:]
    return finding.rule in _NOT_FILLED and bool(parts) and _refused(transfer, parts)


def _told_elsewhere(job: LoadedJob, transfer: LoadedTransfer, name: str) -> bool:
    """True when a missing field follows from a fault that has a finding of its own."""
    if "chain" in transfer.refused and name in sheet_fields().chain:
        return True
    unknown = set(FROM_REGISTER) - set(used_equipment(job, transfer.values))
    if name == "chain_check_at":
        return True  # check_chains.chain_check names the check and says what is wrong with it
    if name == "chain_check_id":
        named = {role for role in unknown if f"{role}_id" in transfer.values}
        return bool(named) or "started_at" in transfer.refused
    for role, fields in FROM_REGISTER.items():
        if name in fields:
            return fields[name] in ("make_model", "serial") or role in unknown
    return False


def _follows(job: LoadedJob, transfer: LoadedTransfer, finding: Finding, path: str) -> bool:
    """True for a finding of the domain rules that only repeats what is told about a cell."""
    parts = path.split("/")[1:]
    if finding.rule == PCM_FIELDS.id:
        return _refused(transfer, parts) or _told_elsewhere(job, transfer, parts[-1])
    if finding.rule == CUSTODY_MISSING.id:
        return bool(job.custody_events) and "client_item_id" not in transfer.values
    return finding.rule == NOT_ASSESSED.id and "condition_assessed_at" in transfer.refused


def _field(parts: Sequence[str]) -> str:
    """The flat name of the field a pointer leads into."""
    if parts[0] in sheet_fields().sections and len(parts) > 1:
        return parts[1]
    return parts[0]


def place_of(transfer: LoadedTransfer, pointer: str) -> Origin:
    """The cell behind a pointer into the record; for a value nobody declared, the cell where it belongs."""
    parts = pointer.split("/")[1:]
    if not parts:
        return transfer.origin
    if parts[0] == "measured":  # what was measured is in the file
        return transfer.origin_of("file")
    name = _field(parts)
    rest = parts[parts.index(name) + 1 :]
    if name == "passes" and "passes" not in transfer.origins:
        name = {"chain_id": "chain"}.get(rest[1], rest[1]) if len(rest) > 1 else "started_at"
        rest = []
    if name == "header_sampling_frequency_hz" and name not in transfer.origins:
        name = "file"
    if rest and rest[0].isdigit():
        entry = transfer.origins.get(f"{name}/{rest[0]}")
        if entry is not None:
            return replace(entry, column=rest[1]) if len(rest) > 1 else entry
    found = transfer.origins.get(name)
    if found is not None:
        inside = "".join(f"[{int(p) + 1}]" if p.isdigit() else f".{p}" for p in rest)
        return found if found.row is not None else replace(found, column=found.column + inside)
    column = name if transfer.origin.row is not None else f"{transfer.origin.column}.{name}"
    return replace(transfer.origin, column=column)


def led_back(finding: Finding, transfer: LoadedTransfer) -> Finding:
    """The finding at the cell of the sheet that it speaks against; as it is when it names none."""
    if not str(finding.position.get("path", "")).startswith("/"):
        return finding
    place = place_of(transfer, str(finding.position["path"]))
    return replace(
        finding, where=f"{place} ({finding.where})", position={**place.position(), **finding.position}
    )


def judge_job(job: LoadedJob, validate: Validate, used: set[str]) -> Iterator[Finding]:
    """What the schemas say of job.toml without its transfers, and of each piece of equipment."""
    unfit = unfit_job_id(job.job_id) if job.job_id else ""
    if unfit:
        what = f"'{readable(job.job_id[:60])}' cannot be the identifier of a job: {unfit}."
        place = Origin(level="job", file="job.toml", column="job_id")
        yield found_at(valuerules.JOB_ID_UNFIT, what, job.job_origins.get("job_id", place))
    if "job.toml" in job.sheets:
        document = {"schema_version": JOB_VERSION, **job.job_values, "transfer": [{"transfer_id": "-"}]}
        for violation in validate("job-sheet", document):
            if not violation.schema_path.endswith("/required") or violation.pointer.count("/") > 1:
                parts = violation.pointer.split("/")[1:]
                key = "".join(f"[{int(p) + 1}]" if p.isdigit() else f".{p}" for p in parts).lstrip(".")
                place = Origin(level="job", file="job.toml", column=key)
                declared = job.job_origins.get(parts[0] if parts else "", place)
                place = replace(declared, column=key)
                yield found_at(rules.SCHEMA, f"'{key}': {violation.message}", place)
    for item in job.equipment.values():
        document = {"schema_version": REGISTER_VERSION, "equipment": [item.raw]}
        for violation in validate("equipment-register", document):
            if violation.pointer == "/equipment/0/serial" and item.id in used:
                continue
            key = violation.pointer.removeprefix("/equipment/0").replace("/", ".")
            place = replace(item.origin, column=f"{item.origin.column}{key}")
            what = f"{item.id}, '{key.lstrip('.')}': {violation.message}"
            severity: Severity | None = None if item.id in used else "warning"
            yield found_at(rules.SCHEMA, what, place, severity=severity)


def unknown_waivers(transfer: LoadedTransfer) -> Iterator[Finding]:
    """Waivers that name a rule the program does not have: a slip of the pen would pass for a decision."""
    from provpack.jobs.allrules import ALL_RULES

    known = {rule.id for _, group in ALL_RULES for rule in group}
    entries = transfer.values.get("waivers")
    for n, entry in enumerate(entries if isinstance(entries, list) else ()):
        name = entry.get("rule") if isinstance(entry, Mapping) else None
        if isinstance(name, str) and name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            meant = f" Was '{near[0]}' meant?" if near else ""
            place = place_of(transfer, f"/waivers/{n}/rule")
            yield found_at(rules.WAIVER_UNKNOWN, f"There is no rule '{name}'.{meant}", place)


def waived(findings: list[Finding], transfer: LoadedTransfer) -> list[Finding]:
    """Findings about rows that somebody responsible has set aside: one step milder, and it says so."""
    entries = transfer.values.get("waivers")
    waivers = (
        {e.get("rule"): e for e in entries if isinstance(e, Mapping)} if isinstance(entries, list) else {}
    )
    out = []
    for finding in findings:
        waiver = waivers.get(finding.rule)
        if waiver is None or not waiver.get("reason") or not waiver.get("by") or finding.rule in NEVER_WAIVED:
            out.append(finding)
            continue
        said = f"Set aside by {waiver['by']}, {waiver.get('at', 'undated')}: {waiver['reason']}"
        out.append(replace(finding, severity=_MILDER[finding.severity], what=f"{finding.what} {said}"))
    return out
