"""What today's rules and today's schema say of a record that was made years ago."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from provpack.catalogue.values import Raised
from provpack.edge.schemas import check_version, validate
from provpack.errors import RecordProblem
from provpack.findings import Finding
from provpack.jobs.harvestwords import text
from provpack.model.recordrules import judge_record
from provpack.package import layout, rules

MOST_RAISED = 200
_LONGEST = 2000
_TAKES_PART = ("/processing", "/deck", "/decoder", "/interface", "/capture", "/people")
_ORDER = {"error": 0, "warning": 1}


def newer_than_us(record: Mapping[str, object]) -> str:
    """Why a record of a later version cannot be judged; "" when it is none."""
    try:
        check_version(record, "transfer-record")
    except RecordProblem as problem:
        return problem.what if problem.code == "schema-version-newer" else ""
    return ""


def judged(record: Mapping[str, object], register: Mapping[str, object] | None = None) -> Iterator[Raised]:
    """Errors and warnings of the record's schema and of the domain rules; notes are left out.

    The schema costs five milliseconds a record, the rules a third of one (measured on a record of 8 kB).
    Both are asked of every record: a record's own word that this version made it vouches for nothing.
    """
    for violation in validate("transfer-record", record):
        yield as_raised(rules.RECORD_INVALID.id, "error", violation.message, violation.pointer or "/")
    for finding in judge_record(record, equipment=register):
        if finding.severity != "note":
            pointer = str(finding.position.get("path", finding.where))
            yield as_raised(finding.rule, finding.severity, finding.what, pointer)


def unfit_to_trace(raised: Iterable[Raised]) -> str:
    """Why who and what took part cannot be told from a record wholly: its schema is not kept where it would
    say so; "" when it is."""
    for one in raised:
        place = one.where.rstrip("/")
        told = not place or any(place == top or place.startswith(f"{top}/") for top in _TAKES_PART)
        if one.rule == rules.RECORD_INVALID.id and told:
            return f"Its record is not as it must be at {one.where}: {one.what}"
    return ""


def of_findings(findings: Iterable[Finding], path: str) -> Iterator[Raised]:
    """Findings about a file of the package."""
    for found in findings:
        if found.severity != "note":
            yield as_raised(found.rule, found.severity, found.what, path)


def as_raised(rule: str, severity: str, what: str, where: str) -> Raised:
    """One thing raised, fit for the catalogue."""
    return Raised(rule=rule, severity=severity, what=text(what, _LONGEST) or "", where=text(where) or "/")


def gravest(raised: Iterable[Raised]) -> tuple[Raised, ...]:
    """The first MOST_RAISED of them, errors before warnings."""
    return tuple(sorted(raised, key=lambda r: _ORDER.get(r.severity, 2))[:MOST_RAISED])


def unreadable_record(why: str) -> Raised:
    """For a record that is no JSON object."""
    return as_raised(rules.RECORD_INVALID.id, "error", why, layout.RECORD)
