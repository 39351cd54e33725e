"""What a random sample says about all packages from which it was drawn. Pure; exact but for huge figures.

Drawn at random without replacement, the number of packages that are not good in a sample follows the
hypergeometric distribution. From it come the bound (the largest number of packages in all of which are not
good that the sample does not contradict, one-sided, after Clopper and Pearson) and the size of a sample.
The confidence is that of the procedure: of all samples that could be drawn, at least this share leads to a
bound that holds.
"""

from __future__ import annotations

import math
import random
from fractions import Fraction

_EXACT_WORK = 50_000
"""Terms times length of a draw up to which whole numbers are used: below a tenth of a second."""
_DOUBT = 1e-5
"""By so much of itself a probability from logarithms is taken too large: errors of lgamma at 10 000 000 stay
far below it, so the bound can come out one too high, never too low."""


def at_most(population: int, drawn: int, not_good: int, confidence: Fraction) -> int:
    """Upper bound on the packages of the population that are not good, among the drawn ones included.

    not_good: of those drawn. confidence: above 0 and below 1. The bound is the largest number with which so
    few in the sample would still come out in more than 1 - confidence of all samples. Raises ValueError when
    the figures cannot be those of a sample.
    """
    _check(population, drawn, not_good, confidence)
    low, high = not_good, population - (drawn - not_good)
    while low < high:
        middle = (low + high + 1) // 2
        if _credible(population, middle, drawn, not_good, 1 - confidence):
            low = middle
        else:
            high = middle - 1
    return low


def needed(population: int, share: Fraction, confidence: Fraction) -> int:
    """How many to draw so that, if more than this share were not good, at least one of those would be drawn
    in at least `confidence` of all samples. share: from 0, below 1. 0 for an empty population."""
    _check(population, 0, 0, confidence)
    if not 0 <= share < 1:
        raise ValueError("a share is at least 0 and below 1")
    if population == 0:
        return 0
    too_many = math.floor(share * population) + 1  # the fewest that are more than the share
    low, high = 1, population - too_many + 1
    while low < high:
        middle = (low + high) // 2
        if _credible(population, too_many, middle, 0, 1 - confidence):
            low = middle + 1
        else:
            high = middle
    return low


def draw(population: int, wanted: int, seed: int) -> list[int]:
    """Indices of `wanted` of them (of all, if there are fewer), ascending, each set equally probable.

    The same seed draws the same: only Random.random() is used, whose sequence Python promises to keep
    (library reference, module random, "Notes on Reproducibility").
    """
    source = random.Random(seed)
    lots = sorted((source.random(), index) for index in range(population))
    return sorted(index for _, index in lots[: max(wanted, 0)])


def _check(population: int, drawn: int, not_good: int, confidence: Fraction) -> None:
    if not 0 <= not_good <= drawn <= population:
        raise ValueError("a sample holds no more than there is")
    if not 0 < confidence < 1:
        raise ValueError("a confidence is above 0 and below 1")


def _credible(population: int, bad: int, drawn: int, found: int, doubt: Fraction) -> bool:
    """Whether P(at most `found` of `bad` among `drawn` of `population`) > doubt; at the edge of what can be
    computed: True, which makes a bound larger and a sample larger."""
    fewest = max(0, drawn - (population - bad))
    if found < fewest:
        return False
    # The distribution is the same with the parts of `bad` and `drawn` exchanged: the smaller is the draw.
    size, marked = min(bad, drawn), max(bad, drawn)
    if (found - fewest + 1) * size <= _EXACT_WORK:
        ways = term = math.comb(marked, fewest) * math.comb(population - marked, size - fewest)
        for i in range(fewest, min(found, size)):
            term = term * ((marked - i) * (size - i)) // ((i + 1) * (population - marked - size + i + 1))
            ways += term
        return ways * doubt.denominator > doubt.numerator * math.comb(population, size)
    top = min(found, size)
    first = _log_comb(marked, top) + _log_comb(population - marked, size - top) - _log_comb(population, size)
    total = part = 1.0  # relative to the term at `top`
    for i in range(top, fewest, -1):
        part *= i * (population - marked - size + i) / ((marked - i + 1) * (size - i + 1))
        total += part
        if total > 1e200:
            return True  # the term at `top` is nothing beside those below it: nearly all of the distribution
    return first + math.log(total) + _DOUBT > math.log(doubt)


def _log_comb(n: int, k: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)
