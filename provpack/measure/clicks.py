"""Impulsive evidence: samples that stand out of the bend of the sound around them. Reported, never repaired.

Definitions (proposal, no source; domain note section 4 asks for a residual over its local median):
    bend        |x[n-1] - 2 x[n] + x[n+1]|, the second difference: what a straight line does not predict
    strength    bend over the median bend of the AREA frames before or after, the greater of the two, never
                below one step of the codes; GAP frames around the click itself left out
    alone       bend over the 0.9 quantile of the same frames, in the same way
    rare        bend over the median of the greatest bends of each AREA frames, RARE_NEAR such windows to
                either side
    click       strength >= STRENGTH, alone >= ALONE, rare >= RARE; neighbours within GAP frames are one
    burst       bends >= BURST_BEND of full scale, each within BURST_LINK frames of the next, alone as above:
                several bad words in a row that nobody concealed. No sound below a sixth of the sampling
                frequency can bend so much

Taking the busier side keeps the onset of a drum from counting: its sound goes on; 'rare' keeps a voice from
counting, which is a row of impulses. A bad word that was not
concealed stands hundreds of times above its surroundings; very short percussion (a millisecond), a mouth, a
disc or an edit can reach ALONE too, so a click is a place to listen to, not a verdict.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from provpack.measure.block import FloatArray
from provpack.measure.damage_segments import Event, EventList, Segment
from provpack.measure.pcm import PcmLayout

STRENGTH = 20.0
ALONE = 12.0
AREA = 256
RARE = 4.0
RARE_NEAR = 8
GAP = 6
BURST_BEND = 1.0
BURST_LINK = 40
_BURST_REACH = 1500  # frames past the judged ones in which a burst may go on
_FEWEST = 32  # frames of one side that are enough to judge by
_SCREEN = 5.0  # no click stands less than this above the mean of its window


@dataclass(frozen=True, slots=True, kw_only=True)
class ClicksResult:
    """events in order of start, at most the cap; strongest: greatest strength, None without a click."""

    events: tuple[Event, ...]
    left_out: int
    strongest: float | None


def bends(seg: Segment, out: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The second difference of every row and its magnitude, both (channels, rows), full scale 1.0; 0 at the
    first and last row.

    out: room to work in, shape (2, channels, >= rows); exact for codes of up to 24 bits but for one rounding.
    """
    signed, bend = out[0, :, : seg.rows], out[1, :, : seg.rows]
    if seg.rows > 2:
        step = bend[:, 1:]
        np.subtract(seg.planar[:, 1:], seg.planar[:, :-1], out=step)
        np.subtract(step[:, 1:], step[:, :-1], out=signed[:, 1:-1])
    signed[:, :1] = 0
    signed[:, -1:] = 0
    np.abs(signed, out=bend)
    return signed, bend


class ClicksDetector:
    """Give it segments in order with their bends, then finish()."""

    def __init__(self, *, layout: PcmLayout, cap: int) -> None:
        self._channels = layout.channels
        self._full_scale = layout.full_scale
        self._events = EventList(cap)
        self._strongest: float | None = None

    def scan(self, seg: Segment, bend: FloatArray) -> None:
        """Look at one segment."""
        least = seg.step / self._full_scale
        found = []
        for c in range(self._channels):
            found += [(*click, c) for click in self._channel(seg, bend[c], least)]
        for start, length, strength, alone, channels in _together(sorted(found)):
            self._strongest = max(strength, self._strongest or 0.0)
            self._events.add(
                Event(
                    type="click",
                    start=seg.first + start,
                    length=length,
                    channel=channels[0] if len(channels) < self._channels else None,
                    confidence=round(min(0.95, 1 - ALONE / (2 * alone)), 2),
                    note=f"{strength:.0f} times the median bend around it",
                )
            )

    def _channel(
        self, seg: Segment, bend: npt.NDArray[np.float32], least: float
    ) -> list[tuple[int, int, float, float]]:
        """(row, length, strength, alone) of each click."""
        clicks = self._bursts(seg, bend, least)
        bursts = [(start, start + length) for start, length, _, _ in clicks]
        whole = (seg.hi - seg.lo) // AREA * AREA
        parts = [bend[seg.lo : seg.lo + whole].reshape(-1, AREA)]
        if whole < seg.hi - seg.lo:
            parts.append(bend[seg.lo + whole : seg.hi].reshape(1, -1))
        row = seg.lo
        highest = np.concatenate([np.maximum.reduce(part, axis=1) for part in parts])
        window = 0
        for part in parts:
            limit = np.maximum(np.add.reduce(part, axis=1) * (_SCREEN / part.shape[1]), _SCREEN * least)
            for w in np.flatnonzero(highest[window:][: len(part)] >= limit).tolist():
                near = highest[max(window + w - RARE_NEAR, 0) : window + w + RARE_NEAR + 1]
                floor = max(float(limit[w]), RARE * float(np.sort(near)[len(near) // 2]))
                if highest[window + w] < floor:
                    continue
                high = np.flatnonzero(part[w] >= limit[w]) + (row + w * AREA)
                for group in np.split(high, np.flatnonzero(np.diff(high) > GAP) + 1):
                    if any(a - GAP <= group[0] < b + GAP for a, b in bursts) or bend[group].max() < floor:
                        continue
                    click = _judge(bend, group, least)
                    if click:
                        clicks.append(click)
            row += part.size
            window += len(part)
        return clicks

    def _bursts(
        self, seg: Segment, bend: npt.NDArray[np.float32], least: float
    ) -> list[tuple[int, int, float, float]]:
        if bend[seg.lo : seg.hi].max() < BURST_BEND:
            return []
        base = max(seg.lo - BURST_LINK, 0)
        high = np.flatnonzero(bend[base : seg.hi + _BURST_REACH] >= BURST_BEND) + base
        groups = np.split(high, np.flatnonzero(np.diff(high) > BURST_LINK) + 1)
        judged = (
            _judge(bend, g, least) for g in groups if seg.lo <= g[0] < seg.hi and g[-1] - g[0] > 2 * GAP
        )
        return [click for click in judged if click]

    def finish(self) -> ClicksResult:
        """The events of the whole file."""
        kept = sorted(self._events.kept, key=lambda e: (e.start, -1 if e.channel is None else e.channel))
        return ClicksResult(
            events=tuple(kept),
            left_out=self._events.left_out,
            strongest=None if self._strongest is None else round(self._strongest, 1),
        )


def _judge(
    bend: npt.NDArray[np.float32], group: npt.NDArray[np.int64], least: float
) -> tuple[int, int, float, float] | None:
    """A group of rows that stand out of their window: a click or not."""
    first, last = int(group[0]), int(group[-1])
    peak = float(bend[group].max())
    median = high = least
    for side in (bend[max(first - GAP - AREA, 1) : max(first - GAP, 1)], bend[last + GAP + 1 :][:AREA]):
        if len(side) >= _FEWEST:
            ordered = np.sort(side)
            median = max(median, float(ordered[len(side) // 2]))
            high = max(high, float(ordered[len(side) * 9 // 10]))
    if peak < STRENGTH * median or peak < ALONE * high:
        return None
    # One wrong sample bends the line at itself and at both neighbours.
    length = max(1, last - first - 1)
    return (first + 1 if last > first else first, length, peak / median, peak / high)


def _together(
    found: list[tuple[int, int, float, float, int]],
) -> list[tuple[int, int, float, float, list[int]]]:
    """Clicks of several channels at one place as one."""
    out: list[tuple[int, int, float, float, list[int]]] = []
    for start, length, strength, alone, c in found:
        if out and start < out[-1][0] + out[-1][1] + GAP and c not in out[-1][4]:
            s, n, a, b, channels = out[-1]
            n = max(s + n, start + length) - s
            out[-1] = (s, n, max(a, strength), max(b, alone), [*channels, c])
        else:
            out.append((start, length, strength, alone, [c]))
    return out
