"""The delay of one channel against the other: what one stretch answers, and what the stretches say together.

Expectations follow from the definition in provpack/measure/delay.py (domain note, section 4, and proposals);
the stretches are made from the formula of a pure delay, phase = -2 pi f d / fs, with a given coherence.
"""

from __future__ import annotations

import numpy as np
import pytest

from provpack.measure.delay import AGREE, REACH, DelayAnswer, file_delay, stretch_delay
from provpack.measure.spectra import BINS, WINDOW, Stretch

RATE = 44_100.0


def stretch(delay: float, *, coherence: float = 0.9, windows: int = 200, sign: int = 1) -> Stretch:
    """Level spectra whose second channel is `delay` samples late, sign -1: and upside down."""
    turn = np.exp(-2j * np.pi * np.arange(BINS) * delay / WINDOW)
    cross = sign * np.sqrt(coherence) * turn
    return Stretch(start=7, stop=1000, windows=windows, power=np.ones((2, BINS)), cross=cross)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("delay", [0.0, 0.5, -0.5, 0.3, -17.21, REACH - 0.5, -REACH + 0.1])
def test_a_pure_delay_is_found_exactly(delay: float, sign: int) -> None:
    found = stretch_delay(stretch(delay, sign=sign), RATE)
    assert found is not None
    assert found.samples == pytest.approx(delay, abs=1e-9)
    assert (found.start, found.stop, found.inverted) == (7, 1000, sign < 0)
    assert found.fit == pytest.approx(1.0) and found.coherence == pytest.approx(0.9)


def test_just_beyond_the_reach_there_is_no_answer() -> None:
    """There the best within reach lies on the flank of the true peak: it must not pass for one."""
    for hundredth in range(1, 300):
        for side in (1, -1):
            assert stretch_delay(stretch(side * (REACH + hundredth / 100)), RATE) is None


def test_little_coherence_needs_many_windows() -> None:
    """The error expected of the coherence is at most 0.02 samples, else there is no answer."""
    few, many = (stretch_delay(stretch(0.5, coherence=0.12, windows=n), RATE) for n in (4, 4000))
    assert few is None
    assert many is not None and 0 < many.error <= 0.02 and many.samples == pytest.approx(0.5)
    assert stretch_delay(stretch(0.5, coherence=0.0999, windows=4000), RATE) is None  # must be over 0.1
    surer = stretch_delay(stretch(0.5, coherence=0.12, windows=16_000), RATE)
    assert surer is not None and surer.error == pytest.approx(many.error / 2)


def answer(
    samples: float, *, error: float = 0.001, coherence: float = 0.5, inverted: bool = False
) -> DelayAnswer:
    return DelayAnswer(
        start=0, stop=1, samples=samples, error=error, coherence=coherence, fit=1.0, inverted=inverted
    )


def together(*samples: float) -> tuple[float | None, int, int]:
    found = file_delay(tuple(map(answer, samples)), looked_at=9)
    assert found.looked_at == 9
    return found.samples, found.agreeing, found.answering


def test_what_agrees_lies_within_two_hundredths_of_the_median() -> None:
    assert AGREE == 0.02
    assert together(-0.5, -0.5, -0.5, -0.484) == (-0.496, 4, 4)
    assert together(-0.5, -0.5, -0.5, -0.479) == (-0.5, 3, 4)
    assert together(-0.5, -0.5, -0.5, -0.521) == (-0.5, 3, 4)
    assert together(0.0, 0.03, 0.06, 0.09, 0.12) == (None, 1, 5)


def test_three_and_six_in_ten_must_agree() -> None:
    assert together() == (None, 0, 0)
    assert together(1.0, 1.0) == (None, 2, 2)
    assert together(1.0, 1.0, 1.0, 5.0, -5.0) == (1.0, 3, 5)
    assert together(1.0, 1.0, 1.0, 5.0, -5.0, 9.0) == (None, 3, 6)


def test_surer_stretches_count_for_more_and_scatter_makes_the_error_larger() -> None:
    found = file_delay((answer(0.51, error=0.001), answer(0.5, error=0.002), answer(0.5, error=0.002)), 3)
    # weights 4 : 1 : 1
    assert found.samples == pytest.approx(0.5067)
    # scattered: the standard deviation of 0.51, 0.5, 0.5 over the square root of two
    assert found.error == pytest.approx(np.std([0.51, 0.5, 0.5]) / np.sqrt(2), abs=1e-5)
    alike = file_delay((answer(0.5, error=0.01),) * 4, 4)
    assert (alike.samples, alike.error) == (0.5, 0.005)


def test_most_of_the_stretches_say_whether_a_channel_is_upside_down() -> None:
    turned = [answer(0.2, coherence=0.9, inverted=True)] * 3
    straight = [answer(0.7, coherence=0.1)] * 2
    found = file_delay((*turned, *straight), 5)
    assert (found.samples, found.inverted, found.agreeing, found.coherence) == (0.2, True, 3, 0.9)
    found = file_delay((*turned[:2], *straight, *straight), 6)
    assert (found.samples, found.inverted, found.agreeing, found.coherence) == (0.7, False, 4, 0.1)
    apart = file_delay((*turned[:2], *straight), 4)
    assert (apart.samples, apart.error, apart.inverted, apart.coherence) == (None, None, False, 0.5)
