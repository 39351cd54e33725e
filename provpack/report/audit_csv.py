"""Everything an audit has found as a table: one row for each thing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final

from provpack.report.table_csv import Cell, csv_lines

if TYPE_CHECKING:
    from provpack.jobs.auditresult import Item

COLUMNS: Final = (
    "severity", "rule", "what", "where", "client", "package", "title", "job_id", "transfer_id", "carrier_id",
    "since", "what to do", "where_base64",
)  # fmt: skip
"""Heads of the table. where_base64: the bytes of a path that is no plain text."""


def audit_csv(items: Iterable[Item]) -> Iterator[str]:
    """The table, piece by piece."""
    return csv_lines(COLUMNS, map(_row, items))


def _row(item: Item) -> tuple[Cell, ...]:
    return (
        item.severity, item.rule, item.what, item.where, item.client, item.package, item.title, item.job_id,
        item.transfer_id, item.carrier, item.since, item.todo, item.where_base64,
    )  # fmt: skip
