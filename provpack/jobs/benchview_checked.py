"""The job as `check` sees it, for the pages: with what was measured so far, and kept until something changes.

A page is made anew whenever a line is logged; what has not changed since is not judged again.
"""

from __future__ import annotations

import threading
import weakref
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

from provpack.edge.schemas import validate
from provpack.findings import Finding, worst
from provpack.jobs import rules
from provpack.jobs.benchdesk import Desk, DeskInfo
from provpack.jobs.benchmeasure import file_of_pass
from provpack.jobs.check import CheckResult, check_loaded
from provpack.jobs.check_records import NEVER_WAIVED
from provpack.jobs.loaded import LoadedJob, LoadedTransfer, NamedFile
from provpack.jobs.progress import Silent

ORDER: Final = {"error": 0, "warning": 1, "note": 2}
_KEPT_AT_MOST: Final = 4
_PUT_RIGHT: Final = NEVER_WAIVED | {
    rule.id
    for rule in (
        rules.SCHEMA, rules.FILE_TWINS, rules.FILE_EMPTY, rules.FILE_UNNAMED, rules.ITEM_TWO_CARRIERS,
        rules.NAME_COLLISION, rules.PASSES_CROSSED, rules.EQUIPMENT_SERIAL,
    )
}  # fmt: skip
"""Rules a waiver does not reach: they say that a sheet is wrong, or are about more than one transfer."""


@dataclass(slots=True)
class _Kept:
    """One judgement and all it rests on: the job, the pass asked for, the figures, the day."""

    job: LoadedJob
    key: tuple[str, int, date, tuple[tuple[str, str], ...]]
    result: CheckResult


_KEPT: weakref.WeakKeyDictionary[Desk, list[_Kept]] = weakref.WeakKeyDictionary()
_LOCK = threading.Lock()


def checked(desk: Desk, info: DeskInfo, transfer_id: str = "", number: int = 0) -> CheckResult:
    """The whole job, judged with the figures measured so far. transfer_id, number: take the file of that
    pass for the file of its transfer, whichever pass has made that. Reads headers, no audio."""
    job = desk.job()
    transfers = []
    for one in job.transfers:
        named = file_of_pass(one, number) if one.transfer_id == transfer_id else None
        transfers.append(replace(one, file=named) if named is not None else one)
    figures: dict[str, Mapping[str, Any]] = {}
    states: list[tuple[str, str]] = []
    for one in transfers:
        kept = measured_of(info, one.file)
        if kept is not None:
            figures[one.transfer_id] = kept["measured"]
            states.append((one.transfer_id, f"{kept['file']} {kept['modified_at']} {kept['measured']['at']}"))
    now = desk.now()
    key = (transfer_id, number, now.date(), tuple(states))
    with _LOCK:
        before = next((k for k in _KEPT.get(desk, []) if k.job is job and k.key == key), None)
    if before is not None:
        return before.result
    result = check_loaded(
        replace(job, transfers=tuple(transfers)), now=now, progress=Silent(), validate=validate,
        figures=figures,
    )  # fmt: skip
    with _LOCK:
        others = [k for k in _KEPT.get(desk, []) if k.job is job]
        _KEPT[desk] = [*others[-_KEPT_AT_MOST + 1 :], _Kept(job=job, key=key, result=result)]
    return result


def measured_of(info: DeskInfo, named: NamedFile | None) -> Mapping[str, Any] | None:
    """What was measured in a named file as it is now, None when nothing was."""
    return info.measured(named.relative) if named is not None and named.path is not None else None


def found_of(result: CheckResult, transfer_id: str) -> tuple[Finding, ...]:
    """Findings about one transfer, the gravest first."""
    pairs = zip(result.transfers, result.by_transfer, strict=True)
    mine = next((found for one, found in pairs if one.transfer_id == transfer_id), ())
    return tuple(sorted(mine, key=lambda f: ORDER[f.severity]))


def transfer_of(job: LoadedJob, transfer_id: str) -> LoadedTransfer | None:
    """The transfer of that id, None when the job has none."""
    return next((t for t in job.transfers if t.transfer_id == transfer_id), None)


def waivers_of(transfer: LoadedTransfer | None) -> list[Any]:
    """The waivers in force for a transfer, as declared."""
    listed = transfer.values.get("waivers") if transfer is not None else None
    return list(listed) if isinstance(listed, list) else []


def can_be_explained(finding: Finding, transfer: LoadedTransfer | None) -> bool:
    """Whether a waiver would make this finding milder. What a sheet says wrongly must be put right."""
    if finding.severity == "note" or transfer is None:
        return False
    return finding.rule not in _PUT_RIGHT and finding not in transfer.findings


def ready(result: CheckResult, transfer_id: str) -> bool:
    """Whether `wrap` would begin with it: no error about it, and none about the job."""
    return worst(found_of(result, transfer_id)) != "error" and worst(result.job_findings) != "error"
