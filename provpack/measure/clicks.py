"""Impulsive evidence: samples that stand out of the bend of the sound around them. Reported, never repaired.

Definitions (proposal, no source; domain note section 4 asks for a residual over its local median):
    bend        |x[n-1] - 2 x[n] + x[n+1]|, the second difference: what a straight line does not predict
    strength    bend over the median bend of the AREA frames before or after, the greater of the two, never
                below one step of the codes; GAP frames around the click itself left out
    alone       bend over the 0.9 quantile of the same frames, in the same way
    rare        bend over the median of the greatest bends of each AREA frames, RARE_NEAR such windows to
                either side
    impulse     a bend of the same height (from LIKE of it to 1 / LIKE) elsewhere, at least PERIOD frames away
    in a row    impulses one period to both sides, or one and two periods to the same side, within the margin
                of the segment: a bass string, an organ reed, a synthesiser
    click       strength >= STRENGTH, alone >= ALONE, rare >= RARE, at most LONGEST frames from the first bend
                that stands out to the last, not in a row, and no bend above a LULL-th of it from GAP to
                LULL_REACH frames away; neighbours within GAP frames are one
    burst       BURST_FEWEST or more bends >= BURST_BEND of full scale, each within BURST_LINK frames of the
                next, the greatest BURST_UNEVEN times the least, alone as above: several bad words in a row
                that nobody concealed. No sound below a sixth of the sampling frequency can bend so much; a
                square wave can, always by the same. Where the greatest bends of the windows near by that
                reach BURST_BEND are as uneven, neither 'rare' nor 'in a row' is asked of a click that does:
                damage that comes back in every field stands in rows as well

Taking the busier side keeps the onset of a drum from counting: its sound goes on; LONGEST and LULL keep very
short percussion (a millisecond) from counting, which is over when it is looked back at; 'rare' and 'in a row'
keep voices and low notes from counting, which are rows of impulses. A bad word that was not concealed stands
hundreds of times above its surroundings; a drum machine, a mouth, a disc or an edit can reach ALONE too, so a
click is a place to listen to, not a verdict.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from provpack.measure.block import FloatArray
from provpack.measure.damage_segments import MARGIN, Event, EventList, Segment
from provpack.measure.pcm import PcmLayout

STRENGTH = 20.0
ALONE = 12.0
AREA = 256
RARE = 4.0
RARE_NEAR = 8
GAP = 6
LONGEST = 16
LULL = 6.0
LULL_REACH = 38
LIKE = 0.8
PERIOD = 128
BURST_BEND = 1.0
BURST_LINK = 40
BURST_FEWEST = 4
BURST_UNEVEN = 1.5
_BURST_REACH = 1500  # frames past the judged ones in which a burst may go on
_CALM = 3  # of the windows near by: what every dropout of a field leaves between it and the next
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
        singles = []
        # Windows of the margins too: they are the neighbours of those that are judged.
        whole = len(bend) // AREA * AREA
        parts = [bend[:whole].reshape(-1, AREA), bend[whole:].reshape(1, -1)][: 1 + (whole < len(bend))]
        highest = np.maximum.reduceat(bend, np.arange(0, len(bend), AREA))
        means = np.concatenate([np.add.reduce(part, axis=1) / part.shape[1] for part in parts if part.size])
        limit = _SCREEN * np.maximum(means, np.float32(least))
        screened = np.flatnonzero(highest >= limit)
        median, wild = _near(highest, screened)
        floors = np.maximum(limit[screened], np.where(wild, BURST_BEND, RARE * median))
        for w, floor, is_wild in zip(screened.tolist(), floors.tolist(), wild.tolist(), strict=True):
            first = w * AREA
            if highest[w] < floor:
                continue
            if not seg.lo <= first < seg.hi:
                continue
            high = np.flatnonzero(bend[first : first + AREA] >= limit[w]) + first
            for group in _groups(high, GAP):
                peak = int(group[bend[group].argmax()])
                if bend[peak] < floor or any(a - GAP <= group[0] < b + GAP for a, b in bursts):
                    continue
                if group[-1] - group[0] >= LONGEST or not _lull(bend, group):
                    continue
                click = _judge(bend, group, least)
                if click and is_wild:
                    clicks.append(click)
                elif click:
                    singles.append((click, peak))
        in_a_row = _in_a_row(bend, [at for _, at in singles])
        return clicks + [click for (click, _), one in zip(singles, in_a_row, strict=True) if not one]

    def _bursts(
        self, seg: Segment, bend: npt.NDArray[np.float32], least: float
    ) -> list[tuple[int, int, float, float]]:
        highest = float(bend[seg.lo : seg.hi].max())
        if highest < BURST_BEND:
            return []
        base = max(seg.lo - BURST_LINK, 0)
        part = bend[: seg.hi + _BURST_REACH]
        high = np.flatnonzero(part[base:] >= BURST_BEND) + base
        first = np.flatnonzero(np.diff(high, prepend=high[0] - BURST_LINK - 1) > BURST_LINK)
        last = np.append(first[1:], len(high)) - 1
        heights = part[high]
        greatest = np.maximum.reduceat(heights, first)
        a, b = high[first], high[last]
        fit = (last - first >= BURST_FEWEST - 1) & (a >= seg.lo) & (a < seg.hi) & (b - a > 2 * GAP)
        fit &= greatest >= BURST_UNEVEN * np.minimum.reduceat(heights, first)
        if not fit.any():
            return []
        # Loud bright sound is full of such bends: those in company cannot be alone.
        many = np.concatenate(([0], np.cumsum(bend * ALONE > greatest[fit].max())))
        before, after = np.maximum(a - GAP, 1), np.minimum(b + GAP + 1, len(bend))
        for low, high_ in (
            (np.maximum(before - AREA, 1), before),
            (after, np.minimum(after + AREA, len(bend))),
        ):
            fit &= (high_ - low < _FEWEST) | (10 * (many[high_] - many[low]) <= high_ - low + 10)
        judged = (_judge(bend, high[first[i] : last[i] + 1], least) for i in np.flatnonzero(fit).tolist())
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


def _lull(bend: npt.NDArray[np.float32], group: npt.NDArray[np.int64]) -> bool:
    """Whether it is quiet right before and after these rows."""
    first, last = int(group[0]), int(group[-1])
    before = bend[max(first - LULL_REACH, 0) : max(first - GAP, 0)].max(initial=0.0)
    after = bend[last + GAP + 1 : last + LULL_REACH + 1].max(initial=0.0)
    return bool(LULL * max(before, after) <= bend[first : last + 1].max())


def _near(highest: FloatArray, of: npt.NDArray[np.int64]) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """For each window of `of`: the median of the greatest bends of itself and RARE_NEAR windows to either
    side (beyond the ends, mirrored), and whether it reaches BURST_BEND, more than _CALM of those windows are
    far below it, and those that reach BURST_BEND are uneven."""
    ends = highest[:RARE_NEAR][::-1], highest, highest[-RARE_NEAR:][::-1]
    padded = np.concatenate(ends) if len(highest) >= RARE_NEAR else np.pad(highest, RARE_NEAR, "symmetric")
    near = padded[of[:, None] + np.arange(2 * RARE_NEAR + 1)]
    ordered = np.partition(near, (_CALM, RARE_NEAR), axis=1)
    median = ordered[:, RARE_NEAR]
    wild = (highest[of] >= BURST_BEND) & (RARE * ordered[:, _CALM] <= highest[of])
    if wild.any():
        least = np.where(near >= BURST_BEND, near, np.inf).min(axis=1)
        wild &= near.max(axis=1) >= BURST_UNEVEN * least
    return median, wild


def _groups(rows: npt.NDArray[np.int64], gap: int) -> list[npt.NDArray[np.int64]]:
    """Rows in order, cut where the next is more than `gap` away."""
    cuts = (np.flatnonzero(np.diff(rows) > gap) + 1).tolist()
    return [rows[a:b] for a, b in zip([0, *cuts], [*cuts, len(rows)], strict=True)]


def _in_a_row(bend: npt.NDArray[np.float32], rows: list[int]) -> list[bool]:
    """For each of these rows whether bends of like height stand at even distances from it."""
    if not rows:
        return []
    peaks = bend[rows]
    high = np.flatnonzero(bend >= LIKE * peaks.min())
    heights = bend[high]
    out = []
    for row, peak in zip(rows, peaks.tolist(), strict=True):
        a, b = np.searchsorted(high, (row - MARGIN, row + MARGIN)).tolist()
        like = high[a:b][(heights[a:b] >= LIKE * peak) & (heights[a:b] * LIKE <= peak)] - row
        like = like[np.abs(like) >= PERIOD]
        # One period to the other side, or a second one to the same.
        out.append(len(like) > 1 and (_meets(like, -like, 2) or _meets(like, 2 * like, 3)))
    return out


def _meets(rows: npt.NDArray[np.int64], wanted: npt.NDArray[np.int64], slack: int) -> bool:
    """Whether any of the wanted rows is there to within `slack`; rows in order."""
    next_ = np.searchsorted(rows, wanted - slack)
    there = next_ < len(rows)
    return bool((rows[next_[there]] <= wanted[there] + slack).any())


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
