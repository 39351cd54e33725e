"""What a sample says. Judges: counting every possible sample, scipy.stats.hypergeom, the rule of three."""

from __future__ import annotations

import itertools
import random
from fractions import Fraction

import pytest
from scipy.stats import hypergeom

from provpack.model.sampling import _credible, at_most, draw, needed

C95 = Fraction(95, 100)


def share_of_samples(population: int, bad: int, drawn: int, found: int) -> Fraction:
    """P(at most `found` bad in a sample), by making every sample there is."""
    marks = [True] * bad + [False] * (population - bad)
    samples = list(itertools.combinations(marks, drawn))
    return Fraction(sum(sum(one) <= found for one in samples), len(samples))


@pytest.mark.parametrize("confidence", [Fraction(1, 2), Fraction(9, 10), C95, Fraction(99, 100)])
def test_the_bound_is_what_counting_every_sample_gives(confidence: Fraction) -> None:
    for population, drawn in itertools.product(range(8), repeat=2):
        for found in range(drawn + 1 if drawn <= population else 0):
            possible = range(found, population - (drawn - found) + 1)
            credible = [
                bad for bad in possible if share_of_samples(population, bad, drawn, found) > 1 - confidence
            ]
            assert at_most(population, drawn, found, confidence) == max(credible), (population, drawn, found)


def test_a_small_table_by_hand() -> None:
    # 10 packages, 5 drawn, all good. With 3 bad, C(7,5)/C(10,5) = 21/252 = 8.3 % of samples show none; with
    # 4 bad, C(6,5)/C(10,5) = 6/252 = 2.4 %. So at 95 % the bound is 3, at 90 % it is 2 (C(8,5)/252 = 22 %).
    assert at_most(10, 5, 0, C95) == 3
    assert at_most(10, 5, 0, Fraction(9, 10)) == 2
    assert at_most(10, 5, 0, Fraction(231, 252)) == 2  # 21/252 is not more than 21/252
    assert at_most(10, 0, 0, C95) == 10
    assert at_most(10, 10, 4, C95) == 4
    assert at_most(0, 0, 0, C95) == 0
    assert at_most(1000, 59, 0, C95) == 48


def test_the_rule_of_three() -> None:
    """None bad among n of very many: at 95 % at most about 3/n (textbook rule, from memory)."""
    for n in (100, 300, 1000):
        bound = at_most(1_000_000, n, 0, C95) / 1_000_000
        assert 2.9 / n < bound < 3 / n


def test_the_bound_agrees_with_scipy() -> None:
    """Judge: scipy.stats.hypergeom.cdf, in both ways of computing and around the edge between them."""
    source = random.Random(20261)
    for _ in range(120):
        population = source.choice([50, 1000, 20_000, 1_000_000])
        drawn = source.randint(1, min(population, source.choice([30, 400, 10_000, 600_000])))
        found = source.choice([0, 0, 1, 3, drawn // 50, drawn // 3])
        found = min(found, drawn)
        bound = at_most(population, drawn, found, C95)
        # 1e-4: scipy's own error, and what we add on purpose where logarithms are used
        assert hypergeom.cdf(found, population, bound, drawn) > 0.05 * (1 - 1e-4)
        if bound < population - (drawn - found):
            assert hypergeom.cdf(found, population, bound + 1, drawn) < 0.05 * (1 + 1e-4)


def test_logarithms_and_whole_numbers_give_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    cases = [(1000, 59, 0), (20_000, 400, 7), (1_000_000, 300, 0), (1_000_000, 2000, 4), (300, 290, 100)]
    exact = [at_most(*case, C95) for case in cases]
    monkeypatch.setattr("provpack.model.sampling._EXACT_WORK", -1)
    assert [at_most(*case, C95) for case in cases] == exact


def test_the_size_of_a_sample() -> None:
    for population in (1, 2, 10, 99, 100, 101, 1000, 5000):
        for share in (Fraction(0), Fraction(1, 100), Fraction(1, 20), Fraction(1, 2)):
            size = needed(population, share, C95)
            too_many = int(share * population) + 1
            # Judge: scipy. With that many bad, a sample of this size shows none in at most 5 % of cases ...
            assert hypergeom.cdf(0, population, too_many, size) <= 0.05 * (1 + 1e-9)
            # ... and one fewer would not do.
            assert size == 1 or hypergeom.cdf(0, population, too_many, size - 1) > 0.05 * (1 - 1e-9)
            # so a sample in which all are good allows the statement it was made for
            assert at_most(population, size, 0, C95) <= share * population
    assert needed(0, Fraction(1, 100), C95) == 0
    assert needed(1_000_000, Fraction(1, 100), C95) == 298  # the 299 of an endless lot, less a little


def test_the_statement_holds_as_often_as_it_says() -> None:
    """2,000 random populations, one sample each: the bound holds in at least 95 % (seeded; 3 sigma below)."""
    source = random.Random(7)
    held = 0
    for turn in range(2000):
        population = source.randint(1, 400)
        bad = source.randint(0, population) if turn % 2 else source.randint(0, min(20, population))
        sample = draw(population, source.randint(1, population), seed=turn)
        found = sum(index < bad for index in sample)
        held += at_most(population, len(sample), found, C95) >= bad
    assert held / 2000 >= 0.95 - 3 * (0.95 * 0.05 / 2000) ** 0.5
    assert held / 2000 >= 0.95


def test_every_package_is_drawn_equally_often() -> None:
    """20 of 200, 4,000 times: each 400 times on average. Chi-square over 199 degrees of freedom, 99.9 %
    point about 267 (from memory of the tables; scipy agrees), less for drawing without replacement."""
    counts = [0] * 200
    for seed in range(4000):
        for index in draw(200, 20, seed):
            counts[index] += 1
    assert sum(counts) == 80_000
    assert sum((n - 400) ** 2 / 400 for n in counts) < 267


def test_the_same_seed_draws_the_same_for_ever() -> None:
    assert draw(1000, 5, 42) == draw(1000, 5, 42) == sorted(draw(1000, 5, 42))
    assert draw(1000, 5, 42) != draw(1000, 5, 43)
    # Value of our own, noted when this was written: a seed in an old mail must still draw the same packages.
    assert draw(1000, 5, 42) == [124, 290, 368, 394, 684]
    assert draw(3, 10, 1) == [0, 1, 2] and draw(0, 5, 1) == [] and draw(5, 0, 1) == []


@pytest.mark.parametrize("case", [(10, 11, 0), (10, 5, 6), (10, -1, 0), (-1, 0, 0)])
def test_what_is_no_sample(case: tuple[int, int, int]) -> None:
    with pytest.raises(ValueError, match="sample"):
        at_most(*case, C95)


@pytest.mark.parametrize("confidence", [Fraction(0), Fraction(1), Fraction(2)])
def test_what_is_no_confidence(confidence: Fraction) -> None:
    with pytest.raises(ValueError, match="confidence"):
        at_most(10, 5, 0, confidence)


@pytest.mark.parametrize("share", [Fraction(-1, 10), Fraction(1), Fraction(3, 2)])
def test_a_share_lies_from_0_to_below_1(share: Fraction) -> None:
    with pytest.raises(ValueError, match="a share is"):
        needed(100, share, Fraction(95, 100))


def test_fewer_found_than_there_must_be_is_not_credible() -> None:
    """9 bad of 10: of 5 drawn 4 at least are bad (counted by hand)."""
    assert _credible(10, 9, 5, 3, Fraction(1, 1000)) is False
    assert _credible(10, 9, 5, 4, Fraction(1, 1000)) is True
