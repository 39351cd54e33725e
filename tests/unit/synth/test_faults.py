"""The faults of the demo's less fortunate tapes: what is asked for, where, however the blocks are cut."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
import pytest

from provpack.synth.faults import Faults, Head, Whistle, spoil
from provpack.synth.tape import Span

Codes = npt.NDArray[np.int16]


def codes(frames: int = 9000) -> Codes:
    dice = np.random.default_rng(1)
    return (dice.integers(-8192, 8192, (frames, 2)) << 2).astype(np.int16)


def pieces(whole: Codes, cut: int) -> Iterator[Codes]:
    for at in range(0, len(whole), cut):
        yield whole[at : at + cut]


def spoilt(faults: Faults, cut: int = 10**6) -> Codes:
    return np.concatenate(list(spoil(faults, pieces(codes(), cut))))


ALL = [
    Faults(bits=14, header_hz=44100),
    Faults(bits=14, header_hz=44100, gain=1.9, channels="both_left"),
    Faults(bits=14, header_hz=44100, channels="right_silent", whistle=Whistle(hertz=15750.0, dbfs=-40)),
    Faults(bits=14, header_hz=44100, channels="right_inverted",
           head=Head(start=1000, period=1764, count=3, length=100)),
    Faults(bits=14, header_hz=44100, sixteen=Span(start=2000, length=3000)),
]  # fmt: skip


@pytest.mark.parametrize("faults", ALL, ids=range(len(ALL)))
def test_the_cut_into_blocks_makes_no_difference_save_to_the_dice(faults: Faults) -> None:
    if faults.sixteen is None:
        assert np.array_equal(spoilt(faults), spoilt(faults, 777))
    assert spoilt(faults, 777).shape == (9000, 2)


def test_each_fault_is_what_it_says() -> None:
    plain, loud, dead, worn, mixed = (spoilt(f) for f in ALL)
    assert np.array_equal(plain, codes())
    assert np.array_equal(loud[:, 0], loud[:, 1]) and loud.max() == 32764 and loud.min() == -32768
    assert not dead[:, 1].any() and not (dead & 3).any()
    assert abs(int(np.abs(dead[:, 0].astype(int) - codes()[:, 0]).max()) - 328) <= 8  # -40 dBFS of 32768
    assert np.array_equal(worn[:, 1], np.minimum(-worn[:, 0].astype(int), 32764))
    for n in range(3):
        at = 1000 + 1764 * n
        assert (worn[at : at + 100] == worn[at - 1]).all() and not (worn[at + 100] == worn[at - 1]).all()
    assert (mixed[2000:5000] & 3).any() and not (mixed[:2000] & 3).any() and not (mixed[5000:] & 3).any()


def test_the_leader_stays_silent() -> None:
    faults = Faults(bits=14, header_hz=44100, whistle=Whistle(hertz=15750.0, dbfs=-40), leader=500)
    (out,) = spoil(faults, [np.zeros((900, 2), dtype=np.int16)])
    assert not out[:500].any() and out[500:].any()
