"""The catalogue's questions answered the slow way, from the values alone: the judge of the real one.

It shares no code with the catalogue: packages in a list, every question a loop.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import Any

from provpack.catalogue.values import Carrier, Check, Ledger, Package, Sealed


@dataclass
class Held:
    package: Package
    gone: bool = False


@dataclass
class ByHand:
    """Takes the same writes as a Writer."""

    held: dict[str, Held] = field(default_factory=dict)
    checks: dict[str, list[Check]] = field(default_factory=dict)
    sealed: dict[str, tuple[Sealed, ...]] = field(default_factory=dict)
    carriers: dict[str, tuple[Carrier, ...]] = field(default_factory=dict)
    ledgers: dict[str, Ledger] = field(default_factory=dict)

    def package(self, p: Package) -> None:
        if p.place in self.held:
            self.held[p.place].package, self.held[p.place].gone = p, False
        else:
            self.held[p.place] = Held(p)

    def gone(self, beneath: str, still: set[str]) -> None:
        for place, held in self.held.items():
            if place == beneath or place.startswith(beneath.rstrip("/") + "/"):
                held.gone = place not in still

    def ledger(self, v: Ledger, *, goes_on: bool) -> None:
        self.checks[v.path] = (self.checks.get(v.path, []) if goes_on else []) + list(v.checks)
        self.sealed[v.path], self.carriers[v.path], self.ledgers[v.path] = v.sealed, v.carriers, v

    # --- questions ---

    def there(self) -> list[Package]:
        return [h.package for h in self.held.values() if not h.gone]

    def checks_of(self, p: Package) -> list[Check]:
        found = []
        alone = not [q for q in self.there() if q is not p and q.identity == p.identity]
        for path, checks in self.checks.items():
            for c in checks:
                beside = path == p.ledger and c.package == p.name
                mine = c.place == p.place if c.place is not None else beside
                mine = mine or (alone and p.identity is not None and c.identity == p.identity)
                other = c.identity is not None and p.identity is not None and c.identity != p.identity
                if mine and not (c.outcome == "good" and other):
                    found.append(c)
        return sorted(found, key=lambda c: (c.at, c.line, c.outcome != "good", c.outcome))

    def read(self, p: Package) -> Check | None:
        read = [
            c for c in self.checks_of(p) if c.depth != "listed" and c.outcome in ("good", "bad", "missing")
        ]
        return read[-1] if read else None

    def read_at(self, p: Package) -> str:
        read = self.read(p)
        return read.at if read else ""

    def answers(self, today: str, moment: str, days: int) -> dict[str, Any]:
        there, answering = self.there(), [p for p in self._answering() if not self._other(p)]
        told = [p for p in answering if p.record_version is not None]
        sound = [p for p in told if p.outcome is None or p.audio_sha256 is not None]
        rules = Counter(
            (r, s) for p in self._answering() for r, s in {(r.rule, r.severity) for r in p.raised}
        )
        places: dict[str, list[str]] = {
            "emphasis": [
                p.place for p in sound if p.ours and {p.tape_emphasis, p.file_emphasis} & {None, "unknown"}
            ],
            "rights": [
                p.place
                for p in told
                if (p.ours and p.rights_basis in (None, "unknown"))
                or (p.access_restriction_until is not None and p.access_restriction_until < today)
            ],
            "chain": [
                p.place for p in told if p.ours and (p.check_age_days is None or p.check_age_days > days)
            ],
            "due": [
                p.place
                for p in there
                if p.next_check_due and p.next_check_due < today and self.read_at(p)[:10] < p.next_check_due
            ],
            "not_checked": [p.place for p in there if self.read_at(p) < moment],
            "not_good": [p.place for p in there if self._not_good(p)],
            "once_bad": [p.place for p in there if self._once_bad(p)],
            "gone": [h.package.place for h in self.held.values() if h.gone],
            "other": [p.place for p in there if self._other(p)],
            "claim": [p.place for p in there if self._refused(p)],
        }
        return {
            "size": {
                "packages": len(there),
                "ours": sum(p.ours for p in there),
                "files": sum(len(p.files) for p in there),
                "checks": sum(len(checks) for checks in self.checks.values()),
                "ledgers": len(self.ledgers),
                "gone": len(places["gone"]),
            },
            "rules": sorted((rule, severity, n) for (rule, severity), n in rules.items()),
            "lost": sorted(self._lost()),
            "carriers": sum(c.ended is None for all_ in self.carriers.values() for c in all_),
            "trends": self._trends(answering),
            "parts": sorted(
                (what, role, n)
                for (what, role), n in Counter(
                    pair
                    for h in self.held.values()
                    if not self._other(h.package)
                    for pair in {(x.what, x.role) for x in h.package.parts}
                ).items()
            ),
            "to_verify": [p.place for p in self._in_order(there, moment)],
            **{name: sorted(found) for name, found in places.items()},
        }

    def _not_good(self, p: Package) -> bool:
        checks, read = self.checks_of(p), self.read(p)
        return bool(checks) and {checks[-1].outcome, read.outcome if read else "good"} != {"good"}

    def _once_bad(self, p: Package) -> bool:
        elsewhere = [c for all_ in self.checks.values() for c in all_ if c.identity == p.identity is not None]
        return any(c.outcome in ("bad", "missing") for c in (*self.checks_of(p), *elsewhere))

    def _superseded(self, p: Package) -> bool:
        return any(p in self._meant(q) and self._counts(q, p) for q in self.there())

    def _refused(self, q: Package) -> bool:
        return not self._other(q) and any(not self._counts(q, p) for p in self._meant(q))

    def _meant(self, q: Package) -> list[Package]:
        """Those that one says it supersedes."""
        if q.supersedes is None or q.supersedes == q.record_id:
            return []
        return [p for p in self.there() if p is not q and q.supersedes in (p.identity, p.record_id)]

    def _counts(self, newer: Package, older: Package) -> bool:
        at, seen = [older], [older]
        while at:
            at = [
                p
                for q in at
                for p in self.there()
                if q.supersedes in (p.identity, p.record_id)
                if q.supersedes
            ]
            if newer in at:
                return False
            at = [p for p in at if p not in seen]
            seen += at
        return not self._other(newer)

    def _other(self, p: Package) -> bool:
        """Whether its ledger sealed another one under its name."""
        told = [s.identity for s in self.sealed.get(p.ledger or "", ()) if s.package == p.name]
        return None not in (p.identity, *told) and told[-1:] not in ([], [p.identity])

    def _answering(self) -> list[Package]:
        """Those whose record answers the questions about records."""
        return [p for p in self.there() if not self._superseded(p)]

    def _lost(self) -> list[tuple[str, str]]:
        known = {(p.ledger, p.name, p.identity) for p in self.there()}
        names = {(path, name) for path, name, _ in known}
        untold = {(path, name) for path, name, identity in known if identity is None}
        things = {p.identity for p in self.there()} - {None}
        return [
            (path, s.package)
            for path, all_ in self.sealed.items()
            for s in all_
            if s.stays and s.identity not in things
            if (path, s.package) not in (names if s.identity is None else untold)
        ]

    def _trends(self, there: list[Package]) -> list[tuple[str, str, int, int, int, int]]:
        sums: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0, 0, 0])
        transfers: dict[Any, list[Package]] = defaultdict(list)
        for p in (one for one in self.there() if not self._other(one)):
            transfers[p.record_id or p.identity or p.place].append(p)
        for copies in transfers.values():
            p = min(copies, key=lambda p: (None in self._damage(p), p.place))
            silent = p.record_version is not None and p.outcome is not None and p.audio_sha256 is None
            if p.deck_id is None or p not in there or silent:
                continue
            row = sums[p.deck_id, (p.transferred_at or "")[:7]]
            row[0] += 1
            events, _, seconds = self._damage(p)
            if None in self._damage(p):
                row[1] += 1
            else:
                row[2] += events
                row[3] += round(seconds)
        return sorted((deck, month, *row) for (deck, month), row in sums.items())  # type: ignore[misc]

    @staticmethod
    def _damage(p: Package) -> tuple[Any, Any, Any]:
        return p.damage_events, p.damage_seconds, p.duration_s

    def _in_order(self, there: list[Package], moment: str) -> list[Package]:
        order = list(self.held)
        ranked = sorted(there, key=lambda p: (self.read_at(p), order.index(p.place)))
        return [p for p in ranked if self.read_at(p) < moment] + [
            p for p in ranked if self.read_at(p) >= moment and self._once_bad(p)
        ]
