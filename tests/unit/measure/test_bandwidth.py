"""Bandwidth and traces of earlier conversions (domain note section 4, row bandwidth)."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from support.spectral_sound import coded, filtered, measure, music, shaped

from provpack.measure.bandwidth import Bandwidth, quantising_floor_db

FRAMES = 44100 * 10


def walled(wall: tuple[float, float], bits: int = 16, seed: int = 0) -> Bandwidth:
    """Pink noise that ends between two frequencies, at 44.1 kHz; more than 16 bits go into 24."""
    rng = np.random.default_rng(seed)
    sound = np.stack(
        [filtered(shaped(rng, FRAMES, -0.5), 44100, [1, 1, 0, 0], [0, *wall, 22051]) for _ in range(2)]
    )
    container = 16 if bits <= 16 else 32
    return measure(coded(sound, bits, container, rng=rng), container=container).bandwidth


@pytest.mark.parametrize("wall", [15000.0, 16000.0, 17000.0])
@pytest.mark.parametrize("bits", [14, 16])
def test_a_lower_wall_hints_at_a_lossy_or_broadcast_ancestor(wall: float, bits: int) -> None:
    result = walled((wall, wall + 200), bits)
    assert [h.kind for h in result.hints] == ["lower_wall"]
    hint = result.hints[0]
    assert hint.hertz == pytest.approx(wall + 150, abs=200) and hint.windows >= 3
    assert hint.strength == "moderate" and "lossy" in hint.words and "made that way" in hint.words
    assert result.hertz[0] == pytest.approx(wall + 100, abs=150)


def test_a_wall_at_20_khz_is_weak_unless_more_than_16_bits_are_used() -> None:
    plain, processed = walled((20000, 20300), 16), walled((20000, 20300), 24)
    assert [(h.kind, h.strength) for h in plain.hints] == [("top_wall", "weak")]
    assert [(h.kind, h.strength) for h in processed.hints] == [("top_wall", "moderate")]
    assert "filter" in plain.hints[0].words and "conversion" in plain.hints[0].words


def test_a_wall_at_half_of_another_rate_names_it() -> None:
    rng = np.random.default_rng(1)
    frames = 48000 * 10
    sound = filtered(shaped(rng, frames, -0.5), 48000, [1, 1, 0, 0], [0, 21700, 22050, 24001])
    result = measure(coded(np.stack([sound, sound]), 24, 32, rng=rng), rate=Fraction(48000), container=32)
    (hint,) = result.bandwidth.hints
    assert hint.kind == "top_wall" and hint.strength == "moderate" and "44100" in hint.words


def test_a_slow_filter_to_half_the_rate_is_no_wall() -> None:
    # A recorder's filter as the note describes it: falling from near 20 kHz.
    result = walled((19500, 22050))
    assert result.hints == () and result.slope_db_per_khz[0] is not None and result.slope_db_per_khz[0] < -1


def test_images_after_linear_interpolation() -> None:
    codes = music(15, 4, skew=False, bits=16).astype(np.float64) / 32768
    at = np.arange(48000 * 15) * 44100 / 48000
    sound = np.stack([np.interp(at, np.arange(len(codes)), codes[:, c]) for c in (0, 1)])
    result = measure(coded(sound, 16), rate=Fraction(48000)).bandwidth
    assert "images" in [h.kind for h in result.hints]
    hint = next(h for h in result.hints if h.kind == "images")
    assert hint.hertz in (22028.0, 22050.0) and hint.figure >= 0.6


@pytest.mark.parametrize("rate", ["96k", "128k"])
def test_a_real_lossy_coder_leaves_its_wall(tmp_path: Path, tool: Callable[[str], str], rate: str) -> None:
    # Outside coder: ffmpeg with libmp3lame, decoded again by ffmpeg.
    import soundfile

    rng = np.random.default_rng(2)
    codes = coded(np.stack([shaped(rng, FRAMES, -0.5), shaped(rng, FRAMES, -0.5)]), 16, rng=rng)
    soundfile.write(tmp_path / "a.wav", codes, 44100, subtype="PCM_16")
    quiet = [tool("ffmpeg"), "-hide_banner", "-loglevel", "error", "-y", "-i"]
    coder = ["-c:a", "libmp3lame", "-b:a", rate]
    subprocess.run([*quiet, str(tmp_path / "a.wav"), *coder, str(tmp_path / "a.mp3")], check=True)
    subprocess.run([*quiet, str(tmp_path / "a.mp3"), str(tmp_path / "b.wav")], check=True)
    back, _ = soundfile.read(tmp_path / "b.wav", dtype="int16")
    assert measure(codes).bandwidth.hints == ()
    result = measure(back).bandwidth
    assert [h.kind for h in result.hints] == ["lower_wall"] and 14000 < result.hints[0].hertz < 18000


def test_a_dull_programme_hides_the_bandwidth() -> None:
    rng = np.random.default_rng(3)
    sound = filtered(shaped(rng, FRAMES, -1.0), 44100, [1, 1, 0, 0], [0, 5000, 8000, 22051])
    result = measure(coded(np.stack([sound, sound]), 14, rng=rng)).bandwidth
    assert result.hertz == (None, None) and result.hints == ()


def test_the_floor_of_the_word_length() -> None:
    # Rounding alone: step^2/12 (textbook; measured here on a 14-bit white sound).
    rng = np.random.default_rng(4)
    sound = rng.uniform(-3, 3, FRAMES) / 8192
    from provpack.measure.spectra import Transformer

    error = (coded(sound, 14)[:, 0] / 32768 - sound)[None].astype(np.float32)
    unit = Transformer(channels=1, rate=44100.0)(0, error[:, :65536])
    assert unit is not None
    density = 10 * np.log10((unit.power.sum(axis=(0, 1)) / sum(unit.windows))[20:-20].mean())
    assert density == pytest.approx(quantising_floor_db(14, 44100.0), abs=0.1)


def test_no_hint_on_100_clean_seeds() -> None:
    """White, pink and dull noise, 6 s; the long run is in test_spectra_alarms.py (-m perf)."""
    frames = 4 * 65536
    chance = np.random.default_rng(5)
    pool = [shaped(chance, frames, slope, -26.0) for slope in (0.0, -0.5, -1.0, -2.0)]
    for seed in range(100):
        rng = np.random.default_rng(seed)
        pair = [np.roll(pool[(seed + k) % 4], int(rng.integers(frames))) for k in (0, seed % 3)]
        assert measure(coded(np.stack(pair), (14, 16)[seed % 2], rng=rng)).bandwidth.hints == (), seed


@pytest.mark.parametrize("seed", range(4))
def test_the_invented_music_is_clean(seed: int) -> None:
    assert measure(music(15, seed, skew=True)).bandwidth.hints == ()
