"""The questions. Each is a sum over few tallies and a short walk along an index (see tallies.py).

limit: how many packages are listed; 0 = all. Packages that are gone (not there when their root was last
looked at) appear in gone(), find(), by_digest() and touched(), where they say so, and nowhere else. What is
not what its ledger sealed took part in nothing: touched() passes it over, not_read() tells it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from contextlib import AbstractContextManager
from typing import Any, Literal

from sqlalchemy import Connection, and_, func, select, tuple_

from provpack.catalogue import dialect, listing, nearnames, tables
from provpack.catalogue import words as fit
from provpack.catalogue.listing import Detail, listed, nothing_more
from provpack.catalogue.ranges import among_all, inside
from provpack.catalogue.tables import AFTER_ALL, BEFORE_ALL
from provpack.catalogue.tallies import UNIT, chain_key
from provpack.catalogue.values import Answer, Carrier, Fault, Ledger, Listed, Sealed, Touch, Trend

MOST_FOUND = 1000
"""Packages that are counted for words; beyond, Answer.more says that there are more."""
_PAGES = (100, 1000)
_FEW = 5_000
"""Packages beneath a root that are rather sorted than looked for among all."""
_MOST_NAMES = 10_000

_p, _s = tables.package.c, tables.standing.c


class Asking:
    """What Catalogue.ask hands out."""

    def __init__(self, connect: Callable[[], AbstractContextManager[Connection]]) -> None:
        self._connect = connect

    # --- how much there is ---

    def size(self) -> dict[str, int]:
        """packages, ours, files (of what is there), checks, ledgers, and how many packages are gone."""
        found = dict(self._tallies("size"))
        names = ("packages", "ours", "files", "checks", "ledgers")
        return {name: int(found.get(name, 0)) for name in names} | {"gone": self._count("gone", AFTER_ALL)}

    def roots(self) -> list[tuple[str, str]]:
        """Root, when it was last looked at ("" when nobody told)."""
        r = tables.root.c
        return sorted((root, seen or "") for root, seen in self._pairs(select(r.root, r.seen_at)))

    def roots_away(self) -> list[tuple[str, str]]:
        """Root, since when nothing is there that was known to be."""
        r = tables.root.c
        return sorted(self._pairs(select(r.root, r.away_since).where(r.away_since.is_not(None))))

    # --- the records ---

    def rules_raised(self) -> list[tuple[str, str, int]]:
        """Rule, severity, packages on whose record it is raised."""
        return [(*self._pair(key), n) for key, n in self._tallies("rule")]

    def raising(self, rule: str, limit: int) -> Answer:
        """Packages on which one rule is raised; detail: what it says there."""
        asked, r = fit.key(rule), tables.raised.c
        total = sum(n for key, n in self._tallies("rule") if self._pair(key)[0] == asked)
        query = listing.listing(r.what.label("said"), r.times).join(tables.raised, r.package_id == _p.id)
        query = query.where(r.rule == asked, ~_s.is_gone, ~_s.is_superseded).order_by(r.package_id)
        return Answer(total=total, first=self._first(query, limit, _said))

    def emphasis_unknown(self, limit: int) -> Answer:
        """Packages of ours whose tape or file emphasis is unknown or not told."""
        return self._question("emphasis", AFTER_ALL, limit, listing.emphasis)

    def rights_gaps(self, today: str, limit: int) -> Answer:
        """Rights basis unknown or not told (ours), or a restriction of access that has ended."""
        bound = fit.day(today) or AFTER_ALL
        return self._question("rights", bound, limit, listing.rights(bound))

    def chain_check_old(self, days: int, limit: int) -> Answer:
        """Packages of ours whose chain check was older than `days`, or is not told; detail: its days."""
        return self._question("chain", chain_key(days), limit, listing.chain_age)

    def not_read(self, limit: int) -> Answer:
        """Packages of which not everything could be told when they were last read; detail: why."""
        return self._question("not_read", AFTER_ALL, limit, listing.problem)

    def other_than_sealed(self, limit: int) -> Answer:
        """Packages whose ledger says that another one was sealed under their name."""
        return self._question("other", AFTER_ALL, limit, listing.other)

    def claims_refused(self, limit: int) -> Answer:
        """Packages that say they supersede one that is there, and do not; detail: which, and why not."""
        return self._question("claim", AFTER_ALL, limit, listing.claim)

    def trends(self, subject: Literal["deck", "decoder", "stock"]) -> list[Trend]:
        """Damage by month, per deck, decoder or stock that a record names."""
        t = tables.trend
        query = select(t).where(t.c.subject == subject, t.c.transfers > 0).order_by(t.c.name, t.c.month)
        return [
            Trend(
                subject=name,
                month=month,
                transfers=transfers,
                unmeasured=unmeasured,
                hours=audio_ms / 3_600_000,
                damage_events=events,
                damage_seconds=damage_ms / 1000,
            )
            for _, name, month, transfers, unmeasured, audio_ms, events, damage_ms in self._rows(query)
        ]

    # --- fixity ---

    def due(self, today: str, limit: int) -> Answer:
        """The declared day of the next check has passed, and none was on it or later; detail: that day."""
        return self._question("due", fit.day(today) or AFTER_ALL, limit, listing.due_day)

    def not_checked_since(self, moment: str, limit: int) -> Answer:
        """The last check that read the bytes was before a moment, or there was none; those come first."""
        bound = fit.moment(moment) or AFTER_ALL
        return self._question("checked", bound, limit, nothing_more)

    def last_not_good(self, limit: int) -> Answer:
        """The last check, or the last that read the bytes, did not find the package good."""
        return self._question("not_good", AFTER_ALL, limit, nothing_more)

    def once_bad(self, limit: int) -> Answer:
        """Any check found the package bad or missing."""
        return self._question("once_bad", AFTER_ALL, limit, nothing_more)

    def gone(self, limit: int) -> Answer:
        """Not there when their root was last looked at."""
        return self._question("gone", AFTER_ALL, limit, nothing_more)

    def to_verify(self, beneath: str | None, older_than: str | None) -> Iterator[Listed]:
        """What to check, in order: never read, then the longest ago. older_than: only what was last read
        before that moment, and after those everything that was ever found bad or missing."""
        bound = fit.moment(older_than) if older_than else None
        yield from self._in_order(_s.checked < (bound or AFTER_ALL), beneath)
        if bound is not None:
            yield from self._in_order(and_(_s.once_bad.is_not(None), _s.checked >= bound), beneath)

    # --- what the ledgers tell ---

    def sealed_but_unknown(self, limit: int) -> list[tuple[str, Sealed]]:
        """Ledger, and what it says lies beside it though nothing is known there that is not gone, nor
        anywhere anything of its identity."""
        s, ledger = tables.sealed.c, tables.ledger.c
        query = select(ledger.path, tables.sealed).join(tables.ledger, ledger.id == s.ledger_id)
        query = query.where(s.unknown.is_(True)).order_by(s.ledger_id, s.line, s.package)
        return [
            (
                row.path,
                Sealed(
                    package=row.package,
                    line=row.line,
                    at=row.at,
                    identity=_hex(row.identity),
                    superseded=bool(row.superseded),
                ),
            )
            for row in self._rows(query.limit(limit or None))
        ]

    def carriers_without_outcome(self, limit: int) -> tuple[int, list[tuple[str, Carrier]]]:
        """How many, and (ledger, carrier), the longest waiting first."""
        c, ledger = tables.carrier.c, tables.ledger.c
        query = select(ledger.path, tables.carrier).join(tables.ledger, ledger.id == c.ledger_id)
        query = query.where(c.ended.is_(None)).order_by(c.received_at, c.ledger_id, c.carrier)
        first = [
            (row.path, Carrier(carrier=row.carrier, client=row.client, received_at=row.received_at or None))
            for row in self._rows(query.limit(limit or None))
        ]
        return self._count("carrier", AFTER_ALL), first

    def broken_ledgers(self) -> list[Ledger]:
        """Ledgers whose chain is not whole, without what they tell."""
        ledger = tables.ledger.c
        query = select(ledger.path, ledger.lines, ledger.head, ledger.size, ledger.broken)
        found = self._rows(query.where(ledger.broken != "").order_by(ledger.id))
        return [Ledger(path=r.path, lines=r.lines, head=r.head, size=r.size, broken=r.broken) for r in found]

    def faults(self, equipment: str) -> list[Fault]:
        """Fault notices of one thing, as the ledgers tell them."""
        f = tables.fault.c
        names = ("equipment", "notice_id", "since", "until", "noted_at", "cleared_at", "what")
        query = select(*(f[name] for name in names)).where(f.equipment == fit.key(equipment))
        return [Fault(**row._mapping) for row in self._rows(query.order_by(f.ledger_id, f.n))]

    # --- equipment and people ---

    def touched(self, what: str, since: str | None, until: str | None) -> Iterator[Touch]:
        """Passes in which it took part and which may lie within the window, by client and time.

        A pass whose begin is not told may have been at any time before its end, one whose end is not told at
        any time after its begin. since, until: moments, or days as a whole.
        """
        x = tables.part.c
        window = [x.what == fit.key(what)]
        first, last = fit.moment(since), fit.moment(until)
        if last is not None:
            window.append(x.started_at <= (f"{until}T23:59:59Z" if len(until or "") == 10 else last))
        if first is not None:
            window.append(x.stopped_at >= first)
        query = listing.listing(x.what, x.role, x.pass_n, x.started_at, x.stopped_at, x.n)
        query = query.join(tables.part, x.package_id == _p.id).where(*window, ~_s.is_other)
        # first by the index alone, for it is long and the window short, then those rows
        near = self._rows(select(x.package_id).where(*window).distinct())
        found: list[Any] = []
        for some in _chunks(sorted(row.package_id for row in near)):
            found += self._rows(query.where(x.package_id.in_(some)))
        for row in sorted(found, key=lambda r: (r.client or "", r.started_at, r.stopped_at, r.id, r.n)):
            yield Touch(
                package=listed(row),
                what=row.what,
                role=row.role,
                pass_n=row.pass_n,
                started_at=None if row.started_at == BEFORE_ALL else row.started_at,
                stopped_at=None if row.stopped_at == AFTER_ALL else row.stopped_at,
            )

    def parts_like(self, text: str, limit: int) -> list[tuple[str, str, int]]:
        """What, role and number of packages of the things and people whose name is like a text."""
        names = [(*self._pair(key), n) for key, n in self._tallies("part", _MOST_NAMES)]
        return nearnames.nearest(text, names, limit)

    # --- finding ---

    def find(self, words: str, limit: int) -> Answer:
        """Packages whose titles, labels, notes and identifiers hold all the words; accents and case do not
        count, and everything that is no letter or digit only parts words."""
        wanted = fit.words_of([words])
        if not wanted:
            return Answer(total=0)
        with self._connect() as conn:
            found = sorted(dialect.find_words(conn, wanted, MOST_FOUND + 1))
        more, found = len(found) > MOST_FOUND, found[:MOST_FOUND]
        chosen = found[:limit] if limit else found
        query = listing.listing().where(_p.id.in_(chosen)).order_by(_p.id)
        return Answer(total=len(found), more=more, first=self._first(query, 0, nothing_more))

    def by_digest(self, hex: str, limit: int) -> list[tuple[Listed, str]]:
        """Packages and the path in them that has this SHA-256 or SHA-512; path "": the audio alone has this
        SHA-256, or the package as a whole has this identity (SHA-512)."""
        asked = hex.strip().lower()
        length = len(asked) // 2
        value = fit.digest(asked, length)
        if value is None or length not in (32, 64):
            return []
        own = _p.audio_sha256 if length == 32 else _p.identity
        column = tables.file.c.sha256 if length == 32 else tables.file.c.sha512
        whole = listing.listing().where(tables.is_digest(own, value)).order_by(_p.id)
        files = listing.listing(tables.file.c.path).join(tables.file, tables.file.c.package_id == _p.id)
        files = files.where(tables.is_digest(column, value))
        files = files.order_by(_p.id, tables.file.c.n)
        found = [(listed(row), "") for row in self._rows(whole.limit(limit or None))]
        found += [(listed(row), row.path) for row in self._rows(files.limit(limit or None))]
        return found[:limit] if limit else found

    def known_beneath(self, root: str) -> Iterator[tuple[str, str, str | None]]:
        """Place, name and identity of the packages at or beneath a root that are not gone."""
        query = select(_p.id, _p.place, _p.name, _p.identity).join(tables.standing, _s.package_id == _p.id)
        for row in self._there(query, root):
            yield row.place, row.name, _hex(row.identity)

    def stamps(self, beneath: str) -> Iterator[tuple[str, str]]:
        """Place and stamp of the packages at or beneath a root that are not gone."""
        query = select(_p.id, _p.place, _p.stamp).join(tables.standing, _s.package_id == _p.id)
        for row in self._there(query, beneath):
            yield row.place, row.stamp

    def ledgers_known(self) -> Iterator[tuple[str, int, str]]:
        """Path, lines and SHA-512 of the last line of every ledger that was read."""
        v = tables.ledger.c
        for row in self._rows(select(v.path, v.lines, v.head).where(v.head != "").order_by(v.id)):
            yield row.path, row.lines, row.head

    def still_there(self, identities: Collection[str]) -> set[str]:
        """Which of these identities (SHA-512) any package that is there has."""
        wanted = [bytes.fromhex(one) for one in sorted(identities)]
        found: set[str] = set()
        for some in _chunks(wanted):
            heads = {one[:8] for one in some}
            asked = select(_p.identity).join(tables.standing, _s.package_id == _p.id)
            asked = asked.where(tables.head(_p.identity).in_(heads), _p.identity.in_(some), ~_s.is_gone)
            found |= {bytes(row.identity).hex() for row in self._rows(asked)}
        return found

    # --- how ---

    def _pairs(self, query: Any) -> list[tuple[Any, Any]]:
        return [(row[0], row[1]) for row in self._rows(query)]

    def _rows(self, query: Any) -> list[Any]:
        with self._connect() as conn:
            return list(conn.execute(query))

    def _first(self, query: Any, limit: int, detail: Detail) -> tuple[Listed, ...]:
        return tuple(listed(row, detail(row)) for row in self._rows(query.limit(limit or None)))

    def _question(self, topic: str, bound: str, limit: int, detail: Detail) -> Answer:
        """The packages whose key of a topic is below a bound, in order of the key."""
        key = _s[topic]
        query = listing.listing().where(key < bound).order_by(key, _s.package_id)
        return Answer(total=self._count(topic, bound), first=self._first(query, limit, detail))

    def _count(self, topic: str, bound: str) -> int:
        """How many keys of a topic are below a bound; within the day of a moment, counted one by one."""
        t = tables.tally.c
        whole = bound[:10]
        query = select(func.coalesce(func.sum(t.n), 0)).where(t.topic == topic, t.key < whole)
        total = int(self._rows(query)[0][0])
        if bound != whole:
            key = _s[topic]
            total += int(self._rows(select(func.count()).where(key >= whole, key < bound))[0][0])
        return total

    def _tallies(self, topic: str, most: int | None = None) -> list[tuple[str, int]]:
        t = tables.tally.c
        query = select(t.key, t.n).where(t.topic == topic, t.n > 0).order_by(t.key).limit(most)
        return [(key, int(n)) for key, n in self._rows(query)]

    @staticmethod
    def _pair(key: str) -> tuple[str, str]:
        first, _, second = key.rpartition(UNIT)
        return first, second

    def _in_order(self, wanted: Any, root: str | None) -> Iterator[Listed]:
        """Packages by the time they were last read: those beneath a root are sorted when they are few, else
        looked for along the index of all."""
        query = listing.listing(_s.checked).where(wanted).order_by(_s.checked, _s.package_id)
        if root is not None:
            few = self._beneath(root, _FEW + 1)
            if len(few) <= _FEW:
                yield from self._sorted(wanted, few)
                return
            query = query.where(among_all(_p.place, root))
        after: tuple[str, int] | None = None
        size = _PAGES[0]
        while True:
            page = query
            if after is not None:
                page = query.where(tuple_(_s.checked, _s.package_id) > tuple_(*after))
            found = self._rows(page.limit(size))
            yield from (listed(row) for row in found)
            if len(found) < size:
                return
            after, size = (found[-1].checked, found[-1].id), _PAGES[1]

    def _beneath(self, root: str, most: int | None = None) -> list[int]:
        with self._connect() as conn:
            return list(conn.scalars(select(_p.id).where(inside(_p.place, root)).limit(most)))

    def _there(self, query: Any, root: str) -> Iterator[Any]:
        """Page by page, those beneath a root that are not gone."""
        for some in _chunks(sorted(self._beneath(root))):
            yield from self._rows(query.where(_p.id.in_(some), ~_s.is_gone).order_by(_p.id))

    def _sorted(self, wanted: Any, packages: list[int]) -> Iterator[Listed]:
        order: list[tuple[str, int]] = []
        for some in _chunks(packages):
            keys = select(_s.checked, _s.package_id).where(_s.package_id.in_(some), wanted)
            order += [(row.checked, row.package_id) for row in self._rows(keys)]
        for page in _chunks(sorted(order)):
            asked = listing.listing().where(_p.id.in_([package for _, package in page]))
            found = {row.id: row for row in self._rows(asked)}
            yield from (listed(found[package]) for _, package in page)


def _chunks(of: list[Any]) -> Iterator[list[Any]]:
    for at in range(0, len(of), _PAGES[1]):
        yield of[at : at + _PAGES[1]]


def _said(row: Any) -> str:
    return row.said if row.times == 1 else f"{row.said} (and {row.times - 1} more of this rule)"


def _hex(value: bytes | None) -> str | None:
    return None if value is None else value.hex()
