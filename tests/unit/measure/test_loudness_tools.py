"""Loudness, peaks and RMS of music-like material against ffmpeg and sox.

ffmpeg `ebur128` is an independent implementation of BS.1770 with its own resampler for the true peak. It
takes momentary and short-term loudness every 100 ms (ours: 10 ms), so its maxima may only be lower. Versions
differ in whether the filter works at the rate of the file or at 48 kHz after resampling: the tolerances allow
for both. At 44100/1.001 Hz it can only be given the integer 44056.
"""

from __future__ import annotations

import math
import re
import subprocess
import wave
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from provpack.measure.block import Block
from provpack.measure.loudness import Loudness, LoudnessMeter
from provpack.measure.pcm import PcmLayout
from provpack.synth.music import Piece, render

SECONDS = 48
# Four passages of different level, so that the relative gate and the range have something to do.
PASSAGES = tuple(
    Piece(start_s=12.0 * i, seconds=12.0, seed=seed, gain=gain)
    for i, (seed, gain) in enumerate([(1, 1.0), (2, 0.25), (5, 0.1), (9, 0.6)])
)


@pytest.fixture(scope="module", params=[44100, 44056, 48000])
def material(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Loudness]:
    """A 16-bit stereo WAV, and what we measure in it. 44056 stands for 44100/1.001."""
    header: int = request.param
    rate = Fraction(44_100_000, 1001) if header == 44056 else Fraction(header)
    frames = SECONDS * header
    sound = np.concatenate(list(render(PASSAGES, sampling_frequency=rate, frames=frames)), axis=1)
    codes = np.round(sound.T * 1.25 * 32767).clip(-32768, 32767).astype("<i2")
    path = tmp_path_factory.mktemp("loudness") / f"music-{header}.wav"
    with wave.open(str(path), "wb") as out:
        out.setnchannels(2)
        out.setsampwidth(2)
        out.setframerate(header)
        out.writeframes(codes.tobytes())
    meter = LoudnessMeter(layout=PcmLayout(channels=2, container_bytes=2), rate=rate, frames=frames)
    for at in range(0, frames, 65536):
        meter.take(Block(at, codes[at : at + 65536], 1 << 15))
    return path, meter.finish()


def decibels(linear: str) -> float:
    return 20 * math.log10(float(linear))


def test_against_ffmpeg_ebur128(tool: Callable[[str], str], material: tuple[Path, Loudness]) -> None:
    """ffmpeg 5.1. Integrated +/-0.02 LU (it sorts blocks into steps of 0.01), range +/-0.1 LU, true peak per
    channel +/-0.1 dB (it prints three decimals of a linear peak), maxima 0 to 0.3 LU above those on its
    100 ms grid. At 44056 Hz integrated +/-0.05: its window of 17622 frames is not yet full after four steps
    of 4405, so it leaves out the first block, here a loud one worth 0.037 LU."""
    path, ours = material
    chain = "ebur128=peak=true:metadata=1,ametadata=mode=print:file=-"
    command = [tool("ffmpeg"), "-v", "error", "-nostdin", "-i", str(path), "-af", chain, "-f", "null", "-"]
    text = subprocess.run(command, check=True, capture_output=True, text=True, timeout=120).stdout
    found: dict[str, list[str]] = {}
    for key, value in re.findall(r"lavfi\.r128\.(\S+)=(\S+)", text):
        found.setdefault(key, []).append(value)

    within = 0.05 if path.stem.endswith("44056") else 0.02
    assert ours.integrated_lufs == pytest.approx(float(found["I"][-1]), abs=within)
    assert ours.range_lu == pytest.approx(float(found["LRA"][-1]), abs=0.1)
    assert -0.02 <= ours.max_momentary_lufs - max(map(float, found["M"])) <= 0.3
    assert -0.02 <= ours.max_short_term_lufs - max(map(float, found["S"])) <= 0.3
    for channel, key in zip(ours.channels, ("true_peaks_ch0", "true_peaks_ch1"), strict=True):
        assert channel.true_peak_dbtp == pytest.approx(decibels(found[key][-1]), abs=0.1)


def test_rms_and_sample_peak_against_sox_stats(
    tool: Callable[[str], str], material: tuple[Path, Loudness]
) -> None:
    """sox prints two decimals; its RMS includes DC, as ours does."""
    path, ours = material
    command = [tool("sox"), str(path), "-n", "stats"]
    text = subprocess.run(command, check=True, capture_output=True, text=True, timeout=60).stderr
    for name, label in (("rms_dbfs", "RMS lev dB"), ("sample_peak_dbfs", "Pk lev dB")):
        line = next(row for row in text.splitlines() if row.startswith(label))
        _, left, right = line.removeprefix(label).split()
        found = [getattr(channel, name) for channel in ours.channels]
        assert found == pytest.approx([float(left), float(right)], abs=0.006)


def test_true_peak_against_sox_rate(tool: Callable[[str], str], material: tuple[Path, Loudness]) -> None:
    """The sample peak of the file at eight times its rate, made by another resampler (band-limited at 95 % of
    the band, so the edge of the band may read a little less there; an 8x grid may read a little more)."""
    path, ours = material
    with wave.open(str(path)) as opened:
        header = opened.getframerate()
    command = [tool("sox"), str(path), "-n", "gain", "-6", "rate", "-v", str(8 * header), "stats"]
    text = subprocess.run(command, check=True, capture_output=True, text=True, timeout=120).stderr
    line = next(row for row in text.splitlines() if row.startswith("Pk lev dB"))
    _, left, right = line.removeprefix("Pk lev dB").split()
    found = [channel.true_peak_dbtp for channel in ours.channels]
    assert found == pytest.approx([float(left) + 6, float(right) + 6], abs=0.1)
