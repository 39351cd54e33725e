"""The loudness meter: filter, weights, silence, cuts, bounds, speed."""

from __future__ import annotations

import math
import time
import tracemalloc
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from scipy.signal import sosfilt

from provpack.errors import Bug
from provpack.measure import loudness
from provpack.measure.block import Block
from provpack.measure.filters import SosFilter, k_weighting
from provpack.measure.loudness import Loudness, LoudnessMeter, channel_weights
from provpack.measure.pcm import PcmLayout

EXACT = Fraction(44100000, 1001)


def measure(
    codes: np.ndarray, rate: Fraction, *, mask: int | None = None, cuts: list[int] | None = None
) -> Loudness:
    """16-bit codes, shape (frames, channels), given in blocks that end at the cuts."""
    meter = LoudnessMeter(
        layout=PcmLayout(channels=codes.shape[1], container_bytes=2),
        rate=rate,
        frames=len(codes),
        channel_mask=mask,
    )
    edges = [0, *(cuts if cuts is not None else range(65536, len(codes), 65536)), len(codes)]
    for a, b in pairwise(edges):
        meter.take(Block(a, codes[a:b], 1 << 15))
    return meter.finish()


def noise(frames: int, channels: int, seed: int) -> np.ndarray:
    """Noise in surges, as 16-bit codes."""
    rng = np.random.default_rng(seed)
    surge = 2000 * (1.2 + np.sin(np.arange(frames) / 9000.0))[:, None]
    return (rng.standard_normal((frames, channels)) * surge).clip(-32768, 32767).astype(np.int16)


def test_k_weighting_at_48_khz_is_the_table_of_the_standard() -> None:
    """BS.1770-5 Annex 1, Tables 1 and 2 (from memory)."""
    shelf = [1.53512485958697, -2.69169618940638, 1.19839281085285, 1, -1.69065929318241, 0.73248077421585]
    high_pass = [1, -2, 1, 1, -1.99004745483398, 0.99007225036621]
    assert k_weighting(Fraction(48000)) == pytest.approx(np.array([shelf, high_pass]), abs=1e-12)


def test_k_weighting_at_44056_hz() -> None:
    """Values of the standards note "broadcast-wave" section 10, computed there for the integer 44056."""
    shelf = [1.5307887024, -2.6504811201, 1.1687231667, 1, -1.6633236522, 0.7123544012]
    high_pass = [1, -2, 1, 1, -1.9891588863, 0.9891883070]
    assert k_weighting(Fraction(44056)) == pytest.approx(np.array([shelf, high_pass]), abs=1e-10)
    assert not np.allclose(k_weighting(EXACT), k_weighting(Fraction(44056)), rtol=0, atol=1e-9)


@pytest.mark.parametrize("rate", [Fraction(32000), EXACT, Fraction(44100), Fraction(96000)], ids=str)
def test_k_weighting_has_the_same_response_at_every_rate(rate: Fraction) -> None:
    """BS.1770-5 Annex 1: other rates need coefficients "chosen to provide the same frequency response that
    the specified filter provides at 48 kHz"; the bilinear transform keeps to it within 0.1 dB below 5 kHz."""
    hertz = np.array([20.0, 38.1, 100.0, 500.0, 1000.0, 1682.0, 3000.0, 5000.0])

    def response(r: Fraction) -> np.ndarray:
        z = np.exp(-2j * np.pi * hertz / float(r))
        size = np.ones(len(hertz))
        for b0, b1, b2, _, a1, a2 in k_weighting(r):
            size = size * np.abs((b0 + b1 * z + b2 * z * z) / (1 + a1 * z + a2 * z * z))
        return np.asarray(20 * np.log10(size))

    assert response(rate) == pytest.approx(response(Fraction(48000)), abs=0.1)


def test_k_weighting_refuses_a_rate_it_cannot_have() -> None:
    with pytest.raises(ValueError, match="3364"):
        k_weighting(Fraction(3000))


def test_the_filter_equals_the_difference_equation() -> None:
    rng = np.random.default_rng(5)
    x = rng.standard_normal(400)
    y = x
    for b0, b1, b2, _, a1, a2 in k_weighting(EXACT).tolist():
        out = np.zeros(len(y) + 2)
        inp = np.concatenate([[0.0, 0.0], y])
        for n in range(2, len(inp)):
            out[n] = b0 * inp[n] + b1 * inp[n - 1] + b2 * inp[n - 2] - a1 * out[n - 1] - a2 * out[n - 2]
        y = out[2:]
    filtered = SosFilter(k_weighting(EXACT), 1)
    pieces = [filtered.run(x[None, a:b]) for a, b in ((0, 1), (1, 150), (150, 400))]
    assert np.concatenate(pieces, axis=1)[0] == pytest.approx(y, abs=1e-12)


@pytest.mark.parametrize("rate", [Fraction(8000), EXACT, Fraction(192000)])
@pytest.mark.parametrize("piece", [7, 100, 1000, 65536])
def test_the_filter_equals_that_of_scipy(rate: Fraction, piece: int) -> None:
    """scipy.signal.sosfilt runs the recursion sample by sample; ours makes rows of 32 by matrix products, and
    groups of rows by others. Differences are those of rounding, of which the recursion has its share."""
    rng = np.random.default_rng(piece)
    x = np.cumsum(rng.standard_normal((2, 70_000)), axis=1) / 300.0 + 0.3
    x = x[:, : 40 * piece]
    filtered = SosFilter(k_weighting(rate), 2)
    pieces = [filtered.run(np.ascontiguousarray(x[:, a : a + piece])) for a in range(0, x.shape[1], piece)]
    expected = sosfilt(k_weighting(rate), x, axis=-1)
    assert np.concatenate(pieces, axis=1) == pytest.approx(expected, rel=0, abs=1e-10)


def test_the_filter_comes_to_rest_in_silence() -> None:
    """And the long tail of the high-pass never reaches the denormal numbers, which are slow."""
    filtered = SosFilter(k_weighting(Fraction(44100)), 1)
    filtered.run(np.ones((1, 1000)))
    tail = np.concatenate([filtered.run(np.zeros((1, 4096))) for _ in range(12)], axis=1)[0]
    assert abs(tail[100]) > 1e-6
    assert tail[-1] == 0.0
    steady = np.abs(tail[tail != 0.0])
    assert steady.min() > 1e-60


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("rate", "channels"), [(EXACT, 2), (Fraction(48000), 1), (Fraction(44100), 3)])
def test_cuts_change_nothing(rate: Fraction, channels: int, seed: int) -> None:
    codes = noise(300_000, channels, seed)
    rng = np.random.default_rng(seed)
    cuts = sorted(rng.integers(0, len(codes), 40).tolist())
    cuts = sorted({*cuts, *range(1000, 1200), cuts[3]})
    assert measure(codes, rate, cuts=cuts) == measure(codes, rate)


def test_against_the_definition_written_out() -> None:
    """BS.1770-5 Annex 1 and Tech 3341/3342 straight from the filtered signal, no grid, no streaming."""
    codes = noise(48000 * 9 + 777, 2, 11)
    filtered = SosFilter(k_weighting(Fraction(48000)), 2).run(codes.T / 32768.0)
    power = (filtered**2).sum(axis=0)

    def windows(width: int, step: int) -> np.ndarray:
        return np.array([power[a : a + width].mean() for a in range(0, len(power) - width + 1, step)])

    def lufs(p: float) -> float:
        return -0.691 + 10 * math.log10(p)

    found = measure(codes, Fraction(48000))
    blocks = windows(19200, 4800)
    kept = blocks[blocks > blocks.mean() / 10]
    assert found.gating_blocks == len(blocks) and found.gated_blocks == len(kept)
    assert found.integrated_lufs == pytest.approx(lufs(kept.mean()), abs=1e-9)
    assert found.max_momentary_lufs == pytest.approx(lufs(windows(19200, 480).max()), abs=1e-9)
    assert found.max_short_term_lufs == pytest.approx(lufs(windows(144000, 480).max()), abs=1e-9)


def test_windows_follow_the_exact_rate() -> None:
    """At 44100/1.001 Hz an hour has 36000 tenths of a second; at 44056 Hz the last would be missing."""
    meter = LoudnessMeter(layout=PcmLayout(channels=1, container_bytes=2), rate=EXACT, frames=0)
    assert meter._edge(360_000) == round(3600 * EXACT) == 158_601_399
    assert all(440 <= meter._edge(k + 1) - meter._edge(k) <= 441 for k in range(1000))


@pytest.mark.parametrize("seed", range(6))
def test_no_window_is_lost_between_pieces(seed: int) -> None:
    """Every window of 40 and of 300 cells, wherever the pieces end; each 100 ms once."""
    rng = np.random.default_rng(seed)
    cells = rng.random(900) ** 8
    windows = loudness._Windows()
    for piece in np.split(cells, np.sort(rng.integers(0, 901, 60))):
        windows.take(piece)
    for found, width in ((windows.momentary, 40), (windows.short_term, 300)):
        assert found == pytest.approx(max(cells[a : a + width].sum() for a in range(901 - width)), rel=1e-12)
    assert list(windows.tenths) == pytest.approx(cells.reshape(-1, 10).sum(axis=1), rel=1e-12)


@pytest.mark.parametrize(("width", "name"), [(40, "momentary"), (300, "short_term")])
def test_a_window_is_seen_wherever_it_crosses_a_cut(width: int, name: str) -> None:
    for start in range(420):
        cells = np.zeros(800)
        cells[start : start + width] = 1.0
        windows = loudness._Windows()
        for piece in np.split(cells, [1, 350, 350, 377, 420]):
            windows.take(piece)
        assert getattr(windows, name) == float(width), start


def test_one_channel_counts_once() -> None:
    codes = noise(44100 * 4, 1, 3)
    one, two = measure(codes, Fraction(44100)), measure(codes.repeat(2, axis=1), Fraction(44100))
    for name in ("integrated_lufs", "max_momentary_lufs", "max_short_term_lufs"):
        assert getattr(two, name) - getattr(one, name) == pytest.approx(10 * math.log10(2), abs=1e-9)
    assert one.range_lu == pytest.approx(two.range_lu, abs=1e-9)
    assert one.weights == (1.0,) and one.notes == ()


@pytest.mark.parametrize("codes", [np.zeros((200_000, 2), np.int16), np.zeros((0, 2), np.int16)])
def test_silence_and_nothing_are_none_never_zero(codes: np.ndarray) -> None:
    found = measure(codes, Fraction(44100))
    assert found.integrated_lufs is None and found.range_lu is None
    assert found.max_momentary_lufs is None and found.max_short_term_lufs is None
    assert found.max_true_peak_dbtp is None
    for channel in found.channels:
        assert (channel.sample_peak_dbfs, channel.true_peak_dbtp, channel.rms_dbfs) == (None, None, None)
    assert set(found.contour.points) <= {None}


def test_short_files_say_what_they_can() -> None:
    codes = noise(44100 * 2, 2, 1)
    found = measure(codes, Fraction(44100))
    assert found.integrated_lufs is not None and found.max_momentary_lufs is not None
    assert found.max_short_term_lufs is None and found.range_lu is None  # no whole 3 s
    tiny = measure(codes[:17639], Fraction(44100))  # one frame short of 400 ms
    assert tiny.max_momentary_lufs is None and tiny.integrated_lufs is None and tiny.gating_blocks == 0
    assert tiny.max_true_peak_dbtp is not None
    assert measure(codes[:17640], Fraction(44100)).gating_blocks == 1


def test_rms_and_peaks_of_a_known_signal() -> None:
    """A full-scale sine: RMS -3.01 dB; the other channel a constant, whose RMS and peak are its level."""
    n = 48000
    sine = np.round(32767 * np.sin(2 * np.pi * 1000 / 48000 * np.arange(n))).astype(np.int16)
    found = measure(np.stack([sine, np.full(n, -16384, np.int16)], axis=1), Fraction(48000))
    left, right = found.channels
    assert left.rms_dbfs == pytest.approx(20 * math.log10(32767 / 32768 / math.sqrt(2)), abs=1e-3)
    assert left.sample_peak_dbfs == pytest.approx(20 * math.log10(32767 / 32768), abs=1e-9)
    assert right.rms_dbfs == pytest.approx(20 * math.log10(0.5), abs=1e-9)
    assert right.sample_peak_dbfs == pytest.approx(20 * math.log10(0.5), abs=1e-9)
    assert left.true_peak_dbtp >= left.sample_peak_dbfs and right.true_peak_dbtp >= right.sample_peak_dbfs


@pytest.mark.parametrize(
    ("channels", "mask", "weights", "noted"),
    [
        (1, None, (1.0,), False),
        (2, 0x30, (1.0, 1.0), False),  # two channels are two channels, whatever the mask
        (4, None, (1.0,) * 4, True),
        (6, 0, (1.0,) * 6, True),
        (6, 0x3, (1.0,) * 6, True),  # names only two places
        (6, 0x8000003F & ~0x20, (1.0,) * 6, True),  # a bit that names no place
        (6, 0x3F, (1.0, 1.0, 1.0, 0.0, 1.41, 1.41), False),
        (6, 0x60F, (1.0, 1.0, 1.0, 0.0, 1.41, 1.41), False),
        (8, 0x63F, (1.0, 1.0, 1.0, 0.0, 1.0, 1.0, 1.41, 1.41), False),  # back at 135 degrees: 1.0
        (3, 0x7, (1.0, 1.0, 1.0), False),
    ],
)
def test_channel_weights(channels: int, mask: int | None, weights: tuple[float, ...], noted: bool) -> None:
    """BS.1770-5 Annex 1, Table 3 and Annex 3; mask bits of WAVEFORMATEXTENSIBLE."""
    found, note = channel_weights(channels, mask)
    assert found == weights
    assert (note is not None) is noted


def test_low_frequency_effects_do_not_count() -> None:
    codes = noise(44100, 6, 2)
    loud = codes.copy()
    loud[:, 3] = np.clip(loud[:, 3].astype(int) * 8, -32768, 32767)
    rate = Fraction(44100)
    assert measure(loud, rate, mask=0x3F).integrated_lufs == measure(codes, rate, mask=0x3F).integrated_lufs
    assert measure(loud, rate).integrated_lufs > measure(codes, rate).integrated_lufs + 3
    assert measure(loud, rate).notes and not measure(loud, rate, mask=0x3F).notes


def test_a_rate_too_low_for_the_filter_leaves_the_peaks() -> None:
    found = measure(noise(30_000, 1, 4), Fraction(6000))
    assert found.integrated_lufs is None and found.max_momentary_lufs is None
    assert found.channels[0].rms_dbfs is not None and "8000 Hz" in found.notes[0]


def test_beyond_the_cap_nothing_is_claimed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loudness, "MAX_TENTHS", 50)
    found = measure(noise(44100 * 8, 1, 6), Fraction(44100))
    assert (found.integrated_lufs, found.range_lu, found.tenths_left_out) == (None, None, 30)
    assert found.max_momentary_lufs is not None and len(found.notes) == 1


def test_missing_frames_are_a_bug() -> None:
    meter = LoudnessMeter(layout=PcmLayout(channels=1, container_bytes=2), rate=Fraction(44100), frames=1000)
    meter.take(Block(0, noise(999, 1, 0), 1 << 15))
    with pytest.raises(Bug, match="999 of 1000"):
        meter.finish()


def test_the_contour_is_bounded_and_in_its_place() -> None:
    """10 s of silence, 10 s of noise, 130 s of silence: 1500 tenths, thinned to pairs."""
    rate = Fraction(8000)
    codes = np.zeros((8000 * 150, 1), np.int16)
    codes[80_000:160_000] = noise(80_000, 1, 9)
    contour = measure(codes, rate).contour
    assert contour.step_s == 0.2 and len(contour.points) == 750
    heard = [i * contour.step_s for i, p in enumerate(contour.points) if p is not None and p > -60]
    assert heard[0] == pytest.approx(10.0, abs=0.21) and heard[-1] == pytest.approx(23.0, abs=0.21)
    assert contour.points[:14] == (None,) * 14


def test_memory_stays_flat() -> None:
    """80 bytes per second of audio beside a few stretches: less than one block (512 KiB) in 3 minutes."""
    codes = noise(65536, 2, 8)

    def peak(blocks: int) -> int:
        meter = LoudnessMeter(
            layout=PcmLayout(channels=2, container_bytes=2), rate=Fraction(44100), frames=blocks * 65536
        )
        tracemalloc.start()
        for k in range(blocks):
            meter.take(Block(k * 65536, codes, 1 << 15))
        size = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return size

    assert peak(120) < peak(10) + 300_000


@pytest.mark.perf
def test_speed() -> None:
    """Share of the analysis: 1.5 ms per second of stereo at 44.1 kHz on one core, blocks of 65536."""
    from provpack.synth.music import Piece, render

    rate, seconds = Fraction(44100), 30
    pieces = (Piece(start_s=0.0, seconds=float(seconds), seed=3),)
    music = np.concatenate(list(render(pieces, sampling_frequency=rate, frames=44100 * seconds)), axis=1)
    codes = np.round(music.T * 32767).astype(np.int16)
    blocks = [Block(a, codes[a : a + 65536], 1 << 15) for a in range(0, len(codes), 65536)]
    for block in blocks:
        assert block.planar.shape[0] == 2  # decoded beforehand: that cost is shared
    best = math.inf
    for _ in range(8):
        meter = LoudnessMeter(layout=PcmLayout(channels=2, container_bytes=2), rate=rate, frames=len(codes))
        start = time.perf_counter()
        for block in blocks:
            meter.take(block)
        meter.finish()
        best = min(best, time.perf_counter() - start)
    print(f"loudness and true peak: {best / seconds * 1e3:.2f} ms per second, {seconds / best:.0f}x")
    assert best / seconds < 1.5e-3
