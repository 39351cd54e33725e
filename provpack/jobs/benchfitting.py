"""Whether a value that is stated fits the job it is stated for: its files, its times, the job's own name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any, Final

from provpack.edge import input_rules
from provpack.edge.jobfolder import list_folder, printable, resolve
from provpack.jobs import valuerules
from provpack.jobs.benchact import SLACK, Bench, clock_words, refused
from provpack.jobs.check_chains import FILES_SINCE, stand_in
from provpack.jobs.register import KINDS
from provpack.jobs.sheetfields import FILE_COLUMNS, OWN_PAPERS
from provpack.model.formats import read_date_time
from provpack.model.labels import label
from provpack.package.names import unfit_job_id

_FILES: Final = FILE_COLUMNS | {"equipment", "client_profiles"}
_NOT_A_PAPER: Final = frozenset({"file", "passes", "photos", "condition_photos"})
_LEADS_AWAY: Final = frozenset(
    rule.id
    for rule in (
        input_rules.PATH_FORM,
        input_rules.PATH_OUTSIDE,
        input_rules.PATH_LINK,
        input_rules.PATH_SPECIAL,
    )
)


def fitting(bench: Bench, scope: str, name: str, value: Any, warnings: list[str]) -> None:
    """Refuse a value that cannot be of this job; what is only odd is added to warnings."""
    if (scope, name) == ("job", "job_id"):
        _names_packages(value)
    _files(bench, scope, name, value, warnings)
    warnings += nobody_knows({name: value})
    for said in _played(name, value):
        moment = read_date_time(said)
        if moment is not None:
            _played_then(moment, said, bench, name)


def nobody_knows(values: Mapping[str, Any]) -> list[str]:
    """What to say of machines that are named by a word such as 'unknown', which no register has."""
    told = [(name, str(values[f"{role}_id"])) for role in KINDS if values.get(name := f"{role}_id")]
    return [
        f"{label(name)}: '{said[:60]}' is no machine of the register. {todo}"
        for name, said in told
        if (todo := stand_in(name.removesuffix("_id"), said))
    ]


def _names_packages(value: Any) -> None:
    """The name of the job is part of every package's name."""
    if value is None:
        raise refused(
            "member-missing",
            "The job needs an identifier: every package is named after it.",
            todo="Say the right one; it can be changed until the first package is sealed.",
            where="job_id",
        )
    why = unfit_job_id(str(value))
    if why:
        raise refused(
            "not-an-id",
            f"'{printable(str(value)[:60])}' cannot be the identifier of a job: {why}.",
            todo=valuerules.JOB_ID_UNFIT.todo,
            where="job_id",
        )


def _files(bench: Bench, scope: str, name: str, value: Any, warnings: list[str]) -> None:
    """A named file lies below the job folder, or will; one that leads out of it is refused, and so is a paper
    of the job where sound or a photograph belongs."""
    files = _named_files(scope, name, value)
    if not files:
        return
    listing = list_folder(bench.folder)
    papers = OWN_PAPERS | {str(bench.said().job.get("equipment") or "")}
    for file in files:
        found = resolve(listing, file, where=name)
        if name in _NOT_A_PAPER and (found.relative or file) in papers:
            raise refused(
                "own-paper",
                f"{label(name)}: '{printable(file)}' is a paper of the job itself.",
                todo=valuerules.OWN_PAPER.todo,
                where=name,
            )
        if found.path is not None:
            continue
        first = found.findings[0]
        if first.rule in _LEADS_AWAY:
            raise refused("file-outside", first.what, todo=first.todo, where=name)
        warnings.append(first.what)


def _named_files(scope: str, name: str, value: Any) -> list[str]:
    if name == "passes" and isinstance(value, list):
        return [str(e["file"]) for e in value if isinstance(e, Mapping) and e.get("file")]
    if name not in _FILES or (name == "equipment" and scope != "job"):
        return []
    return [str(v) for v in (value if isinstance(value, list) else [value]) if v is not None]


def _played(name: str, value: Any) -> Iterator[str]:
    """Times at which something was played, as stated."""
    holders: list[Any] = [{name: value}] if name in ("started_at", "stopped_at") else []
    if name == "passes" and isinstance(value, list):
        holders = value
    for holder in holders:
        for key in ("started_at", "stopped_at"):
            said = holder.get(key) if isinstance(holder, Mapping) else None
            if isinstance(said, str):
                yield said


def _played_then(moment: datetime, said: str, bench: Bench, name: str) -> None:
    if moment > bench.at + SLACK:
        raise refused(
            "not-yet",
            f"{label(name)}: {clock_words(said, bench.at)} is still to come.",
            todo="State when it happened. If the clock of this machine is wrong, set it right first.",
            where=name,
        )
    if moment.year < FILES_SINCE:
        raise refused(
            "long-ago",
            f"{label(name)}: {clock_words(said, bench.at)} lies before any sound was captured to a file.",
            todo=valuerules.PASS_TOO_EARLY.todo,
            where=name,
        )
