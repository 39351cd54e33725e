"""Clipped runs: MIN_RUN or more equal samples at the highest or lowest code of the word length.

The highest code of a 14-bit recording in 16 bits is +32764, not +32767 (domain note 2.4): a search for the
container's own top finds nothing there. So the word length is an argument; None = not declared, then the
container's codes count. The lowest code is that of the container either way. Samples above the highest code
(more bits in use than declared) count as being at it when they are equal. A channel that never goes below the
negative of the highest code is clipped there too: so do inverted recordings (the limits of 14 bits swap to
-32764 and, held to the container, +32767) and converters with two equal limits. After a change of level the
limits lie elsewhere and are not found; nor is limiting below them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from provpack.measure.damage_segments import Event, EventList, Segment
from provpack.measure.pcm import IntArray, PcmLayout

MIN_RUN = 3

_Ints = npt.NDArray[np.int64]


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
    """top_code, bottom_code: what was looked for (and -top_code, see above). declared: whether the word
    length was. events in order of start."""

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
        # the same for runs at the negative of the highest code, as long as the channel does not go below it
        self._mirrored: list[list[int] | None] = [[0, 0, 0] for _ in range(channels)]
        self._doubtful = [EventList(cap) for _ in range(channels)]

    def scan(self, seg: Segment) -> None:
        """Look at one segment."""
        codes = seg.codes[seg.lo : seg.hi]
        if any(self._open) or codes.max() >= self._top or codes.min() <= -self._top:
            flat, channels = codes.reshape(-1), codes.shape[1]
            frames, of = np.divmod(np.flatnonzero((flat >= self._top) | (flat <= -self._top)), channels)
            for c in range(channels):
                self._channel(c, codes[:, c], frames[of == c], seg.first + seg.lo, seg.last)

    def _channel(self, c: int, x: IntArray, at: _Ints, frame: int, last: bool) -> None:
        """One channel of a segment; at: its rows at a limit or beyond."""
        if self._mirrored[c] is not None and (x[at] < -self._top).any():
            self._mirrored[c] = None
            self._doubtful[c] = EventList(0)
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
        mirrored = self._mirrored[c]
        sure = long & ((code >= self._top) | (code == self._bottom))
        self._note(self._figures[c], self._events, c, (start[sure], count[sure], code[sure]))
        if mirrored is not None:
            maybe = long & (code == -self._top)
            self._note(mirrored, self._doubtful[c], c, (start[maybe], count[maybe], code[maybe]))

    @staticmethod
    def _note(figures: list[int], events: EventList, c: int, runs: tuple[_Ints, _Ints, _Ints]) -> None:
        starts, counts, _ = runs
        figures[0] += len(starts)
        figures[1] += int(counts.sum())
        figures[2] = max(figures[2], int(counts.max(initial=0)))
        room = max(events.room, 0)
        events.total += max(len(starts) - room, 0)
        for start, count, code in zip(*(column[:room].tolist() for column in runs), strict=True):
            events.add(
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
        events = [*self._events.kept]
        left_out = self._events.left_out
        figures = []
        for own, mirrored, doubtful in zip(self._figures, self._mirrored, self._doubtful, strict=True):
            if mirrored is None:
                figures.append(own)
                continue
            figures.append([own[0] + mirrored[0], own[1] + mirrored[1], max(own[2], mirrored[2])])
            events += doubtful.kept
            left_out += doubtful.left_out
        return ClippingResult(
            top_code=self._top,
            bottom_code=self._bottom,
            declared=self._declared,
            channels=tuple(ChannelClipping(runs=r, samples=n, longest=m) for r, n, m in figures),
            events=tuple(sorted(events, key=lambda e: (e.start, e.channel or 0))),
            left_out=left_out,
        )
