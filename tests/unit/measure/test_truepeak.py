"""True peak: EBU Tech 3341 cases 15 to 23, and the shortcut against interpolating everything."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from provpack.measure.truepeak import HALF, OVERSAMPLING, TruePeak, bending, interpolator

FS = 48000


def linear(planar: np.ndarray, cuts: list[int] | None = None) -> tuple[tuple[float, float], ...]:
    """(sample peak, true peak) per channel, given in pieces that end at the cuts."""
    meter = TruePeak(len(planar))
    edges = [0, *(cuts if cuts is not None else []), planar.shape[1]]
    for a, b in pairwise(edges):
        meter.take(np.ascontiguousarray(planar[:, a:b], dtype=np.float32))
    return meter.finish()


def dbtp(wave: np.ndarray) -> float:
    return 20 * math.log10(linear(wave[None, :])[0][1])


def everything(samples: np.ndarray) -> float:
    """The definition: all four phases of the whole signal, float64."""
    x = samples.astype(np.float32).astype(np.float64)
    return max(
        float(np.abs(x).max()), *(float(np.abs(np.convolve(x, t[::-1])).max()) for t in interpolator())
    )


def faded(wave: np.ndarray, rate: int = FS) -> np.ndarray:
    """20 ms raised-cosine fades: an abrupt start rings by up to 0.7 dB."""
    n = rate // 50
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(n) / n)
    wave = wave.copy()
    wave[:n] *= ramp
    wave[-n:] *= ramp[::-1]
    return wave


@pytest.mark.parametrize(
    ("case", "divisor", "amplitude", "degrees", "expected"),
    [
        (15, 4, 0.50, 0.0, -6.0),
        (16, 4, 0.50, 45.0, -6.0),
        (17, 6, 0.50, 60.0, -6.0),
        (18, 8, 0.50, 67.5, -6.0),
        (19, 4, 1.41, 45.0, 3.0),
    ],
)
def test_3341_cases_15_to_19(
    case: int, divisor: int, amplitude: float, degrees: float, expected: float
) -> None:
    """EBU Tech 3341 v4 Table 1 via the standards note "broadcast-wave" section 10: +0.2/-0.4 dB."""
    n = np.arange(2 * FS)
    wave = faded(amplitude * np.sin(2 * np.pi * n / divisor + np.deg2rad(degrees)))
    assert np.abs(wave).max() <= 1.0
    assert expected - 0.4 <= dbtp(wave) <= expected + 0.2, case


@pytest.mark.parametrize("offset", range(4))
def test_3341_cases_20_to_23(offset: int) -> None:
    """fs/6 at 0.50 with one period of fs/4 at 1.00, built at 4 fs, low-passed, every fourth sample kept from
    the given offset on (same source)."""
    slow = 0.5 * np.sin(2 * np.pi * np.arange(24 * 2000) / 24)
    fast = np.sin(2 * np.pi * np.arange(16) / 16)
    at_4fs = faded(np.concatenate([slow, fast, slow]), 4 * FS)
    t = np.arange(-512, 513) / 4
    low_pass = 0.92 * np.sinc(0.92 * t) * np.kaiser(len(t), 8.0) / 4  # to 0.46 fs
    wave = np.convolve(at_4fs, low_pass, mode="same")[offset::4]
    assert -0.4 <= dbtp(wave) <= 0.2


def test_without_oversampling_the_cases_would_fail() -> None:
    """Case 16: the samples reach 0.354, 3 dB below the peak between them."""
    wave = faded(0.5 * np.sin(2 * np.pi * np.arange(FS) / 4 + np.pi / 4))
    (sample, true), *_ = linear(wave[None, :])
    assert 20 * math.log10(true / sample) == pytest.approx(3.01, abs=0.1)


@pytest.mark.parametrize("seed", range(12))
def test_left_out_rows_never_hold_the_peak(seed: int) -> None:
    """Equal to interpolating everything, to float64 rounding, wherever the stream is cut."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 40_000))
    waves = [
        rng.standard_normal(n) * 0.1,
        np.clip(rng.standard_normal(n), -0.5, 0.5),
        np.where(rng.random(n) < 0.001, rng.standard_normal(n), 0.0),
        np.sin(np.arange(n) * rng.uniform(0.01, 3.1)) * np.linspace(0.0, 1.0, n),
        (-1.0) ** np.arange(n) * (rng.random(n) < 0.5),
    ]
    planar = np.array(waves, dtype=np.float32)
    cuts = sorted(rng.integers(0, n + 1, int(rng.integers(0, 30))).tolist())
    for wave, (sample, true) in zip(waves, linear(planar, cuts), strict=True):
        assert sample == float(np.abs(wave.astype(np.float32)).max())
        assert true == pytest.approx(everything(wave), rel=1e-12)


def blocks_looked_at(monkeypatch: pytest.MonkeyPatch, wave: np.ndarray) -> int:
    """How many blocks of 512 intervals were interpolated."""
    looked_at = 0
    original = TruePeak._interpolate

    def counted(self: TruePeak, windows: np.ndarray, blocks: np.ndarray, near: float, peak: float) -> float:
        nonlocal looked_at
        looked_at += blocks.size
        return original(self, windows, blocks, near, peak)

    monkeypatch.setattr(TruePeak, "_interpolate", counted)
    linear(wave[None, :].astype(np.float32))
    return looked_at


def test_most_blocks_of_a_signal_with_one_peak_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(1)
    wave = np.clip(rng.standard_normal(64_000) * 0.03, -0.2, 0.2)
    wave[30_000] = 0.9
    assert 1 <= blocks_looked_at(monkeypatch, wave) <= 2  # of 125


def test_most_blocks_of_a_loud_low_tone_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """All of it is as loud as the peak, but between samples that bend so little no peak can hide."""
    wave = 0.8 * np.sin(2 * np.pi * 400.3 / 44100 * np.arange(128_000))
    wave[64_000] = 0.83
    assert 1 <= blocks_looked_at(monkeypatch, wave) <= 4  # of 250


@pytest.mark.parametrize("divisor", [4.0, 3.3, 2.6, 5.1])
def test_a_peak_between_lower_samples_is_not_left_out(divisor: float) -> None:
    """Samples of a high tone below those of a low one, while the signal between them rises above."""
    n = np.arange(4096)
    low = faded(0.8 * np.sin(2 * np.pi * n / 97.3))
    high = faded(0.95 * np.sin(2 * np.pi * n / divisor + np.pi / 4))
    high *= min(1.0, 0.79 / float(np.abs(high).max()))
    wave = np.concatenate((low, np.zeros(1000), high)).astype(np.float32)
    (_, true), *_ = linear(wave[None, :])
    assert true == pytest.approx(everything(wave), rel=1e-12)
    assert divisor != 4.0 or true > 0.9


def test_no_point_passes_the_bound_by_the_bend() -> None:
    """The worst that 32 samples of second difference within 1 and greater neighbour 0 can do is the sum the
    function gives: found by taking each sign as the taps have it."""
    worst = 0.0
    for taps in interpolator():
        centre = float(taps @ np.arange(-HALF + 1, HALF + 1))
        # Samples with second differences d, and both neighbours of the point at 0: two cumulative sums from
        # the middle outwards. The point is linear in d, so unit vectors show the weight of each.
        weights = []
        for k in range(1, 2 * HALF - 1):
            d = np.zeros(2 * HALF)
            d[k] = 1.0
            x = np.zeros(2 * HALF)
            for n in range(HALF + 1, 2 * HALF):
                x[n] = 2 * x[n - 1] - x[n - 2] + d[n - 1]
            for n in range(HALF - 2, -1, -1):
                x[n] = 2 * x[n + 1] - x[n + 2] + d[n + 1]
            weights.append(float(taps @ x))
        assert 0.0 < centre < 1.0
        worst = max(worst, float(np.abs(weights).sum()))
    assert worst == pytest.approx(bending(), rel=1e-9)


@pytest.mark.parametrize("where", [0, 1, 17, 31, 32, 63, 99])
@pytest.mark.parametrize("length", [1, 2, 33, 64, 100])
def test_peaks_at_either_end_are_seen(where: int, length: int) -> None:
    """Two equal samples side by side rise between them, also when they are the first or the last."""
    wave = np.zeros(length)
    at = min(where, length - 1)
    wave[max(0, at - 1) : at + 1] = 0.5
    (_, true), *_ = linear(wave[None, :])
    assert true == pytest.approx(everything(wave), rel=1e-12)
    assert true > 0.6 if at else true == 0.5


def test_silence_has_no_peak() -> None:
    assert linear(np.zeros((2, 1000))) == ((0.0, 0.0), (0.0, 0.0))
    assert linear(np.zeros((1, 0))) == ((0.0, 0.0),)


def test_the_interpolator_is_flat_and_passes_dc() -> None:
    """As the module docstring says: 0.04 dB to 0.45 of the sampling frequency, the middle phase symmetric."""
    taps = interpolator()
    assert taps.shape == (OVERSAMPLING - 1, 2 * HALF)
    assert taps.sum(axis=1) == pytest.approx(np.ones(3), abs=1e-12)
    assert taps[1] == pytest.approx(taps[1][::-1], abs=1e-15)
    assert taps[0] == pytest.approx(taps[2][::-1], abs=1e-15)
    f = np.linspace(0.0, 0.45, 500)
    response = np.abs(taps @ np.exp(-2j * np.pi * np.outer(np.arange(2 * HALF), f)))
    assert np.abs(20 * np.log10(response)).max() < 0.04


@pytest.mark.parametrize("f", [0.05, 0.1, 0.2, 0.25, 0.4, 0.45])
def test_a_sine_is_under_read_by_no_more_than_the_grid_allows(f: float) -> None:
    """BS.1770-5 Annex 2, attachment 1: worst case 20 log10 cos(pi f / 4) for a sine of f times fs."""
    worst = 20 * math.log10(math.cos(math.pi * f / OVERSAMPLING))
    for phase in np.linspace(0.0, np.pi, 7):
        wave = faded(0.5 * np.sin(2 * np.pi * f * np.arange(FS // 2) + phase))
        assert worst - 0.045 <= dbtp(wave) - 20 * math.log10(0.5) <= 0.045


# BS.1770-5 Annex 2: the 48-tap, four-phase interpolator it prints as one that will do (from memory).
ANNEX_2 = (
    (0.001708984375, 0.010986328125, -0.0196533203125, 0.033203125, -0.0594482421875, 0.1373291015625,
     0.97216796875, -0.102294921875, 0.047607421875, -0.026611328125, 0.014892578125, -0.00830078125),
    (-0.0291748046875, 0.029296875, -0.0517578125, 0.089111328125, -0.16650390625, 0.465087890625,
     0.77978515625, -0.2003173828125, 0.1015625, -0.0582275390625, 0.0330810546875, -0.0189208984375),
)  # fmt: skip


@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_the_filter_printed_in_the_standard(seed: int) -> None:
    """On programme without much at the top of the band: its passband is flat within 0.25 dB, so 0.3 dB."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal(FS))
    hertz = np.arange(len(spectrum))
    wave = np.fft.irfft(np.where(hertz > 40, spectrum / np.maximum(hertz, 40), 0) * (hertz < 16000))
    wave = faded(0.7 * wave / np.abs(wave).max())
    phases = [np.array(p) for p in ANNEX_2] + [np.array(p)[::-1] for p in ANNEX_2]
    annex = max(float(np.abs(np.convolve(wave, p)).max()) for p in phases)
    assert dbtp(wave) == pytest.approx(20 * math.log10(annex), abs=0.3)
