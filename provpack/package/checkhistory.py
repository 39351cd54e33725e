"""What the lines of custody ledgers tell of the fixity checks of a package: when it was last found good, when
somebody last tried, whether it was ever found bad.

A line tells of the package under its name beside that ledger; a line with `place` tells of what lies there,
and of nothing beside the ledger. Lines of a broken ledger can accuse, and never acquit. Nor does a line with
`seen_path` acquit what lies at another path: whoever copied the folder copied its ledger, and nobody read the
copy yet.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from provpack.model.formats import read_moment
from provpack.package.custodystate import text
from provpack.package.ledgerchain import Entry
from provpack.package.ledgerline import FIXITY_CHECKED, HEALED, WRAPPED

DEEPER: Final[Mapping[str, frozenset[str]]] = {
    "listed": frozenset({"listed", "bytes", "meaning"}),
    "bytes": frozenset({"bytes", "meaning"}),
    "meaning": frozenset({"meaning"}),
}
"""Depth asked -> depths of a check that answer for it. A line without depth answers for none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckHistory:
    """For one package and one depth. Moments are UTC.

    good: the last check at least so deep that found it good, None when there is none, or when a later one
    could not tell, or when the package was made anew since. tried: the last check at least so deep, whatever
    came of it. once_bad: moment (as written, "" when nothing was) of the last check of any depth that found
    it bad or missing, None when none ever did. identity: what the package was (SHA-512 of its
    tagmanifest-sha512.txt) when that good check read it, None when its line does not say; manifests: what
    its payload manifests were (package.bagmarks), where it had no such file.
    """

    good: datetime | None = None
    tried: datetime | None = None
    once_bad: str | None = None
    identity: str | None = None
    manifests: str | None = None

    @property
    def told(self) -> bool:
        """Whether any line told of a check so deep, or of a bad one."""
        return self.tried is not None or self.once_bad is not None

    def and_also(self, other: CheckHistory) -> CheckHistory:
        """What two ledgers tell together: the latest of everything, and any accusation."""
        if NOTHING_TOLD in (self, other):
            return self if other == NOTHING_TOLD else other
        bad = [told for told in (self.once_bad, other.once_bad) if told is not None]
        later = _with_later_good(self, other)
        return CheckHistory(
            good=_later(self.good, other.good),
            tried=_later(self.tried, other.tried),
            once_bad=max(bad) if bad else None,
            identity=later.identity,
            manifests=later.manifests,
        )

    def accusing(self) -> CheckHistory:
        """Only what a ledger that cannot be trusted may say."""
        if not self.told:
            return NOTHING_TOLD
        return CheckHistory(tried=self.tried, once_bad=self.once_bad)


NOTHING_TOLD: Final = CheckHistory()


class LedgerChecks:
    """The checks of one ledger. Feed it with add(); memory grows with packages, not with lines."""

    def __init__(self, depth: str) -> None:
        self._depths = DEEPER[depth]
        self._beside: dict[str, dict[str | None, CheckHistory]] = {}
        self._elsewhere: dict[str, CheckHistory] = {}

    def add(self, entry: Entry) -> None:
        """Take in one line; members of a wrong type count as absent."""
        kind, name, place = text(entry, "kind"), text(entry, "package"), text(entry, "place")
        if kind not in (FIXITY_CHECKED, WRAPPED, HEALED) or (name is None and place is None):
            return
        # made anew, so what was checked before was something else; or it has to be found good again
        anew = kind != FIXITY_CHECKED or text(entry, "outcome") != "good"
        if place:
            told = self._elsewhere.get(place)
            told = told.accusing() if told is not None and anew else told or NOTHING_TOLD
            self._elsewhere[place] = self._checked(told, entry) if kind == FIXITY_CHECKED else told
            return
        assert name is not None
        seen = self._beside.setdefault(name, {})
        if anew:
            seen.update({path: told.accusing() for path, told in seen.items() if told.good is not None})
        if kind == FIXITY_CHECKED:
            at = text(entry, "seen_path")
            seen[at] = self._checked(seen.get(at, NOTHING_TOLD), entry)

    def beside(self, name: str, place: str | None = None) -> CheckHistory:
        """Of the package of that name in the folder of the ledger. place: its path now; what was seen at
        another accuses it, and does not acquit it."""
        seen = self._beside.get(name, {}).items()
        return together(told if path in (None, place) else told.accusing() for path, told in seen)

    def elsewhere(self, place: str) -> CheckHistory:
        """Of the package at that path or address."""
        return self._elsewhere.get(place, NOTHING_TOLD)

    def _checked(self, told: CheckHistory, entry: Entry) -> CheckHistory:
        outcome, at = text(entry, "outcome"), text(entry, "at") or ""
        moment = read_moment(at)
        when = moment.earliest if moment is not None else None
        deep = text(entry, "depth") in self._depths
        good, identity, manifests = told.good, told.identity, told.manifests
        if outcome == "good" and deep and when is not None and (good is None or good <= when):
            good, identity = when, text(entry, "tagmanifest_sha512")
            manifests = text(entry, "manifests_sha512")
        return CheckHistory(
            good=good,
            tried=_later(told.tried, when) if deep else told.tried,
            once_bad=at if outcome in ("bad", "missing") else told.once_bad,
            identity=identity,
            manifests=manifests,
        )


def together(histories: Iterable[CheckHistory]) -> CheckHistory:
    """What several ledgers tell of one package."""
    out = NOTHING_TOLD
    for one in histories:
        out = out.and_also(one)
    return out


def _with_later_good(one: CheckHistory, two: CheckHistory) -> CheckHistory:
    """The one with the later good check; of two at once one that says what it found good."""
    if one.good == two.good:
        return one if one.identity or one.manifests else two
    return one if one.good is not None and (two.good is None or one.good > two.good) else two


def _later(one: datetime | None, two: datetime | None) -> datetime | None:
    if one is None or two is None:
        return one or two
    return max(one, two)
