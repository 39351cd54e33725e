"""What a bad chain or another hand does to the codes of a tape, for the demo's less fortunate tapes.

Works on the 16-bit codes that synth/tape.py gives, block by block; the word length recorded stays as it was.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from provpack.synth.tape import Codes, Span


@dataclass(frozen=True, slots=True, kw_only=True)
class Whistle:
    """A steady tone: hertz by the header's sampling frequency, peak in dB of full scale."""

    hertz: float
    dbfs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """One bad head: from `start`, `count` holds of `length` frames, one every `period` frames."""

    start: int
    period: int
    count: int
    length: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """bits: recorded word length. header_hz: of the file. gain: level before clipping at the recorded word
    length, 1 for none. channels: what has become of the right one. sixteen: a stretch in which the two
    lowest bits of 16 are in use too. leader: frames at the head in which the decoder had not locked."""

    bits: Literal[14, 16]
    header_hz: int
    gain: float = 1.0
    channels: Literal["as_recorded", "both_left", "right_silent", "right_inverted"] = "as_recorded"
    whistle: Whistle | None = None
    head: Head | None = None
    sixteen: Span | None = None
    leader: int = 0
    seed: int = 0


def spoil(faults: Faults, blocks: Iterable[Codes]) -> Iterator[Codes]:
    """The blocks with the faults in them; shapes (frames, 2) as they came."""
    first, held = 0, np.zeros((1, 2), dtype=np.int16)
    dice = np.random.Generator(np.random.PCG64(faults.seed))
    for block in blocks:
        codes = _channels(faults, _louder(faults, _with_whistle(faults, block, first)))
        at = first + np.arange(len(codes))
        if faults.head is not None:
            codes, held = _held(faults.head, codes, at, held)
        if faults.sixteen is not None:
            inside = (at >= faults.sixteen.start) & (at < faults.sixteen.stop)
            codes[inside] |= dice.integers(0, 4, (int(inside.sum()), 2), dtype=np.int16)
        yield codes
        first += len(codes)


def _with_whistle(faults: Faults, block: Codes, first: int) -> Codes:
    if faults.whistle is None:
        return block.copy()
    phase = 2 * np.pi * faults.whistle.hertz / faults.header_hz * (first + np.arange(len(block)))
    tone = 10 ** (faults.whistle.dbfs / 20) * np.sin(phase)[:, None]
    tone[: max(0, faults.leader - first)] = 0
    return _stored(faults, (block >> _shift(faults)) + np.rint(tone * (1 << (faults.bits - 1))))


def _louder(faults: Faults, block: Codes) -> Codes:
    if faults.gain == 1.0:
        return block
    return _stored(faults, np.rint((block >> _shift(faults)) * faults.gain))


def _stored(faults: Faults, values: NDArray[np.float64]) -> Codes:
    """Whole numbers of the recorded word length, clipped, as 16-bit codes."""
    top = 1 << (faults.bits - 1)
    return np.asarray(np.clip(values, -top, top - 1), dtype=np.int16) << _shift(faults)


def _shift(faults: Faults) -> int:
    return 16 - faults.bits


def _channels(faults: Faults, codes: Codes) -> Codes:
    if faults.channels == "both_left":
        codes[:, 1] = codes[:, 0]
    elif faults.channels == "right_silent":
        codes[:, 1] = 0
    elif faults.channels == "right_inverted":
        top = (1 << 15) - (1 << _shift(faults))
        codes[:, 1] = np.minimum(-codes[:, 0].astype(np.int32), top).astype(np.int16)
    return codes


def _held(head: Head, codes: Codes, at: NDArray[np.int_], before: Codes) -> tuple[Codes, Codes]:
    """Holds of the frame before each; `before` is that of a hold begun in an earlier block."""
    since = at - head.start
    bad = (since >= 0) & (since < head.count * head.period) & (since % head.period < head.length)
    for n in np.flatnonzero(bad):
        codes[n] = codes[n - 1] if n else before[0]
    return codes, codes[-1:].copy()
