"""What the damage detectors share: the stream cut at fixed places, an event, a list of events with a cap.

Blocks come in any length; detectors see segments of SEGMENT frames cut at fixed places of the file, with
MARGIN frames of context on both sides. So no result depends on how the stream was cut into blocks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from provpack.measure.block import Block, FloatArray, to_planar
from provpack.measure.pcm import IntArray, PcmLayout

SEGMENT = 65536
MARGIN = 2048
_SUB = 512  # frames per look at the step of the codes

# schemas/fields.schema.json, detected_event_type ('unlock' is not used: samples cannot show it)
EventType = Literal["mute", "hold", "interpolation", "click", "clipped_run", "digital_silence", "other"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One event: first frame and length in frames, channel from 0 (None = all), confidence 0 to 1
    (None = exact, nothing to be sure of), note for a person ("" = none)."""

    type: EventType
    start: int
    length: int
    channel: int | None
    confidence: float | None
    note: str

    @property
    def stop(self) -> int:
        """The first frame after the event."""
        return self.start + self.length


class EventList:
    """Keeps the first `cap` events and counts all."""

    __slots__ = ("_cap", "kept", "total")

    def __init__(self, cap: int) -> None:
        self._cap = cap
        self.kept: list[Event] = []
        self.total = 0

    def add(self, event: Event) -> None:
        self.total += 1
        if len(self.kept) < self._cap:
            self.kept.append(event)

    @property
    def room(self) -> int:
        """How many more can be kept."""
        return self._cap - len(self.kept)

    @property
    def left_out(self) -> int:
        return self.total - len(self.kept)


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A stretch to be judged: rows lo .. hi-1 of the arrays, which are frames first + lo .. first + hi - 1.

    codes: (rows, channels) as stored. planar: (channels, rows), full scale 1.0. Both are views of a buffer
    that is used again: nothing of them may be kept. first: frame number of row 0. last: the file ends with
    row hi - 1. step: least distance of two codes, in container codes (1 << (container bits - word length)).
    """

    codes: IntArray
    planar: FloatArray
    first: int
    lo: int
    hi: int
    last: bool
    step: int

    @property
    def rows(self) -> int:
        return len(self.codes)


class Segmenter:
    """Cuts the stream and hands each segment to `scan`.

    step: of the codes, when the word length is declared; None = the commonest lowest bit in use of the
    512-frame stretches of the segment.
    """

    def __init__(self, layout: PcmLayout, step: int | None, scan: Callable[[Segment], None]) -> None:
        rows = MARGIN + SEGMENT + MARGIN
        width = np.int16 if layout.container_bytes <= 2 else np.int32
        self._codes: IntArray = np.zeros((rows, layout.channels), dtype=width)
        self._planar: FloatArray = np.zeros((layout.channels, rows), dtype=np.float32)
        self._step = step
        self._scan = scan
        self._first = 0
        self._lo = 0
        self._filled = 0

    def take(self, block: Block) -> None:
        """Take the next frames."""
        at = 0
        capacity = len(self._codes)
        while at < block.frames:
            n = min(capacity - self._filled, block.frames - at)
            self._codes[self._filled : self._filled + n] = block.codes[at : at + n]
            place = self._planar[:, self._filled : self._filled + n]
            to_planar(block.codes[at : at + n], block.full_scale, place)
            self._filled += n
            at += n
            if self._filled == capacity:
                self._give(capacity - MARGIN, False)
                self._shift(capacity - 2 * MARGIN)

    def finish(self) -> None:
        """Hand over what is left, marked as the last."""
        if self._filled > self._lo:
            self._give(self._filled, True)
        self._filled = self._lo = 0

    def _shift(self, by: int) -> None:
        keep = self._filled - by
        self._codes[:keep] = self._codes[by : self._filled].copy()
        self._planar[:, :keep] = self._planar[:, by : self._filled].copy()
        self._filled, self._lo = keep, MARGIN
        self._first += by

    def _give(self, hi: int, last: bool) -> None:
        codes, planar = self._codes[: self._filled], self._planar[:, : self._filled]
        step = self._step or lowest_step(codes[self._lo : hi])
        self._scan(
            Segment(codes=codes, planar=planar, first=self._first, lo=self._lo, hi=hi, last=last, step=step)
        )


def lowest_step(codes: IntArray) -> int:
    """The commonest lowest bit in use over stretches of 512 frames in which anything is in use; 1 if none.

    The commonest, not the lowest of all: a few stray low bits must not hide a 14-bit recording.
    """
    whole = len(codes) // _SUB * _SUB
    if whole:
        masks = np.bitwise_or.reduce(codes[:whole].reshape(whole // _SUB, -1), axis=1)
    else:
        masks = np.bitwise_or.reduce(codes.reshape(1, -1), axis=1)
    wide = masks.astype(np.int64)
    lowest = (wide & -wide)[wide != 0]
    if not lowest.size:
        return 1
    values, counts = np.unique(lowest, return_counts=True)
    return int(values[np.argmax(counts)])
