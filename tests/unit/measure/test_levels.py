"""Level basics against a slow, obvious computation, and against sox as an independent reader."""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from provpack.errors import Bug, InputProblem
from provpack.measure.levels import ENVELOPE_BINS, Levels, LevelsSink, Run
from provpack.measure.pcm import PcmLayout, samples


def pack(codes: np.ndarray, width: int) -> bytes:
    """Codes (frames, channels) as little-endian PCM of `width` bytes."""
    out = bytearray()
    for code in codes.reshape(-1).tolist():
        out += bytes([code + 128]) if width == 1 else code.to_bytes(width, "little", signed=True)
    return bytes(out)


def measure(data: bytes, layout: PcmLayout, pieces: int = 10**9) -> Levels:
    sink = LevelsSink(layout, len(data) // layout.frame_bytes)
    for at in range(0, len(data), pieces):
        sink.feed(data[at : at + pieces])
    return sink.finish()


def slow_silence(codes: np.ndarray) -> list[Run]:
    runs, start = [], None
    quiet = [not any(frame) for frame in codes.tolist()] + [False]
    for i, q in enumerate(quiet):
        if q and start is None:
            start = i
        if not q and start is not None:
            if i - start >= 64:
                runs.append(Run(start=start, length=i - start))
            start = None
    return runs


@settings(max_examples=60, deadline=None)
@given(
    width=st.sampled_from([1, 2, 3, 4]),
    channels=st.integers(1, 3),
    frames=st.integers(0, 1500),
    piece=st.integers(1, 5000),
    seed=st.integers(0, 999),
)
def test_equals_the_obvious_computation(
    width: int, channels: int, frames: int, piece: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    top = 1 << (8 * width - 1)
    codes = rng.integers(-top, top, (frames, channels))
    if frames > 200:
        codes[50 : 50 + int(rng.integers(1, 140))] = 0
        codes[-int(rng.integers(1, 100)) :] = 0
    data = pack(codes, width)
    got = measure(data, PcmLayout(channels=channels, container_bytes=width), piece)
    assert got.frames == frames
    assert list(got.digital_silence) == slow_silence(codes)
    assert got.silence_frames == sum(r.length for r in slow_silence(codes))
    for c in range(channels):
        level, mine = got.channels[c], codes[:, c].tolist()
        assert level.min_code == min(mine, default=0)
        assert level.max_code == max(mine, default=0)
        assert level.dc_offset_codes == pytest.approx(sum(mine) / frames if frames else 0, abs=1e-6)
        mask = 0
        for code in mine:
            mask |= code & ((1 << 8 * width) - 1)
        assert level.or_mask == mask
        zeros = len(bin(mask)) - len(bin(mask).rstrip("0")) if mask else 8 * width
        assert level.effective_bits == 8 * width - zeros
    step = got.envelope.frames_per_bin
    assert len(got.envelope.bins) <= ENVELOPE_BINS
    for i, bin_ in enumerate(got.envelope.bins):
        part = codes[i * step : (i + 1) * step]
        assert list(bin_) == [(int(part[:, c].min()), int(part[:, c].max())) for c in range(channels)]


@pytest.mark.parametrize("pieces", [1, 3, 7, 250, 10**9])
@pytest.mark.parametrize("width", [1, 2, 3, 4])
def test_frames_and_silence_cut_by_the_pieces_are_whole(width: int, pieces: int) -> None:
    """Figures by hand: ten frames of sound, seventy of silence, ten of sound, sixty-four of silence."""
    codes = np.zeros((154, 2), dtype=np.int64)
    codes[:10], codes[80:90] = (-128, 3), (127, -5)
    got = measure(pack(codes, width), PcmLayout(channels=2, container_bytes=width), pieces)
    assert got.frames == 154
    assert got.digital_silence == (Run(start=10, length=70), Run(start=90, length=64))
    left, right = got.channels
    assert (left.min_code, left.max_code, right.min_code, right.max_code) == (-128, 127, -5, 3)
    assert left.dc_offset_codes * 154 == pytest.approx(-10)  # ten times -128 and ten times 127
    assert right.dc_offset_codes * 154 == pytest.approx(-20)


def test_samples_of_24_bit_keep_their_value() -> None:
    codes = [-(1 << 23), -1, 0, 1, (1 << 23) - 1]
    data = b"".join(c.to_bytes(3, "little", signed=True) for c in codes)
    assert samples(data, PcmLayout(channels=1, container_bytes=3)).tolist() == codes


def test_fourteen_bits_in_sixteen_are_seen() -> None:
    codes = np.arange(-8192, 8192).reshape(-1, 2) * 4  # 14-bit code shifted left 2: domain note 1.1
    level = measure(codes.astype("<i2").tobytes(), PcmLayout(channels=2, container_bytes=2)).channels[1]
    assert level.effective_bits == 14
    assert level.max_code == 32764  # the true top code of 14 bits in 16: domain note 2.4


def test_a_measurement_that_missed_bytes_gives_no_figures() -> None:
    sink = LevelsSink(PcmLayout(channels=2, container_bytes=2), 10)
    sink.feed(b"\0" * 36)
    with pytest.raises(Bug):
        sink.finish()


def test_an_impossible_layout_is_refused() -> None:
    with pytest.raises(InputProblem):
        LevelsSink(PcmLayout(channels=2, container_bytes=5), 10)


def test_peak_and_dc_agree_with_sox(tmp_path: Path, tool: Callable[[str], str]) -> None:
    """Outside check: sox `stats` (Pk lev dB, DC offset, Bit-depth)."""
    import wave

    rng = np.random.default_rng(7)
    codes = (rng.standard_normal((44100, 2)) * 2000 + [120, -300]).astype("<i2") & ~3
    path = tmp_path / "x.wav"
    with wave.open(str(path), "wb") as w:
        w.setnchannels(2)
        w.setsampwidth(2)
        w.setframerate(44100)
        w.writeframes(codes.tobytes())
    got = measure(codes.tobytes(), PcmLayout(channels=2, container_bytes=2))
    out = subprocess.run(
        [tool("sox"), str(path), "-n", "stats"], capture_output=True, text=True, check=True
    ).stderr
    rows = {m[1].strip(): m[2].split() for m in re.finditer(r"^(\S+(?: \S+)*?)\s{2,}(.+)$", out, re.M)}
    for c in range(2):
        assert float(rows["DC offset"][c + 1]) == pytest.approx(
            got.channels[c].dc_offset_codes / 32768, abs=2e-6
        )
        peak = got.channels[c].peak_dbfs
        assert peak is not None
        assert float(rows["Pk lev dB"][c + 1]) == pytest.approx(peak, abs=0.01)
        # sox gives used/available: the second figure counts down to the lowest bit in use, as ours does.
        assert rows["Bit-depth"][c + 1].endswith(f"/{got.channels[c].effective_bits}")
    assert math.isclose(
        got.channels[0].peak_dbfs or 0, 20 * math.log10(abs(codes[:, 0]).max() / 32768), abs_tol=1e-4
    )
