"""Rows to answers: a package as it is listed, and the sentence or figure that a question adds."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sqlalchemy import Row, Select, select

from provpack.catalogue.tables import package, standing
from provpack.catalogue.values import Listed

_p, _s = package.c, standing.c

_COLUMNS = (
    _p.id, _p.place, _p.place_base64, _p.storage, _p.name, _p.client, _p.job_id, _p.transfer_id, _p.title,
    _p.carrier_id, _p.transferred_at, _p.payload_bytes, _s.last_at, _s.last_outcome, _s.last_depth, _s.checks,
    _s.was_bad, _s.is_gone, _p.tape_emphasis, _p.file_emphasis, _p.rights_basis, _p.access_restriction_until,
    _p.check_age_days, _p.problem, _s.due, _p.identity,
    _p.supersedes, _s.is_superseded, _s.is_other,
)  # fmt: skip

Detail = Callable[[Any], str]

OTHER = (
    "Its custody ledger says that another package was sealed under this name (digest of "
    "tagmanifest-sha512.txt): nothing that it tells counts."
)


def listing(*more: Any) -> Select[Any]:
    """Packages with their standing; more: columns of other tables, which come last."""
    return select(*_COLUMNS, *more).join_from(standing, package, _s.package_id == _p.id)


def listed(row: Row[Any], detail: str = "") -> Listed:
    """A row of listing()."""
    return Listed(
        id=row.id,
        place=row.place,
        place_base64=row.place_base64,
        storage=row.storage,
        name=row.name,
        client=row.client,
        job_id=row.job_id,
        transfer_id=row.transfer_id,
        title=row.title,
        carrier_id=row.carrier_id,
        transferred_at=row.transferred_at,
        payload_bytes=row.payload_bytes,
        last_checked_at=row.last_at or None,
        last_outcome=row.last_outcome,
        last_depth=row.last_depth,
        checks=row.checks,
        once_bad=bool(row.was_bad),
        gone=bool(row.is_gone),
        detail=detail,
        identity=bytes(row.identity).hex() if row.identity is not None else None,
        superseded=bool(row.is_superseded),
    )


def nothing_more(_row: Any) -> str:
    """The columns say all."""
    return ""


def emphasis(row: Any) -> str:
    """What is told of the emphasis."""
    tape, file = (row.tape_emphasis or "not told", row.file_emphasis or "not told")
    return f"Emphasis on the tape: {tape}; in the file: {file}."


def rights(today: str) -> Detail:
    """What is missing in the rights."""

    def said(row: Any) -> str:
        gaps = []
        if row.rights_basis in (None, "unknown"):
            gaps.append("The basis of the rights is unknown or not told.")
        if row.access_restriction_until and row.access_restriction_until < today:
            gaps.append(f"The restriction of access ended on {row.access_restriction_until}.")
        return " ".join(gaps)

    return said


def problem(row: Any) -> str:
    """Why no more could be told, or why nothing it tells counts."""
    return f"{OTHER} {row.problem}".strip() if row.is_other else str(row.problem)


def other(_row: Any) -> str:
    """Its ledger sealed another one."""
    return OTHER


def claim(row: Any) -> str:
    """Whom it says it supersedes."""
    return (
        f"It says that it supersedes {(row.supersedes or '')[:80]}. That does not count: that is not of the "
        "same client and job or carrier, or this record is not believed itself, or each supersedes the other."
    )


def chain_age(row: Any) -> str:
    """Days, "" when nobody told."""
    return "" if row.check_age_days is None else str(row.check_age_days)


def due_day(row: Any) -> str:
    """The declared day."""
    return row.due or ""
