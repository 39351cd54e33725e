"""The simulator of the block structure against the domain note, before anything is judged by it."""

from __future__ import annotations

from itertools import combinations
from typing import Literal

import numpy as np
import pytest
from support.interleave import AUDIO_WORDS, BURSTS, STEP_LINES, burst, conceal, lost_samples, play, runs_of

FRAMES = 3000


def lost(bits: Literal[14, 16], length: int, first: int = 400) -> np.ndarray:
    return lost_samples(FRAMES, burst(FRAMES, first, length), bits)


def longest(mask: np.ndarray) -> list[int]:
    return [max((n for _, n in runs_of(mask[:, c])), default=0) for c in range(2)]


@pytest.mark.parametrize("bits", [14, 16])
def test_the_longest_burst_corrected_and_the_first_that_is_not(bits: Literal[14, 16]) -> None:
    """Domain note 1.5, rows 1 and 2: 32 lines with P and Q, 16 with P alone."""
    most = {14: 32, 16: 16}[bits]
    for first in range(300, 420):  # wherever it falls
        assert not lost(bits, most, first).any()
        assert lost(bits, most + 1, first).any()


@pytest.mark.parametrize(("bits", "length", "most"), [(14, 33, 2), (16, 17, 1)])
def test_just_above_that_single_samples_on_a_grid(bits: Literal[14, 16], length: int, most: int) -> None:
    """Domain note 1.5, row 3: isolated single or double samples, 47 or 48 apart, over about 240 samples."""
    mask = lost(bits, length)
    assert max(longest(mask)) == most
    for c in range(2):
        runs = runs_of(mask[:, c])
        starts = [a for a, _ in runs]
        assert set(np.diff(starts)) <= {47, 48}
        assert 180 <= runs[-1][0] + runs[-1][1] - starts[0] <= 240


@pytest.mark.parametrize("bits", [14, 16])
def test_64_and_96_lines(bits: Literal[14, 16]) -> None:
    """Domain note 1.5, rows 4 and 5: never more than 4 in a row; 100 in a row per channel."""
    assert longest(lost(bits, 64)) == [4, 4]
    assert longest(lost(bits, 96)) == [100, 100]


def test_against_a_slow_count_word_by_word() -> None:
    """Each block on its own, with the offsets of domain note 1.1 written out."""
    for bits, words, correctable in ((14, 8, 2), (16, 7, 1)):
        for length in BURSTS:
            mask = lost(bits, length, 350)  # type: ignore[arg-type]
            for block in range(FRAMES // 3):
                gone = [350 <= block + offset < 350 + length for offset in range(0, STEP_LINES * words, 16)]
                hopeless = sum(gone) > correctable
                for word in range(AUDIO_WORDS):
                    assert mask[3 * block + word // 2, word % 2] == (hopeless and gone[word])


def test_what_the_decoder_puts_there() -> None:
    codes = np.zeros((8, 2), dtype=np.int16)
    codes[:, 0] = np.array([4, 8, 400, 400, 400, 20, 24, 28])
    codes[:, 1] = 40
    mask = np.zeros((8, 2), dtype=np.bool_)
    mask[2:5, 0] = True
    assert conceal(codes, mask, 14, "interpolation")[:, 0].tolist() == [4, 8, 8, 12, 16, 20, 24, 28]
    assert conceal(codes, mask, 14, "hold")[:, 0].tolist() == [4, 8, 8, 8, 8, 20, 24, 28]
    assert conceal(codes, mask, 14, "mute")[:, 0].tolist() == [4, 8, 0, 0, 0, 20, 24, 28]
    assert (conceal(codes, mask, 14, "none") & 3 == 0).all()  # 14-bit words whatever stands on the tape
    assert (conceal(codes, mask, 14, "mute")[:, 1] == 40).all()


def test_nothing_but_the_lost_samples_changes() -> None:
    codes = np.random.default_rng(3).integers(-8192, 8192, (FRAMES, 2)).astype(np.int16) * 4
    played = play(codes, bits=14, bursts=[(400, 64)], how="mute")
    assert (played.codes[~played.lost] == codes[~played.lost]).all()
    assert played.lost.any()
    assert (played.codes[played.lost] == 0).all()


def test_two_words_of_eight_can_be_corrected_and_three_cannot() -> None:
    """Not from the simulator but from the check words (domain note 1.1): P is the sum of the six words, Q
    that of T^6 L0 .. T^1 R2, T from x^14+x^8+1, over GF(2). What can be corrected is what two equations in
    words can be solved for."""

    def rank(rows: list[int]) -> int:
        rank = 0
        for bit in range(28):
            found = [r for r in rows if r >> bit & 1]
            if found:
                rank += 1
                rows = [r for r in rows if not r >> bit & 1] + [r ^ found[0] for r in found[1:]]
        return rank

    def turned(word: int, times: int) -> int:
        for _ in range(times):
            word = (word << 1) ^ (0x4101 if word & 0x2000 else 0)
        return word

    def unknowns(words: tuple[int, ...]) -> list[int]:
        """The effect of each bit of each lost word on (P, Q)."""
        return [
            {6: 1 << b, 7: 1 << (14 + b)}.get(w, (1 << b) | turned(1 << b, 6 - w) << 14)
            for w in words
            for b in range(14)
        ]

    for two in combinations(range(8), 2):
        assert rank(unknowns(two)) == 28
    for three in combinations(range(8), 3):
        assert rank(unknowns(three)) < 42
    assert all(rank([u & 0x3FFF for u in unknowns((w,))]) == 14 for w in range(6))  # P alone: any one
    assert all(rank([u & 0x3FFF for u in unknowns(w)]) < 28 for w in combinations(range(6), 2))
