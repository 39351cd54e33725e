"""Taking packages and ledgers in: one writer at a time, in one transaction, in batches.

Every write leaves the tallies right (see tallies.py): what a package added before is taken away, what it adds
now is added; the sums go to the database when the writer ends.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Table, and_, delete, func, insert, select, update

from provpack.catalogue import dialect, rows, tables, words
from provpack.catalogue.counting import Counting
from provpack.catalogue.ranges import inside
from provpack.catalogue.settling import Settling, by_ledger, chunks, known_packages, write_standings
from provpack.catalogue.tallies import Checked, fold, keys
from provpack.catalogue.values import Ledger, Package

_BATCH = 500
_LOOK_FIRST = 1000
"""Packages after which the engine looks first at how the values are spread: PostgreSQL reads whole tables
of which it knows nothing, and nothing is known of what one transaction has written."""
Row = dict[str, Any]
_FRESH: Row = dict.fromkeys(("is_gone", "is_superseded", "is_copy", "is_other", "claim_fails"), False)


class Writer:
    """What Catalogue.writing() hands out. Not for use after its block has ended."""

    def __init__(self, conn: Connection, *, anew: bool = False) -> None:
        """anew: there was nothing before, and the indexes that are made late are not there until finish()."""
        self.packages = 0
        self._look_at = _LOOK_FIRST
        self._conn, self._anew = conn, anew
        self._waiting: dict[tuple[str, str | None], Package] = {}
        self._counting = Counting(conn)
        self._settling = Settling(conn, self._counting, anew=anew)
        self._ledgers_waiting: list[Ledger] = []
        self._checks_waiting = 0
        self._to_check: set[int] = set()
        self._next = {t.name: self._first_free(t) for t in (tables.package, tables.ledger)}
        self._ledgers: dict[str, int] = {}
        self._checked: dict[int, bool] = {}
        place = tables.fixity_check.c.place
        self._placed = bool(self._ids(select(tables.fixity_check.c.line).where(place.is_not(None)).limit(1)))

    # --- packages ---

    def stamps(self, beneath: str) -> dict[str, str]:
        """Place -> stamp of the packages known at or beneath a root that are not gone.

        Two places that read the same to people are told as changed, so that both are read again.
        """
        self.flush()
        p, s = tables.package, tables.standing
        asked = select(p.c.place, p.c.stamp).join(s, s.c.package_id == p.c.id).where(~s.c.is_gone)
        found: dict[str, str] = {}
        for place, stamp in self._conn.execute(asked.where(inside(p.c.place, beneath))):
            found[place] = "" if place in found else stamp
        return found

    def package(self, p: Package) -> None:
        """Insert a package, or replace what is known of its place. It is there, and no longer gone."""
        self._waiting[words.text(p.place) or "", words.text(p.place_base64)] = p
        if len(self._waiting) >= _BATCH:
            self.flush()

    def gone(self, beneath: str, still: Collection[str]) -> int:
        """Mark the packages beneath a root as gone whose place is not in `still`, and the others as there.

        Returns how many went.
        """
        self.flush()
        p, s = tables.package, tables.standing
        there = still if isinstance(still, set | frozenset) else set(still)
        changed: dict[int, bool] = {}
        asked = select(p.c.id, p.c.place, s.c.is_gone).join(s, s.c.package_id == p.c.id)
        for package, place, is_gone in self._conn.execute(asked.where(inside(p.c.place, beneath))):
            if is_gone is not (place not in there):
                changed[package] = not is_gone
        for some in chunks(sorted(changed)):
            known = known_packages(self._conn, p.c.id.in_(some))
            self._counting.take_away(known)
            for _, standing in known:
                standing["is_gone"] = changed[standing["package_id"]]
            write_standings(self._conn, known)
            self._counting.add(known)
            went = [package for package, _ in known if changed[package["id"]]]
            came = [package for package, _ in known if not changed[package["id"]]]
            self._mark_sealed(went, came)
            self._settling.stir(went, came)
        return sum(changed.values())

    def seen_root(self, root: str, at: str) -> None:
        """Remember that everything beneath a root was looked at; it is there."""
        name = words.text(root) or ""
        self._conn.execute(delete(tables.root).where(tables.root.c.root == name))
        self._conn.execute(insert(tables.root), {"root": name, "seen_at": words.moment(at)})

    def root_away(self, root: str, at: str) -> None:
        """Remember that nothing is at a root where something was, since it was first found so."""
        name, c = words.text(root) or "", tables.root.c
        known = self._conn.execute(select(c.away_since).where(c.root == name)).first()
        if known is None:
            self._conn.execute(insert(tables.root), {"root": name, "away_since": words.moment(at)})
        elif known.away_since is None:
            marked = update(tables.root).where(c.root == name)
            self._conn.execute(marked.values(away_since=words.moment(at)))

    def trouble(self, place: str, problem: str) -> None:
        """Keep what is known of a package, and remember why it cannot be read now; it is read again when the
        next comes by."""
        self.flush()
        p, shown = tables.package, words.text(place) or ""
        known = known_packages(self._conn, tables.is_path(p.c.place, shown))
        self._counting.take_away(known)
        for package, _ in known:
            package |= {"problem": words.text(problem) or "?", "stamp": ""}
            changed = {name: package[name] for name in ("problem", "stamp")}
            self._conn.execute(update(p).where(p.c.id == package["id"]).values(changed))
        write_standings(self._conn, known)
        self._counting.add(known)
        self._settling.stir([], [package for package, _ in known])

    def ledger_trouble(self, path: str, why: str) -> None:
        """Keep what is known of a ledger, and remember what is wrong with it until it is taken in again."""
        self.flush()
        broken = update(tables.ledger).where(tables.ledger.c.id == self._ledger_id(words.text(path) or ""))
        self._conn.execute(broken.values(broken=words.text(why) or "?"))

    # --- ledgers ---

    def known_ledger(self, path: str) -> tuple[int, str, int] | None:
        """Lines, SHA-512 of the last of them, and size of a ledger as it was taken in; None = it was not."""
        if any(v.path == path for v in self._ledgers_waiting):
            self.flush()
        found = self._ledger(words.text(path) or "")
        return None if found is None or not found.head else (found.lines, found.head, found.size)

    def ledger(self, v: Ledger) -> None:
        """Take in a ledger. Its checks are added to those known when they all stand after the line it was
        known to; else they replace them. Its sealed packages, carriers and faults are replaced."""
        self._ledgers_waiting.append(v)
        self._checks_waiting += len(v.checks)
        if self._checks_waiting >= 10 * _BATCH or len(self._ledgers_waiting) >= _BATCH:
            self.flush()

    def _take_in(self, v: Ledger) -> None:
        path = words.text(v.path) or ""
        ledger = self._ledger_id(path)
        before = self._ledger(path)
        row, checks = rows.ledger_row(v, ledger), rows.check_rows(v.checks, ledger)
        goes_on = before is not None and continues(v, before.lines, before.head)
        touched = self._touched(ledger, checks)
        had_checks, had_open = (before.checks, before.open_carriers) if before is not None else (0, 0)
        if not goes_on and had_checks:
            c = tables.fixity_check.c
            outdated = self._rows(select(c.package, c.place, c.identity_start).where(c.ledger_id == ledger))
            self._settling.stir_checks(outdated)
            touched |= self._touched(ledger, outdated)
            self._conn.execute(delete(tables.fixity_check).where(c.ledger_id == ledger))
        self._settling.stir_checks(checks)
        self._insert(tables.fixity_check, checks)
        row["checks"] = len(checks) + (had_checks if goes_on else 0)
        self._checked[ledger] = row["checks"] > 0
        self._placed = self._placed or any(c["place"] is not None for c in checks)
        self._write_state(v, row)
        self._conn.execute(update(tables.ledger).where(tables.ledger.c.id == ledger), row)
        was_read = before is not None and bool(before.head)
        self._counting.count("size", "ledgers", bool(row["head"]) - was_read)
        self._counting.count("size", "checks", row["checks"] - had_checks)
        self._counting.count("carrier", "", row["open_carriers"] - had_open)
        self._to_check |= touched

    def _write_state(self, v: Ledger, row: Row) -> None:
        """What a ledger amounts to as a whole: only what differs is written."""
        ledger = row["id"]
        beside = self._beside(ledger) if v.sealed else {}
        carriers = rows.carrier_rows(v.carriers, ledger)
        row["open_carriers"] = sum(c["ended"] is None for c in carriers)
        before = self._identities(ledger)
        self._renew(tables.sealed, ledger, rows.sealed_rows(v.sealed, ledger, beside))
        for some in chunks(sorted({name for name, _ in before ^ self._identities(ledger)})):
            p = tables.package.c
            known = known_packages(self._conn, and_(p.ledger_id == ledger, p.name.in_(some)))
            self._settling.stir([], [package for package, _ in known])
        self._renew(tables.carrier, ledger, carriers)
        self._renew(tables.fault, ledger, rows.fault_rows(v.faults, ledger))

    def _identities(self, ledger: int) -> set[tuple[str, bytes | None]]:
        """What a ledger is known to have sealed: (name, identity); nothing when all is settled at the end."""
        if self._anew:
            return set()
        c = tables.sealed.c
        asked = select(c.package, c.identity).where(c.ledger_id == ledger)
        return {(row.package, row.identity) for row in self._conn.execute(asked)}

    def _renew(self, table: Table, ledger: int, new: Sequence[Row]) -> None:
        """Make the rows of a ledger in a table the given ones."""
        known = {tuple(r.values()): r for r in self._rows(select(table).where(table.c.ledger_id == ledger))}
        wanted = {tuple(r[c.name] for c in table.c): r for r in new}
        second = next(c for c in table.primary_key if c.name != "ledger_id")
        outdated = {r[second.name] for values, r in known.items() if values not in wanted}
        for some in chunks(sorted(outdated)):
            self._conn.execute(delete(table).where(table.c.ledger_id == ledger, second.in_(some)))
        fresh = [r for v, r in wanted.items() if v not in known or r[second.name] in outdated]
        self._insert(table, fresh)

    def _ledger(self, path: str) -> Any:
        asked = select(tables.ledger).where(tables.is_path(tables.ledger.c.path, path))
        return self._conn.execute(asked).first()

    def _ledger_id(self, path: str) -> int:
        """The number of a ledger; one that was only heard of gets a row too."""
        if path not in self._ledgers:
            known = self._ledger(path)
            if known is None:
                row = rows.ledger_row(Ledger(path=path, lines=0, head="", size=0), self._take("ledger"))
                self._conn.execute(insert(tables.ledger), row)
                self._ledgers[path] = row["id"]
            else:
                self._ledgers[path] = known.id
        return self._ledgers[path]

    # --- batches ---

    def flush(self) -> None:
        """Write what waits: packages first, for ledgers speak of them."""
        if self._waiting:
            batch, self._waiting = self._waiting, {}
            self._write_packages(batch)
        ledgers, self._ledgers_waiting, self._checks_waiting = self._ledgers_waiting, [], 0
        for v in ledgers:
            self._take_in(v)
        self._check_again()
        self._settling.settle_many()
        self._counting.write_many()
        if self.packages >= self._look_at:
            dialect.look_at_sizes(self._conn)
            self._look_at *= 4

    def _write_packages(self, batch: dict[tuple[str, str | None], Package]) -> None:
        self.packages += len(batch)
        starts = {place[:480] for place, _ in batch}
        known = {
            (package["place"], package["place_base64"]): (package, standing)
            for package, standing in known_packages(
                self._conn, tables.beginning(tables.package.c.place).in_(starts)
            )
        }
        old = [known[at] for at in batch if at in known]
        self._counting.take_away(old)
        self._remove([package["id"] for package, _ in old])
        ids = {at: known[at][0]["id"] if at in known else self._take("package") for at in batch}
        new = [
            rows.package_row(p, ids[at], self._ledger_id(words.text(p.ledger) or "") if p.ledger else None)
            for at, p in batch.items()
        ]
        self._insert(tables.package, new)
        for table, make in (
            (tables.file, rows.file_rows),
            (tables.part, rows.part_rows),
            (tables.raised, rows.raised_rows),
        ):
            self._insert(table, [row for at, p in batch.items() for row in make(p, ids[at])])
        dialect.write_words(self._conn, [(ids[at], rows.package_words(p)) for at, p in batch.items()])
        fresh = [(row, _FRESH | {"package_id": row["id"]} | fold((), None)) for row in new]
        self._fold(fresh)
        self._insert(tables.standing, [standing | keys(row, standing) for row, standing in fresh])
        self._counting.add(fresh)
        self._mark_sealed((package for package, _ in old), new)
        self._settling.stir([package for package, _ in old], new)

    def finish(self) -> None:
        """Write all that waits; what Catalogue.writing() does last."""
        self.flush()
        self._settling.settle()
        self._counting.finish()

    def _remove(self, packages: Sequence[int]) -> None:
        if not packages:
            return
        for table in (tables.file, tables.part, tables.raised, tables.standing):
            self._conn.execute(delete(table).where(table.c.package_id.in_(packages)))
        self._conn.execute(delete(tables.package).where(tables.package.c.id.in_(packages)))
        dialect.delete_words(self._conn, packages)

    def _mark_sealed(self, old: Iterable[Row], new: Iterable[Row]) -> None:
        """Whether what a ledger says was sealed beside it is known: packages that came, and that left it."""
        c = tables.sealed.c
        for ledger, names in by_ledger((*old, *new)).items():
            beside = self._beside(ledger, names)
            asked = select(c.package, c.line, c.identity, c.stays, c.unknown)
            marks: dict[bool, set[int]] = {True: set(), False: set()}
            for row in self._conn.execute(asked.where(c.ledger_id == ledger, c.package.in_(names))):
                unknown = bool(row.stays) and not rows.is_there(row.identity, beside.get(row.package, set()))
                if unknown is not bool(row.unknown):
                    marks[unknown].add(row.line)
            for unknown, some in marks.items():
                marked = update(tables.sealed).where(c.ledger_id == ledger, c.line.in_(some))
                if some:
                    self._conn.execute(marked.values(unknown=unknown))

    def _beside(self, ledger: int, names: Collection[str] | None = None) -> dict[str, set[bytes | None]]:
        """Name -> identities of the packages beside a ledger that are not gone; of some names, or all."""
        p, s = tables.package, tables.standing.c
        asked = select(p.c.name, p.c.identity).join(tables.standing, s.package_id == p.c.id)
        asked = asked.where(p.c.ledger_id == ledger, ~s.is_gone)
        found: dict[str, set[bytes | None]] = defaultdict(set)
        for name, identity in self._conn.execute(
            asked if names is None else asked.where(p.c.name.in_(names))
        ):
            found[name].add(identity)
        return found

    # --- checks and counts ---

    def _touched(self, ledger: int, checks: Sequence[Row]) -> set[int]:
        """The packages that some checks of a ledger are about."""
        p, found = tables.package.c, set()
        names = sorted({c["package"] for c in checks if c["place"] is None})
        places = sorted({c["place"] for c in checks if c["place"] is not None})
        for some in chunks(names):
            found |= set(self._ids(select(p.id).where(p.ledger_id == ledger, p.name.in_(some))))
        for some in chunks(places):
            starts = {place[:480] for place in some}
            asked = select(p.id).where(tables.beginning(p.place).in_(starts), p.place.in_(some))
            found |= set(self._ids(asked))
        return found

    def _check_again(self) -> None:
        """Read anew what the checks tell of the packages that they touch."""
        packages, self._to_check = self._to_check, set()
        for some in chunks(sorted(packages)):
            known = known_packages(self._conn, tables.package.c.id.in_(some))
            self._counting.take_away_keys(known)
            self._fold(known)
            self._counting.add_keys(known)
            write_standings(self._conn, known)
            self._settling.stir([], [package for package, _ in known])

    def _fold(self, known: Sequence[tuple[Row, Row]]) -> None:
        """Bring standings up to what the checks in the database tell."""
        c = tables.fixity_check.c
        columns = (c.package, c.place, c.line, c.at, c.outcome, c.depth, c.identity_start)
        names = by_ledger(package for package, _ in known)
        self._learn_checked(names)
        by_name: dict[tuple[int, str], list[Checked]] = defaultdict(list)
        for ledger, some in names.items():
            if not self._checked[ledger]:
                continue
            asked = select(*columns).where(c.ledger_id == ledger, c.package.in_(some), c.place.is_(None))
            for name, _, *told in self._conn.execute(asked):
                by_name[ledger, name].append(Checked(*told))
        by_place: dict[str, list[Checked]] = defaultdict(list)
        if self._placed:
            places = [package["place"] for package, _ in known]
            starts = tables.beginning(c.place).in_({place[:480] for place in places})
            for _, place, *told in self._conn.execute(select(*columns).where(starts, c.place.in_(places))):
                by_place[place].append(Checked(*told))
        for package, standing in known:
            checks = by_name[package["ledger_id"], package["name"]] + by_place[package["place"]]
            standing |= fold(checks, words.start_of(package["identity"]))

    def _learn_checked(self, ledgers: Iterable[int]) -> None:
        """Which ledgers tell of checks at all."""
        new = [ledger for ledger in ledgers if ledger not in self._checked]
        c = tables.ledger.c
        for some in chunks(new):
            self._checked |= dict.fromkeys(some, False)
            self._checked |= dict.fromkeys(self._ids(select(c.id).where(c.id.in_(some), c.checks > 0)), True)

    # --- small doors to the database ---

    def _rows(self, asked: Any) -> list[Row]:
        return [dict(row) for row in self._conn.execute(asked).mappings()]

    def _ids(self, asked: Any) -> list[Any]:
        return list(self._conn.scalars(asked))

    def _insert(self, table: Table, given: Sequence[Row]) -> None:
        dialect.insert_rows(self._conn, table, given)

    def _take(self, table: str) -> int:
        self._next[table] += 1
        return self._next[table] - 1

    def _first_free(self, table: Table) -> int:
        return int(self._conn.scalar(select(func.coalesce(func.max(table.c.id), 0))) or 0) + 1


def continues(v: Ledger, lines: int, head: str) -> bool:
    """Whether what is told of a ledger goes on after what is known of it."""
    longer = v.lines > lines or (v.lines, v.head) == (lines, head)
    return bool(head) and longer and all(c.line > lines for c in v.checks)
