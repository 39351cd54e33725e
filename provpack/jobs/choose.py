"""Which of the packages that were found are to be checked now, in which order, and what a sample says.

Due is what was never checked so deep, or not since the age asked for, or was ever found bad or missing, or is
not there any more.
Nothing here touches the world.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

from provpack.jobs.verified import Outcome
from provpack.jobs.verify_find import Found
from provpack.model import sampling
from provpack.package.checkhistory import CheckHistory

_NEVER = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A unit and what the ledgers tell of it."""

    found: Found
    history: CheckHistory


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What was asked for.

    older_than: None = all are due. sample: so many; sample_for: as many as it takes to meet, with this
    confidence, at least one when more than this share were not good; both None = all that is due.
    oldest_first: order by the last try; else as found.
    """

    older_than: timedelta | None = None
    oldest_first: bool = False
    sample: int | None = None
    sample_for: Fraction | None = None
    confidence: Fraction = Fraction(95, 100)
    seed: int = 0

    @property
    def sampling(self) -> bool:
        return self.sample is not None or self.sample_for is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What is to be checked.

    known: packages; bare: of those, without a good check so deep that counts; due: of those, due; units: the
    chosen ones, in the order to check them. drawn: which of them (index) are the sample, None when nothing
    was drawn; population: from how many. again: which were once found bad or missing; gone: which are not
    there any more, or cannot be looked at. Both are never part of a sample.
    """

    known: int
    bare: int
    due: int
    units: tuple[Candidate, ...]
    drawn: frozenset[int] | None = None
    population: int = 0
    again: frozenset[int] = frozenset()
    gone: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """What the sample says. not_good: bad, missing and could_not_check. at_most: upper bound on packages of
    the population that are not good; None when the sample was not finished, which says nothing."""

    population: int
    drawn: int
    checked: int
    not_good: int
    seed: int
    confidence: Fraction
    share: Fraction | None
    at_most: int | None

    def as_json(self) -> dict[str, Any]:
        return {
            "population": self.population,
            "drawn": self.drawn,
            "checked": self.checked,
            "not_good": self.not_good,
            "seed": self.seed,
            "confidence": per_cent(self.confidence),
            "share": per_cent(self.share) if self.share is not None else None,
            "at_most": self.at_most,
        }


def choose(candidates: Sequence[Candidate], wish: Wish, now: datetime) -> Choice:
    """Choose among the units. now: aware; a check dated later counts for nothing."""
    due = [one for one in candidates if one.found.findings or is_due(one.history, wish.older_than, now)]
    again = [one for one in due if _told_apart(one)]
    others = [one for one in due if not _told_apart(one)]
    population = len(others)
    drawn: set[int] | None = None
    if wish.sampling:
        others.sort(key=_path)
        wanted = wish.sample
        if wanted is None:
            wanted = sampling.needed(population, wish.sample_for or Fraction(0), wish.confidence)
        others = [others[index] for index in sampling.draw(population, wanted, wish.seed)]
        drawn = {id(one) for one in others}
    if wish.oldest_first:

        def age(one: Candidate) -> tuple[datetime, str]:
            tried = one.history.tried
            return (tried if tried is not None and tried <= now else _NEVER, _path(one))

        units = list(_by_turns(sorted(again, key=age), sorted(others, key=age)))
    elif len(due) == len(candidates) and drawn is None:
        units = list(candidates)
    else:
        taken = {id(one) for one in (*again, *others)}
        units = [one for one in candidates if id(one) in taken]
    return Choice(
        known=len(candidates),
        bare=sum(one.history.good is None for one in candidates),
        due=len(due),
        units=tuple(units),
        drawn=None if drawn is None else frozenset(n for n, one in enumerate(units) if id(one) in drawn),
        population=population,
        again=frozenset(n for n, one in enumerate(units) if one.history.once_bad is not None),
        gone=frozenset(n for n, one in enumerate(units) if one.found.findings),
    )


def is_due(history: CheckHistory, older_than: timedelta | None, now: datetime) -> bool:
    """Whether a package has to be checked again."""
    if older_than is None or history.once_bad is not None or history.good is None:
        return True
    # the age is taken off the present only where that is a moment at all
    return not timedelta(0) <= now - history.good < older_than


def judge_sample(choice: Choice, wish: Wish, outcomes: Mapping[int, Outcome]) -> Sampled | None:
    """What the sample says. outcomes: index in choice.units -> outcome, of those that were checked."""
    if choice.drawn is None:
        return None
    checked = [outcomes[index] for index in choice.drawn if index in outcomes]
    not_good = sum(outcome != "good" for outcome in checked)
    whole = len(checked) == len(choice.drawn)
    return Sampled(
        population=choice.population,
        drawn=len(choice.drawn),
        checked=len(checked),
        not_good=not_good,
        seed=wish.seed,
        confidence=wish.confidence,
        share=wish.sample_for,
        at_most=sampling.at_most(choice.population, len(checked), not_good, wish.confidence)
        if whole
        else None,
    )


def per_cent(share: Fraction) -> str:
    """ "95 %", with as many decimals as it has, up to nine."""
    return f"{float(share * 100):.9f}".rstrip("0").rstrip(".") + " %"


def _told_apart(one: Candidate) -> bool:
    return bool(one.found.findings) or one.history.once_bad is not None


def _path(one: Candidate) -> str:
    return str(one.found.path)


def _by_turns(one: Sequence[Candidate], two: Sequence[Candidate]) -> Iterator[Candidate]:
    """One of each in turn, so that where time is short neither waits for ever for the other."""
    for index in range(max(len(one), len(two))):
        yield from one[index : index + 1]
        yield from two[index : index + 1]
