"""Keeping the tallies: what is added and taken away while somebody writes, and the sums written at last."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, delete, select

from provpack.catalogue import dialect, tables
from provpack.catalogue.tallies import Trends, count_keys, count_record, count_trends, keys

_MANY = 100_000
"""Sums that are held in memory."""
Row = dict[str, Any]
Known = Sequence[tuple[Row, Row]]
"""(row of package, row of standing) of some packages."""


class Counting:
    """The sums of one writer."""

    def __init__(self, conn: Connection) -> None:
        self._conn = conn
        self._counts: Counter[tuple[str, str]] = Counter()
        self._trends: Trends = Counter()
        self._shrank = False

    def count(self, topic: str, key: str, n: int) -> None:
        """Add to one tally."""
        self._counts[topic, key] += n

    def add(self, known: Known) -> None:
        """Add all that some packages add: their rows must be written by now."""
        self.add_keys(known)
        for counts, trends in self._records(known):
            self._counts.update(counts)
            self._trends.update(trends)

    def take_away(self, known: Known) -> None:
        """Take away all that some packages added: their rows must still be there."""
        self.take_away_keys(known)
        for counts, trends in self._records(known):
            self._counts.subtract(counts)
            self._trends.subtract(trends)

    def add_keys(self, known: Known) -> None:
        """Add only the questions that some packages stand under."""
        for package, standing in known:
            self._counts.update(count_keys(keys(package, standing)))

    def take_away_keys(self, known: Known) -> None:
        """Take away only those."""
        for package, standing in known:
            self._counts.subtract(count_keys(keys(package, standing)))

    def write_many(self) -> None:
        """Write the sums when there are many."""
        if len(self._counts) > _MANY:
            self._write()

    def finish(self) -> None:
        """Write the sums, and forget tallies of nothing."""
        self._write()
        if self._shrank:
            self._conn.execute(delete(tables.tally).where(tables.tally.c.n == 0))
            self._conn.execute(delete(tables.trend).where(tables.trend.c.transfers == 0))

    def _records(self, known: Known) -> list[tuple[Counter[tuple[str, str]], Trends]]:
        ids = [package["id"] for package, _ in known]
        if not ids:
            return []
        raised: dict[int, list[tuple[str, str]]] = defaultdict(list)
        parts: dict[int, set[tuple[str, str]]] = defaultdict(set)
        r, x = tables.raised.c, tables.part.c
        asked = select(r.package_id, r.rule, r.severity).where(r.package_id.in_(ids))
        for package, rule, severity in self._conn.execute(asked):
            raised[package].append((rule, severity))
        also = select(x.package_id, x.what, x.role).where(x.package_id.in_(ids))
        for package, what, role in self._conn.execute(also):
            parts[package].add((what, role))
        return [
            (count_record(row, told, raised[row["id"]], parts[row["id"]]), count_trends(row, told))
            for row, told in known
        ]

    def _write(self) -> None:
        self._shrank |= any(n < 0 for n in self._counts.values())
        given = [{"topic": t, "key": k, "n": n} for (t, k), n in sorted(self._counts.items()) if n]
        dialect.add_up(self._conn, tables.tally, given)
        self._counts.clear()
        numbers = [c.name for c in tables.trend.c if not c.primary_key]
        trends: dict[tuple[str, str, str], Row] = defaultdict(lambda: dict.fromkeys(numbers, 0))
        for (subject, name, month, number), n in self._trends.items():
            trends[subject, name, month][number] += n
        sums: list[Row] = [
            {"subject": subject, "name": name, "month": month} | row
            for (subject, name, month), row in sorted(trends.items())
        ]
        dialect.add_up(self._conn, tables.trend, sums)
        self._trends.clear()
