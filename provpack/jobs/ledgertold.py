"""One custody ledger, read for what it tells of packages: where each is expected, and as what it was sealed
or last found good.

Lines of a broken ledger can accuse, and never acquit, but for those behind the last that was touched. Members
of a wrong type count as absent.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from provpack.edge.ledger import read_ledger
from provpack.errors import ProvpackError
from provpack.findings import Finding
from provpack.package import rules
from provpack.package.bagpaths import position, readable
from provpack.package.checkhistory import LedgerChecks
from provpack.package.custodystate import text
from provpack.package.ledgerchain import ANY_LINE, Entry
from provpack.package.ledgerline import FIXITY_CHECKED, HEALED, HERE, RETAINED, SAYS_NO_PLACE, WRAPPED


@dataclass(slots=True)
class Told:
    """Of one package beside a ledger, or at a place. sealed: its identity, told by line `line`. found: the
    last line of a check that met it there, good or bad. good: its identity when it was last found good, told
    by line `good_line`; good_manifests: what that line says of its payload manifests when it had no identity.
    folder: where it was last met when that was elsewhere. before: the last other identity under which it was
    sealed, told by line `before_line`. doubted: line `line` may be made up. left: the line that says it went.
    """

    sealed: str | None = None
    line: int = 0
    before: str | None = None
    before_line: int = 0
    doubted: bool = False
    stays: bool = True
    left: int = 0
    found: int = 0
    good: str | None = None
    good_manifests: str | None = None
    good_line: int = 0
    folder: str | None = None

    @property
    def here(self) -> bool:
        """Whether it was there, and nothing says that it went."""
        return self.stays and bool(self.sealed or self.found)

    def differs(self, identity: str | None) -> tuple[str, int] | None:
        """(identity, line) of the package sealed under its name, when that is not this one. Where the
        line that calls this one so may be made up, any line that knows another one is believed."""
        if self.sealed is None:
            return None
        if self.sealed != identity:
            return self.sealed, self.line
        if self.doubted and self.before is not None:
            return self.before, self.before_line
        if self.doubted and self.good not in (None, identity):
            return str(self.good), self.good_line
        return None

    def same_as(self, identity: str | None, contents: str | None) -> bool:
        """Whether what lies there now may be what was last found good."""
        if self.good is not None:
            return self.good == identity
        return contents is None or self.good_manifests == contents

    def words(self, place: str) -> str:
        did, line = ("sealed", self.line) if self.sealed else ("checked", self.found)
        return f"{Path(place).name} was {did} here (line {line} of the ledger)"


@dataclass(slots=True)
class LedgerTold:
    """What one ledger tells. packages: by name, beside it; places: by path or address. met_in: folder in
    which packages were met before they lay here -> their names. whole: its chain holds, so it may acquit."""

    folder: str
    checks: LedgerChecks
    packages: dict[str, Told] = field(default_factory=dict)
    places: dict[str, Told] = field(default_factory=dict)
    met_in: dict[str, set[str]] = field(default_factory=dict)
    whole: bool = False
    _named: dict[str, str | set[str]] = field(default_factory=dict)

    def all_places(self) -> Iterator[tuple[str, Told]]:
        """Where it says that packages are, and what it says of them."""
        for name, told in self.packages.items():
            if name not in ("", ".", "..") and not set(name) & set("/\\\0"):
                yield f"{self.folder}{os.sep}{readable(name)}", told
        yield from self.places.items()

    def not_all_here(self) -> Iterator[tuple[str, list[str], list[str]]]:
        """(another folder, names of the packages that were met in it, those of them that were not met since):
        when a whole shelf lies at another path now, the rest of it is expected there, too."""
        for folder, names in self.met_in.items():
            stay = sorted(name for name in names if self.packages[name].stays)
            away = [n for n in stay if self.packages[n].folder == folder and not self.packages[n].sealed]
            if away:
                yield folder, stay, away

    def take(self, line: int, entry: Entry) -> None:
        """Take in one line."""
        self.checks.add(entry)
        kind, name, place = text(entry, "kind"), text(entry, "package"), text(entry, "place")
        if kind is None or (name is None and place is None) or (entry.get("place") and place is None):
            return
        held, key = (self.places, place) if place else (self.packages, name)
        assert key is not None
        leaves = kind not in SAYS_NO_PLACE and kind not in HERE
        if leaves and place is None and not (key in held and held[key].here):
            self._left_by_name(key, line)
        told = held.setdefault(key, Told())
        if kind not in SAYS_NO_PLACE:
            told.stays = not leaves
            told.left = line if leaves else 0
            if kind not in (FIXITY_CHECKED, RETAINED):  # made anew, or gone: another may come in its place
                told.good = told.good_manifests = None
        if place:
            for called in {name, place.rstrip("/").rpartition("/")[2]} - {None}:
                known = self._named.setdefault(str(called), place)
                if isinstance(known, set):
                    known.add(place)
                elif known != place:
                    self._named[str(called)] = {known, place}
        digest = text(entry, "tagmanifest_sha512")
        if kind in (WRAPPED, HEALED) and digest is not None:
            if told.sealed not in (None, digest):
                told.before, told.before_line = told.sealed, told.line
            told.sealed, told.line = digest, line
        if kind == FIXITY_CHECKED:
            self._take_check(told, key, line, entry)

    def doubt(self, touched: int) -> None:
        """Lines up to this one may be made up: what they say against a package stands, and nothing else."""
        for told in (*self.packages.values(), *self.places.values()):
            told.doubted = told.line <= touched
            told.stays = told.stays or told.left <= touched

    def _take_check(self, told: Told, key: str, line: int, entry: Entry) -> None:
        outcome, seen = text(entry, "outcome"), text(entry, "seen_path")
        if outcome == "good":
            told.good, told.good_line = text(entry, "tagmanifest_sha512"), line
            told.good_manifests = text(entry, "manifests_sha512")
        if outcome not in ("good", "bad"):
            return
        if seen in (None, f"{self.folder}{os.sep}{key}"):
            told.found, told.folder = line, None
        elif seen is not None and told is self.packages.get(key):
            told.folder = seen.rpartition(os.sep)[0]
            self.met_in.setdefault(told.folder, set()).add(key)

    def _left_by_name(self, name: str, line: int) -> None:
        """A package of that name went: the one known by its place, when there is just one of that name."""
        known = self._named.get(name, set[str]())
        places = {known} if isinstance(known, str) else known
        there = [place for place in places if self.places[place].stays]
        if len(there) == 1:
            gone = self.places[there[0]]
            gone.stays, gone.left = False, line


def read_told(ledger: Path, depth: str) -> tuple[LedgerTold, Finding | None]:
    """What a ledger tells, and what is wrong with the ledger. depth: of the checks to be counted."""
    shown = readable(str(ledger))
    out = LedgerTold(readable(str(ledger.parent)).rstrip(os.sep), LedgerChecks(depth))
    try:
        chain = read_ledger(ledger, each=out.take)
    except ProvpackError as err:
        out.doubt(ANY_LINE)
        return out, rules.LEDGER_BROKEN.found(err.what, shown, todo=err.todo, position=position(shown))
    out.whole = chain.holds
    if not chain.breaks:
        return out, None
    if chain.last_touched:
        out.doubt(chain.last_touched)
    more = f" {len(chain.breaks) - 1} more places are wrong." if len(chain.breaks) > 1 else ""
    what = f"{chain.breaks[0].what}{more}"
    return out, rules.LEDGER_BROKEN.found(what, shown, position=position(shown))
