"""A trace as a table: one row for each pass and notice, one for a pass when there is no notice."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from provpack.report.table_csv import Cell, csv_lines

COLUMNS: Final = (
    "client", "job", "transfer", "title", "carrier", "package", "place", "other_places", "pass",
    "started_at_utc", "stopped_at_utc", "role", "by_way_of", "by_way_of_is_sure", "last_check",
    "last_checked_at", "notice", "notice_cleared_at", "verdict", "why",
)  # fmt: skip


def trace_table(result: Mapping[str, Any]) -> Iterator[str]:
    """result: the object of schemas/result-trace.schema.json; yields the lines of the file."""
    return csv_lines(COLUMNS, _rows(result))


def _rows(result: Mapping[str, Any]) -> Iterator[Sequence[Cell]]:
    notices = {notice["n"]: notice for notice in result["notices"]}
    for group in result["clients"]:
        for one in (*group["passes"], *group["undated"]):
            through, check = one["through"], one["last_check"]
            head: tuple[Cell, ...] = (
                group["client"], one["job_id"], one["transfer_id"], one["title"], one["carrier_id"],
                one["package"], one["place"], "; ".join(copy["place"] for copy in one["copies"]),
                one["pass_n"], one["started_at"], one["stopped_at"], "; ".join(one["roles"]),
                through and through["what"], through and through["fitted"], check["outcome"], check["at"],
            )  # fmt: skip
            for word in one["judgements"]:
                notice = notices[word["notice"]]
                name = notice["id"] or f"fault notice {notice['n']}"
                yield (*head, name, notice["cleared_at"], word["verdict"], word["why"])
            if not one["judgements"]:
                yield (*head, None, None, None, None)
