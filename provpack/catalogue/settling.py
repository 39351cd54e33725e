"""What packages say of each other, settled when all that is to be written has been written.

A package that was moved keeps its checks: every ledger line with its identity is about it, as long as it is
the only one of that identity that is there. Where there are several, a check that found one of them bad marks
them all as once bad, and a check that found one good acquits that one alone. One that lost its tag manifest
has no identity: it is marked when what was sealed with its record was found bad.

A package that says it supersedes another takes its place, where that counts (superseding.py); copies of one
record are one transfer; and what a ledger says was sealed is known when anything with its identity is there.
What lies under that name with another identity is not what was sealed: it counts for nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import Connection, and_, delete, exists, func, or_, select, update

from provpack.catalogue import dialect, tables
from provpack.catalogue.counting import Counting
from provpack.catalogue.rows import is_there
from provpack.catalogue.superseding import related, taken_over
from provpack.catalogue.tallies import BAD, Checked, fold, keys
from provpack.catalogue.words import digest, start_of

_BATCH = 500
_MANY = 50_000
"""Packages that wait to be settled."""
Row = dict[str, Any]
_p, _s, _c, _sealed = tables.package.c, tables.standing.c, tables.fixity_check.c, tables.sealed.c


class Settling:
    """Gathers what was stirred by one writer, and settles it."""

    def __init__(self, conn: Connection, counting: Counting, *, anew: bool) -> None:
        self._conn, self._counting, self._anew = conn, counting, anew
        self._packages: set[int] = set()
        self._starts: set[int] = set()
        self._records: set[str] = set()
        self._superseded: set[str] = set()
        self._left: set[bytes] = set()

    def stir(self, left: Iterable[Row], came: Iterable[Row]) -> None:
        """Packages that left, and that came, or of which something else changed."""
        left = list(left)
        self._left |= {row["identity"] for row in left if row["identity"] is not None}
        if self._anew:
            return
        for row in (*left, *came):
            self._packages.add(row["id"])
            if row["identity_start"] is not None:
                self._starts.add(row["identity_start"])
            if row["record_id"] is not None:
                self._records.add(row["record_id"])
            if row["supersedes"] is not None:
                self._superseded.add(row["supersedes"])

    def stir_checks(self, checks: Iterable[Row]) -> None:
        """Checks that came or went."""
        if not self._anew:
            self._starts |= {c["identity_start"] for c in checks if c["identity_start"] is not None}

    def settle_many(self) -> None:
        """Settle when much waits."""
        if len(self._packages) + len(self._starts) > _MANY:
            self.settle()

    def settle(self) -> None:
        """Bring everything up to what is stored now. All rows must have been written."""
        if self._anew:
            self._stir_all()
        self._settle_others()
        for some in chunks(sorted(self._all_stirred())):
            self._settle_packages(known_packages(self._conn, _p.id.in_(some)))
        self._settle_sealed()
        for waiting in (self._packages, self._starts, self._records, self._superseded, self._left):
            waiting.clear()

    def _stir_all(self) -> None:
        """Where there was nothing before: only what is not alone, found in one walk each."""
        own = exists().where(
            _p.ledger_id == _c.ledger_id, _p.name == _c.package, _p.identity_start == _c.identity_start
        )
        strays = or_(_c.outcome.in_(BAD), _c.place.is_not(None), ~own)
        asked = select(_c.identity_start).where(_c.identity_start.is_not(None), strays).distinct()
        self._starts |= set(self._conn.scalars(asked))
        told = select(_p.record_id).where(_p.record_id.is_not(None)).group_by(_p.record_id)
        self._records |= set(self._conn.scalars(told.having(func.count() > 1)))
        twice = select(_p.identity_start).where(_p.identity_start.is_not(None)).group_by(_p.identity_start)
        self._starts |= set(self._conn.scalars(twice.having(func.count() > 1)))
        bare = select(_p.record_id).where(_p.identity.is_(None), _p.record_id.is_not(None))
        self._records |= set(self._conn.scalars(bare))
        newer = select(_p.supersedes).where(_p.supersedes.is_not(None)).distinct()
        self._superseded |= set(self._conn.scalars(newer))

    def _all_stirred(self) -> set[int]:
        found = set(self._packages)
        for some in chunks(sorted(self._starts)):
            found |= self._ids(_p.identity_start.in_(some))
            heads = {(start << 1 | last).to_bytes(8, "big") for start in some for last in (0, 1)}
            sealed_as = select(_sealed.record_id).where(
                tables.head(_sealed.identity).in_(heads), _sealed.record_id.is_not(None)
            )
            found |= self._ids(and_(_p.identity.is_(None), _p.record_id.in_(sealed_as)))
        for texts in chunks(sorted(self._records | self._superseded)):
            found |= self._ids(_p.record_id.in_(texts))
        for digests in chunks(sorted(d for d in (digest(t, 64) for t in self._superseded) if d)):
            heads = {d[:8] for d in digests}
            found |= self._ids(and_(tables.head(_p.identity).in_(heads), _p.identity.in_(digests)))
        return related(self._conn, found)

    def _ids(self, which: Any) -> set[int]:
        return set(self._conn.scalars(select(_p.id).where(which)))

    # --- packages ---

    def _settle_packages(self, known: Sequence[tuple[Row, Row]]) -> None:
        packages = [package for package, _ in known]
        told = self._checked_by_identity(packages)
        superseded, refused = taken_over(self._conn, packages)
        copies = self._copies_of(packages)
        changed = []
        for package, standing in known:
            now = standing | told.get(package["id"], {})
            now["is_superseded"] = package["id"] in superseded
            now["claim_fails"] = package["id"] in refused
            now["is_copy"] = package["id"] in copies and not standing["is_gone"]
            now |= keys(package, now)
            if now != standing:
                changed.append((package, standing, now))
        self._counting.take_away([(package, standing) for package, standing, _ in changed])
        after = [(package, now) for package, _, now in changed]
        write_standings(self._conn, after)
        self._counting.add(after)

    def _checked_by_identity(self, packages: Sequence[Row]) -> dict[int, Row]:
        """Package -> what its checks tell, wherever they were made."""
        starts = {package["identity_start"] for package in packages} - {None}
        columns = (
            _c.ledger_id,
            _c.package,
            _c.place,
            _c.line,
            _c.at,
            _c.outcome,
            _c.depth,
            _c.identity_start,
        )
        asked = [
            select(*columns).where(_c.identity_start.in_(starts)),
            *(
                select(*columns).where(_c.ledger_id == ledger, _c.package.in_(names), _c.place.is_(None))
                for ledger, names in by_ledger(packages).items()
            ),
        ]
        places = {package["place"] for package in packages}
        beginnings = {place[:480] for place in places}
        asked.append(select(*columns).where(tables.beginning(_c.place).in_(beginnings), _c.place.in_(places)))
        by_start: dict[int, dict[Any, Any]] = defaultdict(dict)
        by_name: dict[Any, dict[Any, Any]] = defaultdict(dict)
        by_place: dict[str, dict[Any, Any]] = defaultdict(dict)
        for query in asked:
            for row in self._conn.execute(query):
                key = (row.ledger_id, row.package, row.line)
                if row.identity_start is not None:
                    by_start[row.identity_start][key] = row
                if row.place is None:
                    by_name[row.ledger_id, row.package][key] = row
                else:
                    by_place[row.place][key] = row
        there: dict[int, set[int]] = defaultdict(set)
        for start, package in self._there(_p.identity_start, _p.identity_start.in_(starts)):
            there[start].add(package)
        accused = self._records_found_bad(packages)
        found: dict[int, Row] = {}
        for package in packages:
            start = package["identity_start"]
            own = by_name.get((package["ledger_id"], package["name"]), {}) | by_place.get(
                package["place"], {}
            )
            same = by_start.get(start, {}) if start is not None else {}
            alone = start is None or not there[start] - {package["id"]}
            counted = own | same if alone else own
            found[package["id"]] = fold(
                [Checked(*row[3:]) for row in counted.values()],
                start,
                bad_elsewhere=any(row.outcome in BAD for row in same.values()) or package["id"] in accused,
            )
        return found

    def _records_found_bad(self, packages: Sequence[Row]) -> set[int]:
        """Those without an identity whose record was sealed in a package that a check found bad."""
        bare = {p["id"]: p["record_id"] for p in packages if p["identity"] is None and p["record_id"]}
        if not bare:
            return set()
        asked = select(_sealed.record_id, _sealed.identity).where(
            _sealed.record_id.in_(set(bare.values())), _sealed.identity.is_not(None)
        )
        sealed = {(record, start_of(identity)) for record, identity in self._conn.execute(asked)}
        bad = select(_c.identity_start).where(
            _c.identity_start.in_({start for _, start in sealed}), _c.outcome.in_(BAD)
        )
        starts = set(self._conn.scalars(bad))
        records = {record for record, start in sealed if start in starts}
        return {package for package, record in bare.items() if record in records}

    def _there(self, column: Any, which: Any) -> Any:
        asked = select(column, _p.id).join(tables.standing, _s.package_id == _p.id)
        return self._conn.execute(asked.where(which, ~_s.is_gone))

    def _settle_others(self) -> None:
        """What lies under a name that its ledger sealed, and is another package: told first, for what
        others say of it hangs on that."""
        stirred = set(self._packages)
        if self._anew:
            sealed_so = and_(_sealed.ledger_id == _p.ledger_id, _sealed.package == _p.name)
            asked = select(_p.id).join(tables.sealed, sealed_so).where(_sealed.identity != _p.identity)
            stirred = set(self._conn.scalars(asked))
        for some in chunks(sorted(stirred)):
            known = known_packages(self._conn, _p.id.in_(some))
            others = self._others_of([package for package, _ in known])
            changed = [(p, s) for p, s in known if s["is_other"] is not (p["id"] in others)]
            self._counting.take_away(changed)
            for package, standing in changed:
                standing["is_other"] = package["id"] in others
            write_standings(self._conn, changed)
            self._counting.add(changed)
            for package, _ in changed:
                self._records |= {package["record_id"]} - {None}
                self._starts |= {package["identity_start"]} - {None}
                self._packages.add(package["id"])

    def _others_of(self, packages: Sequence[Row]) -> set[int]:
        """Those that are not what their ledger says was sealed under their name; so, too, where it names
        several under it, none of which can be believed."""
        told: dict[tuple[int, str], set[bytes]] = defaultdict(set)
        for ledger, names in by_ledger(packages).items():
            asked = select(_sealed.package, _sealed.identity).where(
                _sealed.ledger_id == ledger, _sealed.package.in_(names), _sealed.identity.is_not(None)
            )
            for name, identity in self._conn.execute(asked):
                told[ledger, name].add(identity)
        return {
            p["id"]
            for p in packages
            if p["identity"] is not None
            and not told.get((p["ledger_id"], p["name"]), set()) <= {p["identity"]}
        }

    def _copies_of(self, packages: Sequence[Row]) -> set[int]:
        """Those of a record that counts already by another package: by one whose damage was measured, and
        among those by the first place. Without a record, of an identity."""
        groups: dict[Any, list[Any]] = defaultdict(list)
        columns = (_p.id, _p.place, _p.damage_events, _p.damage_ms, _p.duration_ms)
        records = {package["record_id"] for package in packages} - {None}
        starts = {p["identity_start"] for p in packages if p["record_id"] is None} - {None}
        for column, which in (
            (_p.record_id, _p.record_id.in_(records)),
            (_p.identity_start, and_(_p.record_id.is_(None), _p.identity_start.in_(starts))),
        ):
            asked = select(column.label("same"), *columns).join(tables.standing, _s.package_id == _p.id)
            for row in self._conn.execute(asked.where(which, ~_s.is_gone, ~_s.is_other)):
                measured = None not in (row.damage_events, row.damage_ms, row.duration_ms)
                groups[row.same].append((not measured, row.place, row.id))
        return {found[-1] for group in groups.values() for found in sorted(group)[1:]}

    # --- what was sealed ---

    def _settle_sealed(self) -> None:
        for some in chunks(sorted(self._left)):
            heads = {one[:8] for one in some}
            asked = select(_sealed.ledger_id, _sealed.package, _sealed.line, _sealed.identity).where(
                tables.head(_sealed.identity).in_(heads), _sealed.identity.in_(some), _sealed.stays
            )
            found = self._conn.execute(asked)
            lost = [row[:3] for row in found if not self._beside(row[0], row[1], row[3])]
            self._mark(lost, True)
        unknown = select(_sealed.ledger_id, _sealed.package, _sealed.line, _sealed.identity)
        unknown = unknown.where(_sealed.unknown.is_(True), _sealed.identity.is_not(None))
        for rows in chunks(list(self._conn.execute(unknown))):
            heads = {row.identity[:8] for row in rows}
            known = {one for one, _ in self._there(_p.identity, tables.head(_p.identity).in_(heads))}
            self._mark([row[:3] for row in rows if row.identity in known], False)

    def _beside(self, ledger: int, name: str, identity: bytes) -> bool:
        there = self._there(_p.identity, and_(_p.ledger_id == ledger, _p.name == name))
        return is_there(identity, [found for found, _ in there])

    def _mark(self, which: Iterable[Sequence[Any]], unknown: bool) -> None:
        for ledger, name, line in which:
            this = and_(_sealed.ledger_id == ledger, _sealed.package == name, _sealed.line == line)
            self._conn.execute(update(tables.sealed).where(this).values(unknown=unknown))


def known_packages(conn: Connection, which: Any) -> list[tuple[Row, Row]]:
    """(package, standing) as they are stored, of some packages."""
    p, s = tables.package, tables.standing
    width = len(p.c)
    asked = select(p, s).join(s, s.c.package_id == p.c.id).where(which)
    names = [c.name for c in p.c], [c.name for c in s.c]
    return [
        (dict(zip(names[0], row[:width], strict=True)), dict(zip(names[1], row[width:], strict=True)))
        for row in conn.execute(asked)
    ]


def write_standings(conn: Connection, known: Sequence[tuple[Row, Row]]) -> None:
    """Replace what is stored as the standing of some packages."""
    s = tables.standing
    given = [standing | keys(package, standing) for package, standing in known]
    for some in chunks([row["package_id"] for row in given]):
        conn.execute(delete(s).where(s.c.package_id.in_(some)))
    dialect.insert_rows(conn, s, given)


def by_ledger(packages: Iterable[Row]) -> dict[int, set[str]]:
    """Ledger -> the names of the packages beside it."""
    names = defaultdict(set)
    for row in packages:
        if row["ledger_id"] is not None:
            names[row["ledger_id"]].add(row["name"])
    return names


def chunks(of: Sequence[Any]) -> Iterator[Sequence[Any]]:
    """Few enough for one statement each."""
    for at in range(0, len(of), _BATCH):
        yield of[at : at + _BATCH]
