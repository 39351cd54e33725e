"""The tape: pre-emphasis against the analogue curve, codes of the recorded width, losses to the frame."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from fractions import Fraction
from typing import Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from provpack.synth.tape import (
    GRID,
    EmphasisChange,
    Span,
    TapePlan,
    boost_db,
    emphasis_filter,
    record,
)

FS = Fraction(44100)
FS_525 = Fraction(44100000, 1001)

# Domain note, table 3.1: boost of H(s) = (1 + s 50us)/(1 + s 15us) in dB; the time constants are those of
# IEC 60908. Computed for that note from the constants, independently of this code.
TABLE_3_1 = {
    100: 0.004, 200: 0.016, 500: 0.096, 1000: 0.370, 1500: 0.785, 2000: 1.293, 3000: 2.427, 3183: 2.636,
    4000: 3.538, 5000: 4.529, 6000: 5.378, 7000: 6.092, 8000: 6.688, 10000: 7.602, 11000: 7.950, 12000: 8.244,
    14000: 8.705, 15000: 8.887, 16000: 9.043, 18000: 9.296, 20000: 9.489,
}  # fmt: skip


def plan(
    *,
    bits: Literal[14, 16] = 14,
    emphasis: tuple[EmphasisChange, ...] = (),
    skew: bool = False,
    noise: float = 0.0,
    fs: Fraction = FS,
) -> TapePlan:
    return TapePlan(sampling_frequency=fs, bits=bits, emphasis=emphasis, skew=skew, noise=noise)


def blocks(sound: NDArray[np.float64], size: int = 4096) -> Iterator[NDArray[np.float64]]:
    for first in range(0, sound.shape[1], size):
        yield sound[:, first : first + size]


def off_tape(p: TapePlan, sound: NDArray[np.float64], size: int = 4096) -> NDArray[np.int16]:
    return np.concatenate(list(record(p, blocks(sound, size))))


def bright(frames: int, seed: int = 1) -> NDArray[np.float64]:
    return np.random.default_rng(seed).uniform(-0.5, 0.5, (2, frames))


@pytest.mark.parametrize("fs", [FS, FS_525])
def test_emphasis_follows_the_analogue_curve(fs: Fraction) -> None:
    taps = emphasis_filter(fs)
    for hertz, boost in TABLE_3_1.items():
        response = np.exp(-2j * np.pi * hertz / float(fs) * np.arange(len(taps))) @ taps
        assert 20 * np.log10(abs(response)) == pytest.approx(boost, abs=0.1 if hertz <= 16000 else 0.3)


def test_the_curve_itself_is_that_of_the_table() -> None:
    assert boost_db(np.array(list(TABLE_3_1), dtype=np.float64)) == pytest.approx(
        np.array(list(TABLE_3_1.values())), abs=0.0006
    )


@pytest.mark.parametrize(("hertz", "boost"), [(1000, 0.370), (5000, 4.529), (10000, 7.602), (16000, 9.043)])
@pytest.mark.parametrize("fs", [FS, FS_525])
def test_a_recorded_sine_is_boosted(fs: Fraction, hertz: int, boost: float) -> None:
    """The same through the whole recorder, as the ratio of two recordings (domain note, table 3.1)."""
    t = np.arange(40000) / float(fs)
    sine = np.stack([0.2 * np.sin(2 * np.pi * hertz * t)] * 2)
    on = (EmphasisChange(frame=0, on=True),)
    loud = off_tape(plan(bits=16, emphasis=on, fs=fs), sine)[2000:].astype(np.float64)
    flat = off_tape(plan(bits=16, fs=fs), sine)[2000:].astype(np.float64)
    assert 20 * np.log10(loud.std(axis=0) / flat.std(axis=0)) == pytest.approx(boost, abs=0.1)


def test_emphasis_changes_at_the_frame_named() -> None:
    sound = bright(20000)
    on = off_tape(plan(emphasis=(EmphasisChange(frame=0, on=True),)), sound)
    off = off_tape(plan(), sound)
    changes = (EmphasisChange(frame=5001, on=True), EmphasisChange(frame=12345, on=False))
    mixed = off_tape(plan(emphasis=changes), sound)
    assert np.array_equal(mixed[:5001], off[:5001])
    assert np.array_equal(mixed[5001:12345], on[5001:12345])
    assert np.array_equal(mixed[12345:], off[12345:])


def test_fourteen_bit_codes_in_sixteen_bits() -> None:
    """Codes -8192..8191 shifted left by 2: low bits zero, limits -32768 and +32764 (domain note 1.1, 2.4)."""
    codes = off_tape(plan(noise=1.0), bright(30000) * 8)
    assert codes.dtype == np.int16
    assert not (codes & 3).any()
    assert (codes >> 2 & 1).any()
    assert (codes.max(), codes.min()) == (32764, -32768)


def test_sixteen_bit_codes_use_the_lowest_bit_and_both_limits() -> None:
    codes = off_tape(plan(bits=16, noise=1.0), bright(30000) * 8)
    assert (codes & 1).any()
    assert (codes.max(), codes.min()) == (32767, -32768)


def test_the_right_channel_is_taken_half_a_sample_late() -> None:
    """One converter serves both channels; the right sample belongs to a later moment (domain note 2.2).

    Phase of a sine: half a sample at 3 kHz and 44.1 kHz is 360 x 3000 / 88200 degrees.
    """
    t = np.arange(44100) / 44100
    codes = off_tape(
        TapePlan(sampling_frequency=FS, bits=16, skew=True, noise=0),
        np.stack([np.sin(2 * np.pi * 3000 * t) / 2] * 2),
    )[2100:43050].astype(np.float64)
    turn = np.exp(-2j * np.pi * 3000 * np.arange(len(codes)) / 44100)
    left, right = (np.angle(codes[:, c] @ turn) for c in (0, 1))
    assert np.degrees(right - left) == pytest.approx(360 * 3000 / 88200, abs=0.02)


def test_losses_are_where_the_plan_says() -> None:
    sound = bright(30000)
    clean = off_tape(plan(), sound)
    p = TapePlan(
        sampling_frequency=FS,
        bits=14,
        skew=False,
        noise=0,
        leader=500,
        mutes=(Span(start=4000, length=700), Span(start=8192, length=1)),
        holds=(Span(start=12280, length=40),),
        interpolated=(Span(start=16380, length=10 * GRID),),
    )
    codes = off_tape(p, sound)
    assert not codes[:500].any()
    assert not codes[4000:4700].any()
    assert not codes[8192].any()
    assert (codes[12280:12320] == clean[12279]).all()
    single = np.arange(16380, 16380 + 10 * GRID, GRID)
    middle = ((clean[single - 1].astype(int) >> 2) + (clean[single + 1].astype(int) >> 2)) >> 1
    assert np.array_equal(codes[single], middle << 2)
    touched = np.concatenate(
        [np.arange(500), np.arange(4000, 4700), [8192], np.arange(12280, 12320), single]
    ).astype(int)
    untouched = np.setdiff1d(np.arange(30000), touched)
    assert np.array_equal(codes[untouched], clean[untouched])
    assert not (codes & 3).any()


@pytest.mark.parametrize("size", [37, 4096, 30000])
def test_block_size_does_not_change_a_sample(size: int) -> None:
    p = TapePlan(
        sampling_frequency=FS_525,
        bits=14,
        emphasis=(EmphasisChange(frame=700, on=True),),
        dc_offset=(3.0, -2.0),
        seed=4,
        mutes=(Span(start=100, length=90),),
        holds=(Span(start=0, length=5), Span(start=1000, length=300)),
        interpolated=(Span(start=36, length=2000),),
    )
    sound = bright(3000)
    assert np.array_equal(off_tape(p, sound, size), off_tape(p, sound, 999))


def test_converter_noise_and_offset() -> None:
    p = TapePlan(sampling_frequency=FS, bits=14, dc_offset=(3.0, -2.0), noise=1.0, seed=2)
    codes = off_tape(p, np.zeros((2, 50000))).astype(np.float64) / 4
    assert codes.mean(axis=0) == pytest.approx([3.0, -2.0], abs=0.02)
    # Triangular noise of +/-1 code has variance 1/6, rounding adds 1/12: the total is 1/4 (textbook).
    assert codes.var(axis=0) == pytest.approx([0.25, 0.25], abs=0.01)
    other = off_tape(TapePlan(sampling_frequency=FS, bits=14, noise=1.0, seed=3), np.zeros((2, 100)))
    assert not np.array_equal(other, off_tape(p, np.zeros((2, 100))))


def test_hiss_of_the_amplifiers_is_raised_by_the_emphasis() -> None:
    """White noise through the curve: the share from 9 to 11 kHz rises by 7.6 dB (domain note, table 3.1)."""

    def share(emphasis: tuple[EmphasisChange, ...]) -> float:
        p = TapePlan(sampling_frequency=FS, bits=16, emphasis=emphasis, noise=0, hiss=200.0, seed=6)
        left = off_tape(p, np.zeros((2, 1 << 17)))[:, 0].astype(np.float64)
        power = np.abs(np.fft.rfft(left)) ** 2
        hertz = np.fft.rfftfreq(len(left), 1 / 44100)
        return float(power[(hertz > 9000) & (hertz < 11000)].mean())

    raised = 10 * np.log10(share((EmphasisChange(frame=0, on=True),)) / share(()))
    assert raised == pytest.approx(7.6, abs=0.2)


def test_nothing_in_nothing_out() -> None:
    assert list(record(plan(), iter([np.zeros((2, 0))]))) == []
    assert Span(start=3, length=4).stop == 7


def test_memory_does_not_grow_with_the_tape() -> None:
    def peak(count: int) -> int:
        tracemalloc.start()
        for _ in record(plan(), (np.zeros((2, 8192)) for _ in range(count))):
            pass
        highest = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return highest

    peak(2)
    assert peak(60) < 1.1 * peak(6) + 50_000
