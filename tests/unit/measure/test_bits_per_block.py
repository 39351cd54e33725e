"""Bits in use per block and per stretch. A 14-bit code in 16 bits is shifted left by two: domain note 1.1."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from support.interleave import analyse, falling_noise, music

from provpack.measure.bits import MAX_STRETCHES, BitsResult
from provpack.measure.pcm import PcmLayout


def loud(seed: int, frames: int, bits: int = 16) -> np.ndarray:
    codes = np.random.default_rng(seed).normal(0, 3000, (frames, 2)).astype(np.int16)
    return codes >> (16 - bits) << (16 - bits)


def test_histogram_equals_the_obvious_count() -> None:
    codes = loud(1, 200_000)
    codes[40_000:90_000] &= ~3
    codes[100_000:140_000, 1] = 0
    rate = Fraction(2000)  # 10 s are 20 000 frames
    got = analyse(codes, rate=rate).bits
    assert got.block_frames == 20_000
    for c in range(2):
        count: dict[int, int] = {}
        for at in range(0, 200_000, 20_000):
            mask = int(np.bitwise_or.reduce(codes[at : at + 20_000, c])) & 0xFFFF
            bits = 16 - (mask & -mask).bit_length() + 1 if mask else 0
            count[bits] = count.get(bits, 0) + 1
        assert got.channels[c].histogram == tuple(sorted(count.items()))


def test_ten_seconds_at_the_exact_rate_and_without_one() -> None:
    codes = loud(1, 1000)
    assert analyse(codes, rate=Fraction(44_100_000, 1001)).bits.block_frames == 440_559
    assert analyse(codes, rate=None).bits.block_frames == 441_000


@pytest.mark.parametrize(("declared", "usual"), [(16, 16), (None, 16)])
def test_a_stretch_decoded_as_14_in_a_16_bit_recording(declared: int | None, usual: int) -> None:
    """Domain note 1.3: a 16-bit tape decoded as 14-bit loses two bits."""
    codes = loud(2, 300_000)
    codes[100_003:150_000] &= ~3
    got = analyse(codes, declared_bits=declared)
    assert got.bits.usual_bits == usual
    for channel in got.bits.channels:
        (stretch,) = channel.other
        assert stretch.bits == 14
        assert abs(stretch.start - 100_003) < 32
        assert abs(stretch.start + stretch.length - 150_000) < 32
    (event,) = [e for e in got.events if e.type == "other"]
    assert event.channel is None
    assert "14 bits in use" in event.note


def test_a_stretch_decoded_as_16_in_a_14_bit_recording() -> None:
    """Domain note 1.3: a 14-bit tape decoded as 16-bit shows check bits in the two lowest bits."""
    codes = music(4, 4, bits=14, level="loud", tone="dull")
    codes[60_000:90_000] |= np.random.default_rng(1).integers(0, 4, (30_000, 2), dtype=np.int16)
    for declared in (14, None):
        (stretch,) = analyse(codes, declared_bits=declared).bits.channels[0].other
        assert stretch.bits == 16
        assert abs(stretch.start - 60_000) < 32
        assert abs(stretch.start + stretch.length - 90_000) < 400  # until the sound has moved again


def test_the_whole_file_wider_or_narrower_than_declared() -> None:
    wide = analyse(loud(5, 50_000), declared_bits=14).bits
    assert [s.bits for s in wide.channels[0].other] == [16]
    assert wide.channels[0].other_frames == 50_000
    narrow = analyse(loud(5, 50_000, 14), declared_bits=16).bits
    assert [s.bits for s in narrow.channels[0].other] == [14]


def test_a_lost_s_word_shows_as_a_burst_of_multiples_of_four() -> None:
    """Domain note 4: 16 lines, so 48 samples, without their two lowest bits."""
    codes = loud(6, 200_000)
    for at in range(20_000, 180_000, 20_000):
        codes[at : at + 48] &= ~3
    starts = [s.start for s in analyse(codes, declared_bits=16).bits.channels[0].other]
    assert len(starts) == 8
    assert all(0 <= s % 20_000 < 16 for s in starts)


@pytest.mark.parametrize("tone", ["bright", "dull"])
@pytest.mark.parametrize("bits", [14, 16])
def test_quiet_sound_has_one_word_length(bits: int, tone: str) -> None:
    for seed in range(4):
        codes = music(seed, 3, bits=bits, level="quiet", tone=tone)  # type: ignore[arg-type]
        for declared in (bits, None):
            got = analyse(codes, declared_bits=declared).bits
            assert got.usual_bits == bits
            assert not any(c.other for c in got.channels)
    codes = falling_noise(1, 200_000, bits=bits, dbfs=-60, slope=-9)
    assert not any(c.other for c in analyse(codes, declared_bits=bits).bits.channels)


def test_one_stray_sample_is_a_short_stretch() -> None:
    codes = loud(7, 100_000, 14)
    codes[50_000, 1] |= 1
    got = analyse(codes, declared_bits=14).bits
    assert not got.channels[0].other
    (stretch,) = got.channels[1].other
    assert stretch.start <= 50_000 < stretch.start + stretch.length
    assert stretch.length <= 64


def test_a_flickering_word_length_is_capped_and_counted() -> None:
    codes = loud(8, 400_000, 14)
    codes[::80] |= 1
    got: BitsResult = analyse(codes, declared_bits=14).bits
    assert all(len(c.other) <= MAX_STRETCHES for c in got.channels)
    assert got.left_out > 2000
    assert max(s.length for s in got.channels[0].other) <= 80  # none stands for those left out
    cells = (np.bitwise_or.reduce(codes[:, 0].reshape(-1, 16), axis=1) & 3) != 0
    assert 16 * int(cells.sum()) <= got.channels[0].other_frames <= 400_000


def test_bits_in_use_against_sox(tmp_path: Path, tool: Callable[[str], str]) -> None:
    """sox 14.4.2 manual, stats: the right-hand Bit-depth figure is "the standard definition of bit-depth i.e.
    bits less significant than the given number are fixed at zero"; the left-hand one counts the top too."""
    for bits in (9, 12, 14, 16):
        codes = loud(bits, 20_000, bits)
        raw = tmp_path / "codes.raw"
        raw.write_bytes(codes.astype("<i2").tobytes())
        form = ["-t", "raw", "-e", "signed", "-b", "16", "-c", "2", "-r", "44100", "-L"]
        made = subprocess.run(
            [tool("sox"), *form, str(raw), "-n", "stats"], capture_output=True, text=True, check=True
        )
        (line,) = [row for row in made.stderr.splitlines() if row.startswith("Bit-depth")]
        figures = [int(cell.split("/")[1]) for cell in line.split()[1:]]
        mine = [c.bits for c in analyse(codes).bits.channels]
        assert figures == [max(mine), *mine]


def test_silence_says_nothing() -> None:
    got = analyse(np.zeros((50_000, 2), dtype=np.int16)).bits
    assert got.usual_bits is None
    assert got.channels[0].histogram == ((0, 1),)
    assert not got.channels[0].other


def test_14_bits_at_the_top_of_24() -> None:
    """Domain note 2.3: ten zero bits below."""
    codes = loud(9, 60_000, 14).astype(np.int32) << 8
    layout = PcmLayout(channels=2, container_bytes=3)
    got = analyse(codes, declared_bits=14, layout=layout).bits
    assert got.channels[0].histogram == ((14, 1),)
    assert not got.channels[0].other
    codes[30_000:40_000] += 1  # processed: all 24 bits in use
    (stretch,) = analyse(codes, declared_bits=14, layout=layout).bits.channels[0].other
    assert stretch.bits == 24
