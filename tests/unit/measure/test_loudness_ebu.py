"""The synthetic signals of EBU Tech 3341 and Tech 3342, and analytic ones that those do not cover.

Sources: EBU Tech 3341 v4 Table 1 and Tech 3342 v4 Table 1 as transcribed in the standards note
"broadcast-wave" section 10 (where steps and tails of cases 10, 11, 13, 14 are marked as from memory).
Levels are peak dBFS per channel of a 1 kHz sine, in phase in all channels, phase-continuous.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

import numpy as np
import pytest

from provpack.measure.block import Block
from provpack.measure.loudness import Loudness, LoudnessMeter, integrated, loudness_range
from provpack.measure.pcm import PcmLayout

R48 = Fraction(48000)
RATES = [R48, Fraction(44100), Fraction(44100000, 1001)]
SILENT = -math.inf
MASK_5_0 = 0x37  # front left, right, centre, back left, right


def tone(
    levels: Sequence[tuple[float, float]], rate: Fraction = R48, gains_db: Sequence[float] = (0.0, 0.0)
) -> np.ndarray:
    """A 1 kHz sine at (peak dBFS, seconds) each, shape (frames, channels), full scale 1.0."""
    edges = np.cumsum([0.0, *(seconds for _, seconds in levels)])
    frames = np.round(edges * float(rate)).astype(int)
    wave = np.sin(2 * np.pi * 1000.0 / float(rate) * np.arange(frames[-1]))
    for (level, _), a, b in zip(levels, frames[:-1], frames[1:], strict=True):
        wave[a:b] *= 10 ** (level / 20)
    return wave[:, None] * 10 ** (np.array(gains_db) / 20)


def measure(wave: np.ndarray, rate: Fraction = R48, mask: int | None = None) -> Loudness:
    """Through 24-bit codes, in blocks of 65536 frames."""
    codes = np.round(wave * (1 << 23)).astype(np.int32)
    meter = LoudnessMeter(
        layout=PcmLayout(channels=codes.shape[1], container_bytes=3),
        rate=rate,
        frames=len(codes),
        channel_mask=mask,
    )
    for at in range(0, len(codes), 65536):
        meter.take(Block(at, codes[at : at + 65536], 1 << 23))
    return meter.finish()


@pytest.mark.parametrize("rate", RATES, ids=str)
@pytest.mark.parametrize("level", [-23.0, -33.0])
def test_3341_cases_1_and_2(rate: Fraction, level: float) -> None:
    found = measure(tone([(level, 20.0)], rate), rate)
    assert found.integrated_lufs == pytest.approx(level, abs=0.1)
    assert found.max_momentary_lufs == pytest.approx(level, abs=0.1)
    assert found.max_short_term_lufs == pytest.approx(level, abs=0.1)
    assert found.range_lu == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("rate", RATES, ids=str)
@pytest.mark.parametrize(
    "levels",
    [
        pytest.param([(-36, 10), (-23, 60), (-36, 10)], id="case 3"),
        pytest.param([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], id="case 4"),
        pytest.param([(-26, 20), (-20, 20.1), (-26, 20)], id="case 5"),
    ],
)
def test_3341_cases_3_to_5(rate: Fraction, levels: list[tuple[float, float]]) -> None:
    assert measure(tone(levels, rate), rate).integrated_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("rate", RATES, ids=str)
def test_3341_case_6(rate: Fraction) -> None:
    """5.0: left and right -28, centre -24, surrounds -30."""
    wave = tone([(0.0, 20.0)], rate, (-28, -28, -24, -30, -30))
    found = measure(wave, rate, MASK_5_0)
    assert found.weights == (1.0, 1.0, 1.0, 1.41, 1.41)
    assert found.integrated_lufs == pytest.approx(-23.0, abs=0.1)
    # With all channels alike the surrounds count 1.5 dB less: the case is able to tell.
    assert measure(wave, rate).integrated_lufs == pytest.approx(-23.37, abs=0.1)


def test_3341_case_9() -> None:
    """Short-term is -23.0 constantly after 3 s: so is its maximum, and its range is nil."""
    found = measure(tone([(-20, 1.34), (-30, 1.66)] * 5))
    assert found.max_short_term_lufs == pytest.approx(-23.0, abs=0.1)
    assert found.range_lu == pytest.approx(0.0, abs=0.1)
    after = [p for p in found.contour.points if p is not None]
    assert len(after) > 100 and max(after) - min(after) < 0.1


@pytest.mark.parametrize("i", range(20))
def test_3341_cases_10_and_11(i: int) -> None:
    ten = measure(tone([(SILENT, 0.15 * i), (-23, 3.0), (SILENT, 1.0)]))
    assert ten.max_short_term_lufs == pytest.approx(-23.0, abs=0.1)
    eleven = measure(tone([(SILENT, 0.15 * i), (-38 + i, 3.0), (SILENT, 1.0)]))
    assert eleven.max_short_term_lufs == pytest.approx(-38.0 + i, abs=0.1)


def test_3341_case_12() -> None:
    assert measure(tone([(-20, 0.18), (-30, 0.22)] * 25)).max_momentary_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("i", range(20))
def test_3341_cases_13_and_14(i: int) -> None:
    """A grid of 100 ms would under-read some of these by up to 0.46 LU."""
    thirteen = measure(tone([(SILENT, 0.02 * i), (-23, 0.4), (SILENT, 1.0)]))
    assert thirteen.max_momentary_lufs == pytest.approx(-23.0, abs=0.1)
    fourteen = measure(tone([(SILENT, 0.02 * i), (-38 + i, 0.4), (SILENT, 1.0)]))
    assert fourteen.max_momentary_lufs == pytest.approx(-38.0 + i, abs=0.1)


@pytest.mark.parametrize("late_s", [0.003, 0.005, 0.0075])
def test_a_burst_off_the_grid_is_read_a_little_low(late_s: float) -> None:
    """The 10 ms grid misses a 400 ms burst by 5 ms at most: 10 log10(395/400) = -0.055 LU."""
    found = measure(tone([(SILENT, late_s), (-23, 0.4), (SILENT, 1.0)])).max_momentary_lufs
    assert -23.08 <= found <= -22.99


@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        pytest.param((-20, -30), 10.0, id="case 1"),
        pytest.param((-20, -15), 5.0, id="case 2"),
        pytest.param((-40, -20), 20.0, id="case 3"),
        pytest.param((-50, -35, -20, -35, -50), 15.0, id="case 4"),
    ],
)
def test_3342_cases_1_to_4(levels: tuple[float, ...], expected: float) -> None:
    """20 s per level; the standard allows 1 LU, the arithmetic far less."""
    assert measure(tone([(level, 20.0) for level in levels])).range_lu == pytest.approx(expected, abs=0.1)


def test_full_scale_reference_tone() -> None:
    """BS.1770-5 Annex 1: a 0 dBFS sine of 997 Hz in one channel reads -3.01 LKFS (from memory)."""
    wave = np.sin(2 * np.pi * 997 / 48000 * np.arange(48000 * 5)) * (1 - 2.0**-23)
    left_only = np.stack([wave, np.zeros_like(wave)], axis=1)
    assert measure(left_only).integrated_lufs == pytest.approx(-3.01, abs=0.01)


# Analytic: what the synthetic cases of the EBU do not catch. Two levels of equal length, d LU apart: the mean
# power lies m = 10 log10((1 + 10**(-d/10)) / 2) below the loud one, the relative gate 10 LU lower still, so
# the soft half counts exactly when d < 10 - m, about 12.8 LU.


def two_level_loudness(d: float) -> float:
    return 10 * math.log10((1 + 10 ** (-d / 10)) / 2)


@pytest.mark.parametrize(("d", "soft_counts"), [(11.6, True), (12.5, True), (13.1, False), (13.7, False)])
def test_the_relative_gate_is_10_lu(d: float, soft_counts: bool) -> None:
    """With a gate at -8 LU the soft half of 11.6 would be left out (2.7 LU off), with one at -12 LU that
    of 13.7 would count (2.8 LU off)."""
    found = measure(tone([(-20, 60), (-20 - d, 60)]))
    expected = -20 + (two_level_loudness(d) if soft_counts else 0.0)
    assert found.integrated_lufs == pytest.approx(expected, abs=0.05)


def test_the_absolute_gate_comes_before_the_relative_one() -> None:
    """40 s of tone at -20 and 20 s of a softer one after 120 s of silence. At -31 the soft part counts (mean
    of the tones -21.6, gate -31.6); at -33 it does not. Were the silence part of that mean, the gate would
    lie 4.8 LU lower and let it in."""
    silence = [(SILENT, 120.0)]
    counted = measure(tone([*silence, (-20, 40), (-31, 20)])).integrated_lufs
    assert counted == pytest.approx(-20 + 10 * math.log10((2 + 10**-1.1) / 3), abs=0.05)
    assert measure(tone([*silence, (-20, 40), (-33, 20)])).integrated_lufs == pytest.approx(-20, abs=0.05)


def test_the_absolute_gate_is_70_lufs() -> None:
    assert measure(tone([(-69.7, 5)])).integrated_lufs == pytest.approx(-69.7, abs=0.05)
    below = measure(tone([(-70.3, 5)]))
    assert (below.integrated_lufs, below.gated_blocks, below.range_lu) == (None, 0, None)
    assert below.max_momentary_lufs == pytest.approx(-70.3, abs=0.1)  # maxima are not gated


def test_the_gate_is_applied_once_to_the_mean_of_power() -> None:
    """Powers 100, 1, 1: mean 34, threshold 3.4. (A mean of decibels would keep the two.)"""
    level, kept = integrated(np.array([100.0, 1.0, 1.0]))
    assert kept == 1 and level == pytest.approx(-0.691 + 20.0)


def test_percentiles_are_the_10th_and_the_95th() -> None:
    """A tone that falls evenly from -20 to -40 in 100 s: short-term loudness is spread evenly over 20 LU, and
    the range is 85 percent of what the windows cover (5 to 95 would give 17.5, 10 to 90 15.5)."""
    seconds = 100.0
    n = int(48000 * seconds)
    fall = 10 ** (-(20 + 20 * np.arange(n) / n) / 20)
    wave = (tone([(0.0, seconds)])[:, 0] * fall)[:, None].repeat(2, axis=1)
    assert measure(wave).range_lu == pytest.approx(0.85 * 20 * (seconds - 3) / seconds, abs=0.03)


def test_percentiles_are_nearest_rank() -> None:
    """Tech 3342, reference code: sorted(round((n - 1) p / 100) + 1), counted from 1 (from memory)."""
    decibels = np.arange(-40.0, -19.0)  # 21 values: ranks 2 and 19
    power = 10 ** (decibels[::-1] / 10)
    assert loudness_range(power) == pytest.approx(17.0)
    assert loudness_range(power[:16]) == pytest.approx(12.0)  # n = 16: 1.5 -> 2 and 14.25 -> 14


@pytest.mark.parametrize(("soft_db", "expected"), [(-38.0, 18.0), (-41.5, 0.0)])
def test_the_gate_of_the_range_is_20_lu(soft_db: float, expected: float) -> None:
    """80 values at -20, 20 at a softer level: mean -20.9 or -21.0, gate -40.9 or -41.0."""
    power = 10 ** (np.array([-20.0] * 80 + [soft_db] * 20) / 10)
    assert loudness_range(power) == pytest.approx(expected)


def test_the_range_leaves_out_what_is_below_70_lufs() -> None:
    loud = 10 ** (np.array([-60.0] * 50 + [-65.0] * 50) / 10)
    quiet = 10 ** (np.array([-75.0] * 900) / 10)  # within 20 LU of the rest
    assert loudness_range(np.concatenate([loud, quiet])) == pytest.approx(5.0)
    assert loudness_range(quiet) is None
