"""Clipped runs: MIN_RUN or more equal samples at the highest or lowest code of the word length.

The highest code of a 14-bit recording in 16 bits is +32764, not +32767 (domain note 2.4): a search for the
container's own top finds nothing there. So the word length is an argument; None = not declared, then the
container's codes count. The lowest code is that of the container either way. Samples above the highest code
(more bits in use than declared) count as being at it when they are equal. After an inversion or a change of
level the limits lie elsewhere and are not found; nor is limiting below them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from provpack.measure.damage_segments import Event, EventList, Segment
from provpack.measure.pcm import IntArray, PcmLayout

MIN_RUN = 3


def limits(layout: PcmLayout, declared_bits: int | None) -> tuple[int, int]:
    """(highest, lowest) code of the word length as stored in the container."""
    bits = 8 * layout.container_bytes
    low = 1 << (bits - min(declared_bits or bits, bits))
    return (1 << (bits - 1)) - low, -(1 << (bits - 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelClipping:
    """Clipped runs of one channel: how many, their samples in all, the longest in samples."""

    runs: int
    samples: int
    longest: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ClippingResult:
    """top_code, bottom_code: what was looked for. declared: whether the word length was. events in order of
    channel and start."""

    top_code: int
    bottom_code: int
    declared: bool
    channels: tuple[ChannelClipping, ...]
    events: tuple[Event, ...]
    left_out: int


class ClippingDetector:
    """Give it segments in order, then finish()."""

    def __init__(self, *, layout: PcmLayout, declared_bits: int | None, cap: int) -> None:
        self._top, self._bottom = limits(layout, declared_bits)
        self._declared = declared_bits is not None
        channels = layout.channels
        self._open: list[tuple[int, int] | None] = [None] * channels  # first frame, code
        self._figures = [[0, 0, 0] for _ in range(channels)]
        self._events = EventList(cap)

    def scan(self, seg: Segment) -> None:
        """Look at one segment."""
        codes = seg.codes[seg.lo : seg.hi]
        if any(self._open) or codes.max() >= self._top or codes.min() <= self._bottom:
            for c in range(codes.shape[1]):
                self._channel(c, codes[:, c], seg.first + seg.lo, seg.last)

    def _channel(self, c: int, x: IntArray, frame: int, last: bool) -> None:
        at = np.flatnonzero((x >= self._top) | (x <= self._bottom))
        carried = self._open[c]
        self._open[c] = None
        new = np.ones(len(at), dtype=np.bool_)
        new[1:] = (np.diff(at) > 1) | (x[at[1:]] != x[at[:-1]])
        first = np.flatnonzero(new)
        start, count = at[first] + frame, np.diff(first, append=len(at))
        code = x[at[first]].astype(np.int64)
        if carried:
            if len(start) and start[0] == frame and code[0] == carried[1]:
                count[0] += start[0] - carried[0]
                start[0] = carried[0]
            else:
                start = np.concatenate(([carried[0]], start))
                count = np.concatenate(([frame - carried[0]], count))
                code = np.concatenate(([carried[1]], code))
        if len(start) and not last and start[-1] + count[-1] == frame + len(x):
            self._open[c] = (int(start[-1]), int(code[-1]))
            start, count, code = start[:-1], count[:-1], code[:-1]
        long = count >= MIN_RUN
        figures = self._figures[c]
        figures[0] += int(np.count_nonzero(long))
        figures[1] += int(count[long].sum())
        figures[2] = max(figures[2], int(count[long].max(initial=0)))
        self._add(c, start[long].tolist(), count[long].tolist(), code[long].tolist())

    def _add(self, c: int, starts: list[int], counts: list[int], codes: list[int]) -> None:
        room = self._events.room
        self._events.total += max(len(starts) - room, 0)
        for start, count, code in zip(starts[:room], counts, codes, strict=False):
            self._events.add(
                Event(
                    type="clipped_run",
                    start=start,
                    length=count,
                    channel=c,
                    confidence=None,
                    note=f"{count} samples at code {code}",
                )
            )

    def finish(self) -> ClippingResult:
        """The figures of the whole file."""
        return ClippingResult(
            top_code=self._top,
            bottom_code=self._bottom,
            declared=self._declared,
            channels=tuple(ChannelClipping(runs=r, samples=n, longest=m) for r, n, m in self._figures),
            events=tuple(self._events.kept),
            left_out=self._events.left_out,
        )
