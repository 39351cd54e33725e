"""Zeros in every channel, told apart by where and how they stand. Definitions (proposal, no source; the 64
frames are common practice, as in measure/levels.py):

    digital silence zeros in every channel for MIN_MUTE frames or more: the leader (from the first frame), the
                    trailer (to the last), or a pause that the sound fades into and out of
    mute            the same inside the programme, with sound of EDGE_LEVEL codes or more within AROUND frames
                    before it or after it

Zeros cannot say why they are there: a muted adaptor, a decoder that gave up and a cut made by an editor look
alike. A constant other than zero is a hold (measure/runs.py).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from provpack.measure.damage_segments import Event, EventList, EventType, Segment
from provpack.measure.pcm import IntArray

MIN_MUTE = 64
AROUND = 32
EDGE_LEVEL = 16


class SilenceRuns:
    """Zeros in every channel for MIN_MUTE frames or more, told apart by where and how they stand."""

    def __init__(self, cap: int) -> None:
        self.events = EventList(cap)
        self.leader = self.trailer = self.mute_frames = 0
        self._open: tuple[int, int] | None = None  # first frame, level before it

    def scan(self, seg: Segment) -> None:
        """Look at one segment."""
        silent = _all_zero(seg.codes[seg.lo : seg.hi])
        start = seg.first + seg.lo
        if not silent.any():
            if self._open:
                self._close(seg, start)
            return
        bounds = np.flatnonzero(np.diff(silent.view(np.int8), prepend=0, append=0))
        starts, stops = bounds[::2], bounds[1::2]
        if self._open and starts[0] != 0:
            self._close(seg, start)
        long = (stops - starts >= MIN_MUTE) | (starts == 0) | (stops == len(silent))
        for a, b in zip((starts[long] + start).tolist(), (stops[long] + start).tolist(), strict=True):
            if self._open is None:
                self._open = (a, self._level(seg, a - AROUND, a))
            if b < seg.first + seg.hi or seg.last:
                self._close(seg, b)

    @staticmethod
    def _level(seg: Segment, start: int, stop: int) -> int:
        part = seg.codes[max(start - seg.first, 0) : max(stop - seg.first, 0)]
        return max(int(part.max()), -int(part.min())) // seg.step if part.size else 0

    def _close(self, seg: Segment, stop: int) -> None:
        start, before = self._open or (stop, 0)
        self._open = None
        if stop - start < MIN_MUTE:
            return
        after = self._level(seg, stop, stop + AROUND)
        at_end = seg.last and stop == seg.first + seg.hi
        kind: EventType = "digital_silence"
        sure: float | None = None
        if start == 0:
            self.leader, note = stop, "leader: zeros from the first frame"
        elif at_end:
            self.trailer, note = stop - start, "trailer: zeros to the last frame"
        elif before < EDGE_LEVEL and after < EDGE_LEVEL:
            note = "the sound fades into it and out of it"
        else:
            kind = "mute"
            hard = before >= EDGE_LEVEL and after >= EDGE_LEVEL
            sure = 0.95 if hard else 0.7
            note = "sound breaks off" + (" and comes back hard" if hard else " at one end")
            self.mute_frames += stop - start
        self.events.add(
            Event(type=kind, start=start, length=stop - start, channel=None, confidence=sure, note=note)
        )


def _all_zero(codes: IntArray) -> npt.NDArray[np.bool_]:
    """Which frames are zero in every channel; codes (frames, channels), contiguous."""
    if codes.shape[1] == 2:  # two samples are one word of twice the width
        word = np.uint32 if codes.dtype.itemsize == 2 else np.uint64
        return np.asarray(codes.reshape(-1).view(word) == 0)
    silent: npt.NDArray[np.bool_] = codes[:, 0] == 0
    for c in range(1, codes.shape[1]):
        silent &= codes[:, c] == 0
    return silent
