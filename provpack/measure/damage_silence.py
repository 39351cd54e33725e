"""Zeros in every channel, told apart by where and how they stand. Definitions (proposal, no source; the 64
frames are common practice, as in measure/levels.py):

    digital silence zeros in every channel for MIN_MUTE frames or more: the leader (from the first frame), the
                    trailer (to the last), or a pause that the sound fades into
    hard edge       sound of EDGE_LEVEL codes or more within AROUND frames of the zeros, which does not fade:
                    in a fade the greatest value of the last 64 frames is at most half of that of the last
                    512, that of the last 8 at most half of that again and below a twelfth of the first
                    (FADE), and the greatest step of the last 8 at most a quarter of that of the last 512:
                    a low note that is cut as it passes through zero is at its steepest
    mute            zeros inside the programme that begin at a hard edge. Zeros that only end at one are a
                    pause: a word or a drum out of silence begins as abruptly as a mute ends

Zeros cannot say why they are there: a muted adaptor, a decoder that gave up, a gate and a cut made by an
editor look alike. A mute that begins in a fade or in sound below EDGE_LEVEL stays listed as silence. A
constant other than zero is a hold (measure/runs.py).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from provpack.measure.damage_segments import Event, EventList, EventType, Segment
from provpack.measure.pcm import silent_frames

MIN_MUTE = 64
AROUND = 32
EDGE_LEVEL = 16
FADE = (512, 64, 8)

_Ints = npt.NDArray[np.int64]


class SilenceRuns:
    """Zeros in every channel for MIN_MUTE frames or more, told apart by where and how they stand."""

    def __init__(self, cap: int) -> None:
        self.events = EventList(cap)
        self.leader = self.trailer = self.mute_frames = 0
        self._open: tuple[int, bool] | None = None  # first frame, whether a hard edge is before it

    def scan(self, seg: Segment) -> None:
        """Look at one segment."""
        silent = silent_frames(seg.codes[seg.lo : seg.hi])
        if not silent.any() and not self._open:
            return
        if self._open and not seg.last and silent.all():
            return
        bounds = np.flatnonzero(np.diff(silent.view(np.int8), prepend=0, append=0))
        starts, stops = bounds[::2], bounds[1::2]
        if self._open and (not len(starts) or starts[0] != 0):  # it ended with the last segment
            starts, stops = np.concatenate(([0], starts)), np.concatenate(([0], stops))
        long = (stops - starts >= MIN_MUTE) | (starts == 0) | (stops == len(silent))
        starts, stops = starts[long] + seg.lo, stops[long] + seg.lo
        if not len(starts):
            return
        level, moves = _level_and_moves(seg)
        out = _hard(level, moves, starts, seg.step)
        back = _hard(level[::-1], moves[::-1], seg.rows - stops, seg.step)
        for a, b, hard_out, hard_back in zip(
            (starts + seg.first).tolist(),
            (stops + seg.first).tolist(),
            out.tolist(),
            back.tolist(),
            strict=True,
        ):
            if self._open is None:
                self._open = (a, hard_out)
            if b < seg.first + seg.hi or seg.last:
                self._close(b, hard_back, seg.last and b == seg.first + seg.hi)

    def _close(self, stop: int, hard_back: bool, at_end: bool) -> None:
        start, hard_out = self._open or (stop, False)
        self._open = None
        if stop - start < MIN_MUTE:
            return
        kind: EventType = "digital_silence"
        sure: float | None = None
        if start == 0:
            self.leader, note = stop, "leader: zeros from the first frame"
        elif at_end:
            self.trailer, note = stop - start, "trailer: zeros to the last frame"
        elif hard_out:
            kind = "mute"
            sure = 0.95 if hard_back else 0.7
            note = "sound breaks off" + (" and comes back hard" if hard_back else " at one end")
            self.mute_frames += stop - start
        elif hard_back:
            note = "the sound fades into it and begins again abruptly"
        else:
            note = "the sound fades into it and out of it"
        if self.events.room <= 0:
            self.events.total += 1
            return
        self.events.add(
            Event(type=kind, start=start, length=stop - start, channel=None, confidence=sure, note=note)
        )


def _level_and_moves(seg: Segment) -> tuple[_Ints, _Ints]:
    """The greatest magnitude of all channels in each row, and the greatest step into it."""
    level = np.zeros(seg.rows, dtype=np.int64)
    moves = np.zeros(seg.rows, dtype=np.int64)
    for c in range(seg.codes.shape[1]):
        x = seg.codes[:, c].astype(np.int64)
        np.maximum(moves[1:], np.abs(x[1:] - x[:-1]), out=moves[1:])
        np.maximum(level, np.abs(x, out=x), out=level)
    return level, moves


def _hard(level: _Ints, moves: _Ints, at: _Ints, step: int) -> npt.NDArray[np.bool_]:
    """Whether the sound before each of these rows breaks off there: loud enough, and not faded."""
    whole, half, end, near = (_greatest_before(level, at, reach) for reach in (*FADE, AROUND))
    most, last = (_greatest_before(moves, at, reach) for reach in (FADE[0], FADE[2]))
    faded = (2 * half <= whole) & (2 * end <= half) & (12 * end < whole) & (4 * last <= most)
    return np.asarray((near >= EDGE_LEVEL * step) & ~faded)


def _greatest_before(level: _Ints, at: _Ints, reach: int) -> _Ints:
    """The greatest level of the `reach` rows before each row, as far as they exist; 0 before the first."""
    ends = np.stack([np.maximum(at - reach, 0), np.minimum(at, len(level) - 1)], axis=1)
    found = np.maximum.reduceat(level, ends.reshape(-1))[::2]
    return np.where(at > 0, found, 0)
