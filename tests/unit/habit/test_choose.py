"""What is due, in which order, and what of it is drawn."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path

import pytest

from provpack.jobs.choose import Candidate, Choice, Wish, choose, is_due, judge_sample, per_cent
from provpack.jobs.verify_find import Found
from provpack.package.checkhistory import CheckHistory

NOW = datetime(2031, 6, 1, tzinfo=UTC)
YEAR = timedelta(days=365)


def ago(days: float) -> datetime:
    return NOW - timedelta(days=days)


def one(name: str, good: float | None = None, tried: float | None = None, bad: bool = False) -> Candidate:
    """good, tried: days ago."""
    last = tried if tried is not None else good
    return Candidate(
        found=Found(path=Path("/p") / name),
        history=CheckHistory(
            good=None if good is None else ago(good),
            tried=None if last is None else ago(last),
            once_bad="2030-01-01T00:00:00Z" if bad else None,
        ),
    )


def names(choice: Choice) -> list[str]:
    return [Path(c.found.path).name for c in choice.units]


@pytest.mark.parametrize(
    ("history", "due"),
    [
        (one("never").history, True),
        (one("young", good=364.99).history, False),
        (one("just", good=365).history, True),
        (one("old", good=400).history, True),
        (one("bad", good=1, bad=True).history, True),
        (one("unsure", tried=1).history, True),
        (one("of the future", good=-1).history, True),
        (one("this moment", good=0).history, False),
    ],
)
def test_what_is_due(history: CheckHistory, due: bool) -> None:
    assert is_due(history, YEAR, NOW) is due
    assert is_due(history, None, NOW) is True


def test_oldest_first_never_before_all_and_once_bad_by_turns() -> None:
    candidates = [
        one("d", good=380), one("b", good=500), one("never-b"), one("never-a"), one("young", good=2),
        one("a", good=500), one("bad-new", good=1, bad=True), one("bad-old", tried=900, bad=True),
        one("tried", tried=10), one("future", tried=-5),
    ]  # fmt: skip
    choice = choose(candidates, Wish(older_than=YEAR, oldest_first=True), NOW)
    assert names(choice) == [
        "bad-old", "future", "bad-new", "never-a", "never-b", "a", "b", "d", "tried",
    ]  # fmt: skip
    assert (choice.known, choice.due, choice.bare) == (10, 9, 5)
    assert {names(choice)[n] for n in choice.again} == {"bad-new", "bad-old"}
    assert choice.drawn is None


def test_nobody_waits_for_ever_behind_many_bad_ones() -> None:
    """Five packages fit into a night; eight are broken and always due. Twenty nights, by simulation."""
    last: dict[str, int] = {}
    for night in range(20):
        candidates = []
        for n in range(30):
            name, bad = f"{n:02d}", n < 8
            tried = night - last[name] if name in last else None
            candidates.append(one(name, tried=tried, bad=bad))
        for name in names(choose(candidates, Wish(oldest_first=True), NOW))[:5]:
            last[name] = night
    assert len(last) == 30 and min(last[f"{n:02d}"] for n in range(8)) >= 14


def test_as_found_when_nothing_was_asked() -> None:
    candidates = [one("z", good=1), one("a"), one("m", bad=True)]
    assert names(choose(candidates, Wish(), NOW)) == ["z", "a", "m"]


def test_a_sample_is_drawn_from_what_is_due_and_once_bad_stands_beside() -> None:
    candidates = [one(f"{n:03d}", good=400) for n in range(100)]
    candidates += [one(f"young-{n}", good=3) for n in range(50)] + [one("bad", good=3, bad=True)]
    wish = Wish(older_than=YEAR, oldest_first=True, sample=10, seed=5)
    choice = choose(candidates, wish, NOW)
    assert (choice.due, choice.population, len(choice.units)) == (101, 100, 11)
    assert choice.drawn is not None and len(choice.drawn) == 10
    assert names(choice)[0] == "bad" and choice.again == {0} and 0 not in choice.drawn
    assert names(choose(list(reversed(candidates)), wish, NOW)) == names(choice)  # order found plays no part
    assert names(choose(candidates, Wish(older_than=YEAR, sample=10, seed=6), NOW)) != names(choice)
    assert choose(candidates, Wish(sample=1000), NOW).population == 150


def test_as_many_as_it_takes() -> None:
    candidates = [one(f"{n:04d}") for n in range(1000)]
    wish = Wish(sample_for=Fraction(1, 100), oldest_first=True)
    choice = choose(candidates, wish, NOW)
    assert len(choice.units) == 238  # judged in test_sampling
    said = judge_sample(choice, wish, dict.fromkeys(range(238), "good"))
    assert said is not None and said.at_most == 10 and said.as_json()["share"] == "1 %"


def test_what_could_not_be_checked_is_not_good() -> None:
    wish = Wish(sample=59)
    choice = choose([one(f"{n:04d}") for n in range(1000)], wish, NOW)
    good = judge_sample(choice, wish, dict.fromkeys(range(59), "good"))
    unsure = judge_sample(choice, wish, {**dict.fromkeys(range(58), "good"), 58: "could_not_check"})
    bad = judge_sample(choice, wish, {**dict.fromkeys(range(58), "good"), 58: "bad"})
    assert good is not None and unsure is not None and bad is not None
    assert good.at_most == 48 and unsure.not_good == 1 and unsure.at_most == bad.at_most == 76


def test_a_sample_that_was_not_finished_says_nothing() -> None:
    wish = Wish(sample=5)
    choice = choose([one(str(n)) for n in range(9)], wish, NOW)
    said = judge_sample(choice, wish, dict.fromkeys(range(4), "good"))
    assert said is not None and (said.drawn, said.checked, said.at_most) == (5, 4, None)
    assert judge_sample(choose([], Wish(), NOW), Wish(), {}) is None
    none = judge_sample(choose([], wish, NOW), wish, {})
    assert none is not None and (none.drawn, none.at_most) == (0, 0)


def test_what_is_outside_the_sample_does_not_count_in_it() -> None:
    wish = Wish(sample=5, oldest_first=True)
    choice = choose([*(one(str(n)) for n in range(9)), one("x", bad=True)], wish, NOW)
    outcomes = {n: "bad" if n in choice.again else "good" for n in range(6)}
    said = judge_sample(choice, wish, outcomes)  # type: ignore[arg-type]
    assert said is not None and (said.population, said.checked, said.not_good) == (9, 5, 0)


def test_per_cent() -> None:
    assert per_cent(Fraction(95, 100)) == "95 %" and per_cent(Fraction(1, 1000)) == "0.1 %"
