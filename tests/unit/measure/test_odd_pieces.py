"""Sound that comes in pieces smaller than what is measured of it, and rates whose fractions are long.

No source outside the project: every expectation follows from the definition in the docstring of the function.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from provpack.measure.block import Block
from provpack.measure.deemphasis import TOP, Deemphasis, EmphasisRange
from provpack.measure.emphasis import EmphasisMeter
from provpack.measure.levels import LevelsSink
from provpack.measure.loudness import LoudnessMeter
from provpack.measure.pcm import PcmLayout

STEREO = PcmLayout(container_bytes=2, channels=2)
MONO = PcmLayout(container_bytes=2, channels=1)


def test_a_bin_of_the_envelope_goes_on_over_pieces() -> None:
    codes = np.random.default_rng(6).integers(-9000, 9000, (50_000, 2), dtype=np.int16)
    seen = []
    for size in (len(codes) * 4, 999 * 4, 4):
        sink = LevelsSink(STEREO, len(codes))
        data = codes[: 8000 if size == 4 else None].tobytes()
        if size == 4:
            sink = LevelsSink(STEREO, 8000)
        for at in range(0, len(data), size):
            sink.feed(data[at : at + size])
        seen.append(sink.finish())
    assert seen[0] == seen[1]
    whole = LevelsSink(STEREO, 8000)
    whole.feed(codes[:8000].tobytes())
    assert seen[2] == whole.finish()


def test_the_same_block_for_every_analyser_is_made_once() -> None:
    block = Block(0, np.array([[16384, -32768]], dtype=np.int16), STEREO.full_scale)
    assert block.planar.tolist() == [[0.5], [-1.0]]
    assert block.planar is block.planar


@pytest.mark.parametrize("rate", [Fraction(44100), Fraction(44_100_000, 1001), Fraction(180_633_601, 4096),
                                  Fraction(44100 * 10**12 + 1, 10**12)])  # fmt: skip
def test_cells_begin_at_the_nearest_frame_whatever_the_rate(rate: Fraction) -> None:
    """Cell k begins at the frame nearest to k hundredths of a second; by exact fractions, halves up."""
    meter = LoudnessMeter(layout=MONO, rate=rate, frames=44100)
    expected = [int(k * rate / 100 + Fraction(1, 2)) for k in range(30)]
    assert [edge for edge in meter._edges(10_000).tolist() if edge <= expected[-1]][:22] == expected[:22]


@pytest.mark.parametrize("piece", [441, 4096, 65_536])
def test_cells_are_counted_over_pieces(piece: int) -> None:
    """At 44100/1.001 Hz a hundredth of a second is 440.559 frames: over 30 s no cell is lost or gained."""
    rate, frames = Fraction(44_100_000, 1001), 1_321_678 + 100  # 30 s are 1 321 678.3 frames
    meter = LoudnessMeter(layout=MONO, rate=rate, frames=frames)
    for at in range(0, frames, piece):
        meter._collect(np.zeros((1, min(piece, frames - at))))
    assert (meter._cell, len(meter._tail)) == (3000, 100)


def test_less_than_a_cell_measures_no_loudness() -> None:
    """A cell is a hundredth of a second: 441 frames at 44.1 kHz."""
    meter = LoudnessMeter(layout=MONO, rate=Fraction(44100), frames=300)
    for at in (0, 100, 200):
        meter.take(Block(at, np.full((100, 1), 9000, dtype=np.int16), MONO.full_scale))
        meter._measure(np.concatenate(meter._waiting, axis=1))
        meter._waiting = []
        assert (meter._cell, len(meter._tail)) == (0, at + 100)


@pytest.mark.parametrize("beyond", [TOP, TOP + 7, 3 * TOP, -TOP - 1, -5 * TOP])
def test_what_goes_beyond_24_bits_is_held_at_their_ends_and_counted(beyond: int) -> None:
    made = Deemphasis(
        Fraction(44100), (EmphasisRange(start=0, end=9, on=True),), frames=9, channels=1, bits=24
    )
    inside = np.array([0.4, -0.6, TOP - 1, -TOP])
    assert made._rounded(0, inside).tolist() == [0, -1, TOP - 1, -TOP] and made._clipped == [0]
    assert made._rounded(0, np.array([5.0, beyond])).tolist() == [5, TOP - 1 if beyond > 0 else -TOP]
    assert (made._clipped, made._peak) == ([1], [max(TOP, abs(beyond))])


@pytest.mark.parametrize(("rate", "first"), [(44_100.0, 500), (96_000.0, 500), (137_000.0, 630)])
def test_thirds_of_fewer_than_four_lines_are_not_used(rate: float, first: int) -> None:
    """Lines lie a 4096th of the rate apart: at 137 kHz the third around 500 Hz holds three of them."""
    thirds = EmphasisMeter(rate=rate)._thirds
    assert min(s.stop - s.start for s in thirds) >= 4
    middle = (thirds[0].start + thirds[0].stop) / 2 * rate / 4096
    assert middle == pytest.approx(first, rel=0.05)
