"""Which package takes the place of which, and which only says so.

A package says in its record that it supersedes another, by its identity or by its record. That counts only
from a package that is there, whose record is believed and valid, for one of the same client and of the same
job or carrier: else a word in one record could silence the record of anybody. Where each supersedes the
other, by however many steps, nobody is superseded.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, and_, select

from provpack.catalogue import tables
from provpack.catalogue.words import digest

_BATCH = 500
_MOST_STEPS = 1000
"""From one package to the one it supersedes, and on: more is no history of corrections."""
RECORD_INVALID = "bag-record-invalid"
Row = Mapping[str, Any]
_p, _s, _r = tables.package.c, tables.standing.c, tables.raised.c
_COLUMNS = (
    _p.id, _p.identity, _p.record_id, _p.supersedes, _p.client, _p.job_id, _p.carrier_id, _p.problem,
    _s.is_other,
)  # fmt: skip


def taken_over(conn: Connection, packages: Sequence[Row]) -> tuple[set[int], set[int]]:
    """Of some packages: those that are superseded, and those whose own word that they supersede one that is
    there does not count."""
    mine = {package["id"] for package in packages}
    pairs = {(newer.id, older.id): (newer, older) for newer, older in _claims(conn, packages)}
    invalid = _invalid(conn, {newer for newer, _ in pairs})
    superseded, refused = set(), set()
    for (newer_id, older_id), (newer, older) in pairs.items():
        counts = not newer.problem and not newer.is_other and newer_id not in invalid
        if counts and _akin(newer, older) and not _comes_back(conn, newer, older):
            superseded.add(older_id)
        else:
            refused.add(newer_id)
    return superseded & mine, refused & mine


def related(conn: Connection, packages: Collection[int]) -> set[int]:
    """These packages and all that they, or others of them, say to supersede, by any number of steps."""
    found, new = set(packages), set(packages)
    while new:
        rows = list(_those(conn, lambda some: _p.id.in_(some), sorted(new)))
        new = {row.id for row in (*_naming(conn, rows), *_named(conn, rows))} - found
        found |= new
    return found


def _claims(conn: Connection, packages: Sequence[Row]) -> Iterator[tuple[Any, Any]]:
    """(newer, older) where one of the two is one of the packages, both are there, and they are not copies of
    one record."""
    ids = sorted(package["id"] for package in packages)
    rows = [row for row in _those(conn, lambda some: _p.id.in_(some), ids) if not row.is_gone]
    newer = {row.id: row for row in (*_naming(conn, rows), *(r for r in rows if r.supersedes is not None))}
    there = [row for row in newer.values() if not row.is_gone]
    by_name = _by_name(_named(conn, there))
    for row in there:
        if row.supersedes == row.record_id:
            continue
        for older in by_name.get(row.supersedes, {}).values():
            if older.id != row.id and not older.is_gone:
                yield row, older


def _akin(newer: Any, older: Any) -> bool:
    same = newer.job_id == older.job_id or newer.carrier_id == older.carrier_id
    return bool(newer.client == older.client and same)


def _comes_back(conn: Connection, newer: Any, older: Any) -> bool:
    """Whether what the older one says it supersedes leads to the newer one; so it counts as well when it
    leads further than anybody follows."""
    at, seen = [older], {older.id}
    for _ in range(_MOST_STEPS):
        at = [row for row in _named(conn, at) if row.id not in seen and not row.is_gone]
        if not at:
            return False
        if any(row.id == newer.id for row in at):
            return True
        seen |= {row.id for row in at}
    return True


def _names(row: Any) -> set[str]:
    return {n for n in (bytes(row.identity).hex() if row.identity is not None else None, row.record_id) if n}


def _by_name(rows: Iterable[Any]) -> dict[str, dict[int, Any]]:
    found: dict[str, dict[int, Any]] = defaultdict(dict)
    for row in rows:
        for name in _names(row):
            found[name][row.id] = row
    return found


def _naming(conn: Connection, rows: Iterable[Any]) -> Iterator[Any]:
    """Packages that say they supersede one of these."""
    names = sorted({name for row in rows for name in _names(row)})
    return _those(conn, lambda some: _p.supersedes.in_(some), names)


def _named(conn: Connection, rows: Iterable[Any]) -> Iterator[Any]:
    """Packages that one of these says it supersedes."""
    names = sorted({row.supersedes for row in rows if row.supersedes is not None})
    yield from _those(conn, lambda some: _p.record_id.in_(some), names)
    digests = [value for value in (digest(name, 64) for name in names) if value is not None]
    yield from _those(
        conn,
        lambda some: and_(tables.head(_p.identity).in_({one[:8] for one in some}), _p.identity.in_(some)),
        digests,
    )


def _those(conn: Connection, which: Callable[[Any], Any], values: Sequence[Any]) -> Iterator[Any]:
    asked = select(*_COLUMNS, _s.is_gone).join(tables.standing, _s.package_id == _p.id)
    for at in range(0, len(values), _BATCH):
        yield from conn.execute(asked.where(which(values[at : at + _BATCH])))


def _invalid(conn: Connection, packages: Collection[int]) -> set[int]:
    """Those whose record does not follow its schema."""
    found: set[int] = set()
    ids = sorted(packages)
    for at in range(0, len(ids), _BATCH):
        asked = select(_r.package_id).where(
            _r.package_id.in_(ids[at : at + _BATCH]), _r.rule == RECORD_INVALID
        )
        found |= set(conn.scalars(asked))
    return found
