"""One custody ledger as the catalogue's values: the checks it tells of, and its state after its last line.

The whole ledger is read each time, for only so is it known whether its chain holds; what was taken in before
is not handed over again.

A ledger whose chain is broken can accuse and not acquit: a check that found a package good does not count
when its line stands at or before the last place that was touched. What stands after that place follows line
by line to the end, as in any other ledger, so a package can be checked again and that check counts. So it is
with every other line that takes something away: a fault that was cleared, a package or carrier that left; and
with one that says that a package was sealed, where an earlier one tells of another under its name.

Nor does it count in any ledger when it read the package at another path: a copied folder brings its ledger
along, and nobody read the copy yet.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from provpack.catalogue.values import Carrier, Check, Ledger, Sealed
from provpack.edge.ledger import read_ledger
from provpack.jobs.harvestfaults import Faults
from provpack.jobs.harvestwords import moment, text
from provpack.package import ledgerline as kinds
from provpack.package.bagpaths import readable
from provpack.package.custodystate import Carrier as CarrierState
from provpack.package.custodystate import CustodyState
from provpack.package.custodystate import text as said
from provpack.package.ledgerchain import Chain, Entry, Witness

WRAPPED_ONLY = "wrapped"
"""`ended` of a carrier that is still in the house, but of which something came."""
_LONGEST = 2000


class Taking(Protocol):
    """What of catalogue.writing.Writer is asked here."""

    def known_ledger(self, path: str) -> tuple[int, str, int] | None: ...
    def ledger(self, v: Ledger) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A ledger as read. anew: from its first line. rewritten: it was known, and the last line it had then is
    not in its place any more: it was cut or rewritten since, or another copy was put there."""

    ledger: Ledger
    anew: bool
    rewritten: bool


def take_ledger(path: Path, writer: Taking, *, now: str | None = None) -> Taken:
    """Take a ledger into the catalogue, as far as it is not known yet.

    Raises CouldNotCheck, OSError when the file cannot be read; then nothing was changed.
    """
    shown = readable(str(path))
    known = writer.known_ledger(shown)
    taken = _taken(path, known, now)
    if known is not None and taken.anew:
        # none of the checks that were known counts any more unless the ledger still tells of it
        writer.ledger(Ledger(path=shown, lines=0, head="", size=0))
    writer.ledger(taken.ledger)
    return taken


def ledger_values(path: Path, known: tuple[int, str, int] | None = None, *, now: str | None = None) -> Ledger:
    """The ledger at this path; checks only those after the known line (lines, SHA-512, size), when that line
    is still what it was and the chain holds, else all.

    now: UTC; a check dated later, by a clock that was wrong, counts as made now. Raises CouldNotCheck,
    OSError when the file cannot be read.
    """
    return _taken(path, known, now).ledger


def _taken(path: Path, known: tuple[int, str, int] | None, now: str | None) -> Taken:
    rewritten = False
    folder = readable(str(path.parent.resolve())).rstrip(os.sep)
    if known is not None and known[0] > 0 and known[1]:
        reading = _Reading(after=known[0], now=now, folder=folder)
        chain = read_ledger(path, witnesses=(Witness(entries=known[0], sha512=known[1]),), each=reading.take)
        if chain.holds:
            return Taken(ledger=reading.ledger(path, chain), anew=False, rewritten=False)
        rewritten = not chain.met[0]
    reading = _Reading(after=0, now=now, folder=folder)
    ledger = reading.ledger(path, read_ledger(path, each=reading.take))
    return Taken(ledger=ledger, anew=True, rewritten=rewritten)


@dataclass(slots=True)
class _Reading:
    """Takes in line after line. went, replaced: package -> the line after which it was not here any more, or
    was superseded."""

    after: int
    now: str | None
    folder: str
    state: CustodyState = field(default_factory=CustodyState)
    checks: list[Check] = field(default_factory=list)
    sealed: dict[str, dict[str | None, Sealed]] = field(default_factory=dict)
    went: dict[str, int] = field(default_factory=dict)
    replaced: dict[str, int] = field(default_factory=dict)
    faults: Faults = field(default_factory=Faults)

    def take(self, line: int, entry: Entry) -> None:
        """One line that reads as an entry."""
        self.state.add(line, entry)
        kind, name = entry.get("kind"), said(entry, "package")
        if kind == kinds.FIXITY_CHECKED:
            self._check(line, entry, name)
        if name is not None and not said(entry, "place"):
            self._sealed(line, entry, name)
        self.faults.take(line, entry)

    def _check(self, line: int, entry: Entry, name: str | None) -> None:
        place = said(entry, "place")
        if line <= self.after or (name is None and place is None):
            return
        at = moment(entry.get("at"))
        outcome = text(entry.get("outcome")) or "could_not_check"
        if outcome == "good" and (at is None or (place is None and not self._seen_here(entry, name))):
            return  # nobody can say when, or it was read elsewhere: it accuses nobody, and acquits nobody
        if at is not None and self.now is not None and at > self.now:
            at = self.now
        self.checks.append(
            Check(
                line=line,
                at=at or "",
                package=_name(name),
                outcome=outcome,
                depth=text(entry.get("depth")),
                tool_version=text(entry.get("tool_version")),
                identity=text(entry.get("tagmanifest_sha512")),
                place=text(readable(place), 8000) if place else None,
            )
        )

    def _seen_here(self, entry: Entry, name: str | None) -> bool:
        """Whether a check read what lies beside this ledger, and not what lies where it was copied from; so
        too when the line does not say."""
        return said(entry, "seen_path") in (None, f"{self.folder}{os.sep}{name}")

    def _sealed(self, line: int, entry: Entry, name: str) -> None:
        kind, held = entry.get("kind"), self.sealed.get(name)
        stays = kind in kinds.HERE if kind not in kinds.SAYS_NO_PLACE else None
        if kind in (kinds.WRAPPED, kinds.HEALED):
            told = Sealed(
                package=_name(name),
                line=line,
                at=moment(entry.get("at")) or "",
                identity=text(entry.get("tagmanifest_sha512")),
                record_id=text(entry.get("record_id")),
            )
            self.sealed.setdefault(name, {})[told.identity] = told
            self.went.pop(name, None)
            self.replaced.pop(name, None)
        elif held is not None and kind == kinds.SUPERSEDED:
            self.replaced[name] = line
        elif held is not None and stays is not None:
            if stays:
                self.went.pop(name, None)
            else:
                self.went[name] = line

    def _sealed_after(self, touched: int) -> Iterator[Sealed]:
        """Every package sealed here, as which the last line says that may be believed; where none may, as
        each that is told. That it left, or was superseded, only where a line behind the last that was touched
        says so."""
        for name, by_identity in self.sealed.items():
            gone, superseded = self.went.get(name, 0) > touched, self.replaced.get(name, 0) > touched
            last = max(by_identity.values(), key=lambda one: one.line)
            told = [last] if last.line > touched else by_identity.values()
            for held in told:
                yield replace(held, stays=not gone, superseded=superseded)

    def ledger(self, path: Path, chain: Chain) -> Ledger:
        """What all the lines amount to."""
        self.state.finish()
        broken_until = chain.last_touched
        whole = [c for c in self.checks if c.outcome != "good" or c.line > broken_until]
        return Ledger(
            path=readable(str(path)),
            lines=chain.lines,
            head=chain.head[1] if chain.head else "",
            size=path.stat().st_size,
            broken=text(chain.trouble, _LONGEST) or "",
            checks=tuple(whole),
            sealed=tuple(self._sealed_after(broken_until)),
            carriers=tuple(self._carriers(broken_until)),
            faults=self.faults.after(broken_until),
        )

    def _carriers(self, touched: int) -> list[Carrier]:
        out = []
        for name, held in self.state.carriers.items():
            if held.received is None:
                continue
            ended, ended_at = None, None
            if held.ended is not None and held.ended.line > touched and not self.state.in_house(held):
                ended = held.ended.kind.removeprefix("carrier_")
                ended_at = moment(held.ended.moment)
            elif self.state.outcome_of(_without_result_after(held, touched)):
                ended = WRAPPED_ONLY
            out.append(
                Carrier(
                    carrier=_name(name),
                    client=text(held.received.organisation),
                    received_at=moment(held.received.moment),
                    ended=ended,
                    ended_at=ended_at,
                )
            )
        return out


def _without_result_after(held: CarrierState, touched: int) -> CarrierState:
    """A carrier without the pass that showed that nothing comes of it, when that line may be made up. That a
    package came of it stays: whether the package is there is another question."""
    pass_ = held.without_result
    return held if pass_ is None or pass_.line > touched else replace(held, without_result=None)


def _name(name: str | None) -> str:
    return text(readable(name)) or "?" if name else ""
