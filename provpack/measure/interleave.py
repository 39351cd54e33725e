"""Concealed samples on the interleave grid of the adaptor recording.

A dropout just too long to be corrected costs single samples 47 or 48 frames apart, spread over some 240
frames in both channels, because neighbouring words of a block lie 16 lines apart and a line carries three
stereo samples (domain note 1.1, 1.5). Three marks are looked for, each a set of samples:

    interpolation   a sample within one step of the mean of its neighbours, and unlike both of them; not
                    where the line just turns from one bend to the other, as every sound's does: bends of
                    opposite sign on both sides, neither above the mean bend of the CELL
    hold            a sample equal to the one before it, not zero, not at the highest or lowest code, with
                    JUMP steps or more to the samples around the two together; not at a crest: steps of
                    opposite sign before and after, neither above the mean step of the CELL
    mute            a sample of exactly zero that stands JUMP steps or more off the line of its neighbours

Any sound carries all three by chance (0.2 % of the samples when bright and loud, 99 % when dull and quiet:
domain note section 4), so each mark is looked for only where its own share is at most APPLICABLE, taken as
the lower quartile of stretches of 256 frames around; elsewhere the answer is "not applicable here".
Definitions (proposal, no source):
    pair            a marked sample with another marked one 47 or 48 frames later in the same channel
    cluster         pairs of both channels that follow each other within LINK frames
    evidence        the most pairs of a cluster within REACH frames, less what chance may give with that share
                    or the one on either side (mean and three deviations) and less the pairs that go on for
                    seven or eight such distances: a dropout cannot, a steady tone of such a period does
    pattern         the 11 samples that a dropout one line too long for P alone costs, two neighbouring
                    words of six blocks 16 lines apart: every longer dropout, and every one too long for P
                    and Q, costs these among others, whatever the decoder makes of the rest
    event           evidence >= EVIDENCE; PATTERN_LEAST of some such pattern marked, of an interpolation all
                    where more than CROWDED of the samples there are marked (a long dropout costs many whole
                    patterns); either channel may be the left one, since boards swap them; the marked samples
                    there stand at least DENSER times as close as on either side, up to 900 frames away; and
                    there the mean bend of the samples without a mark (interpolation) or the mean step (hold)
                    is LIVELY codes or more: in a calm moment between loud ones marks are chance

A voice or a chord can hold its own marks 47 or 48 frames apart for five or six turns; the pattern, which
binds both channels to the sample, is what sound does not follow. Only for two channels. What cannot be told:
a decoder that conceals in another way (higher order), channels that were moved against each other by whole
samples, and where nothing is applicable, whether anything was concealed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from provpack.measure.block import FloatArray
from provpack.measure.damage_segments import MARGIN, SEGMENT, Event, EventList, EventType, Segment
from provpack.measure.pcm import PcmLayout

CELL = 1024
_FINE = 256
APPLICABLE = 0.02
COMMON = 0.1
WHOLLY = 0.4
LAG = 47  # and LAG + 1
JUMP = 4
LINK = 60
REACH = 240
CROWDED = 0.1
EVIDENCE = 5.0
DENSER = 2.0
LIVELY = 16
_ASIDE = (60, 900)  # frames from a cluster: where nothing of it is left, to where sound is still alike
_EVERY = 8  # means are taken of every eighth
_LANES = np.uint64(0x00FF00FF00FF00FF)
_EVERY_LANE = np.uint64(0x0001000100010001)
# (channel, frames before the last of them), from the offsets of the words in a block: domain note 1.1, 1.5
_PATTERN = tuple((word % 2, 48 * w - word // 2) for w in range(6) for word in (w, w + 1) if word < 6)
_FAR = ((7 * LAG, 7 * (LAG + 1)), (8 * LAG, 8 * (LAG + 1)))

Mark = Literal["interpolation", "hold", "mute"]
MARKS: tuple[Mark, ...] = ("interpolation", "hold", "mute")
PATTERN_LEAST: dict[Mark, int] = {"interpolation": 9, "hold": 9, "mute": 7}  # zeros in a row lose their mark
Verdict = Literal["found", "none_found", "not_applicable_here"]
_Bools = npt.NDArray[np.bool_]
_Ints = npt.NDArray[np.int64]
_Unfit = Callable[[int, _Ints], _Bools]
_Moves = Callable[[slice], FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkResult:
    """One mark: frames of the file where it could be looked for, its share of the samples there (what
    chance gives, and damage; None when nowhere) before those are taken away that the sound explains, the
    verdict: not_applicable_here when it could be looked for nowhere."""

    mark: Mark
    applicable_frames: int
    share: float | None
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class InterleaveResult:
    """events in order of start, at most the cap."""

    events: tuple[Event, ...]
    left_out: int
    marks: tuple[MarkResult, ...]


class InterleaveDetector:
    """Give it segments in order with their second differences (measure/clicks.py), then finish()."""

    def __init__(self, *, layout: PcmLayout, cap: int) -> None:
        self._stereo = layout.channels == 2
        self._full_scale = layout.full_scale
        self._events = EventList(cap)
        self._frames = dict.fromkeys(MARKS, 0)
        self._marked = dict.fromkeys(MARKS, 0.0)
        self._found = dict.fromkeys(MARKS, 0)
        # One cell more than rows: what lies past the end is never marked, nor taken for the other channel.
        shape = (2, SEGMENT + 2 * MARGIN + CELL) if self._stereo else (2, CELL)
        self._same, self._zero, self._mark, self._side = (np.zeros(shape, np.bool_) for _ in range(4))

    def scan(self, seg: Segment, signed: FloatArray, bend: FloatArray) -> None:
        """Look at one segment."""
        if not self._stereo or seg.rows < 3:
            return
        rows = seg.rows
        step = seg.step / self._full_scale
        same, zero, mark, side = (b[:, :rows] for b in (self._same, self._zero, self._mark, self._side))
        for used in (self._same, self._zero, self._mark):
            used[:, rows:] = False
        x = seg.planar
        np.equal(x[:, 1:], x[:, :-1], out=same[:, 1:])
        same[:, 0] = False
        np.equal(x, 0, out=zero)
        # 'greater' of two truth values: the one and not the other.
        np.less_equal(bend, 1.5 * step, out=mark)
        np.greater(mark, same, out=mark)
        np.greater(mark[:, :-1], same[:, 1:], out=mark[:, :-1])
        mark[:, 0] = mark[:, -1] = False
        bend_means = _means(bend[:, ::_EVERY])

        def straight_by_itself(c: int, n: _Ints) -> _Bools:
            return _turning(signed[c, n - 1], signed[c, n + 1], bend_means[c, n // CELL])

        self._look(seg, "interpolation", self._mark, straight_by_itself, lambda part: bend[:, part])
        np.greater(same, zero, out=same)
        rail = 1.0 - step
        if seg.codes.max() >= self._full_scale - seg.step or seg.codes.min() <= -self._full_scale:
            np.greater(same, (x >= rail) | (x <= -1.0), out=same)
        step_means = _means(np.abs(x[:, 1::_EVERY] - x[:, : rows - 1 : _EVERY]))
        least = np.float32((JUMP - 0.5) * step)

        def still_by_itself(c: int, n: _Ints) -> _Bools:
            before, after = x[c, n - 1] - x[c, n - 2], x[c, n + 1] - x[c, n]
            still = np.abs(before) + np.abs(after) < least
            return np.asarray(still | _turning(before, after, step_means[c, n // CELL]))

        self._look(
            seg, "hold", self._same, still_by_itself, lambda part: np.abs(np.diff(x[:, part], append=0))
        )
        if zero.any():
            zero &= np.greater(bend, (JUMP - 0.5) * step, out=side)
        self._look(seg, "mute", self._zero, None, None)

    def _look(
        self, seg: Segment, mark: Mark, marked: _Bools, by_itself: _Unfit | None, moves: _Moves | None
    ) -> None:
        """One mark in one segment; marked: (2, rows and one cell more), contiguous. by_itself: which of the
        marked rows of a channel the sound explains; they lose their mark. moves: how much the sound moves in
        some rows, None = it need not."""
        if not marked.any():
            self._frames[mark] += seg.hi - seg.lo
            return
        flat, width = marked.reshape(-1), marked.shape[1]
        cells = -(-seg.rows // CELL)
        sizes = np.full(cells, 2 * CELL)
        sizes[-1] -= 2 * (cells * CELL - seg.rows)
        fine = _per_fine(marked)[:cells]
        share = fine.sum(axis=1) / sizes
        around = _clean_share(fine, seg.rows)
        common = (around > COMMON) | (share > WHOLLY)  # so common that sifting will not make it rare
        if common.all():
            return
        if common.any():
            marked.reshape(2, -1, CELL)[:, np.flatnonzero(common)] = False
        at = np.flatnonzero(flat)
        sift = by_itself if (around > APPLICABLE).any() or self._clusters(seg, at, flat, width) else None
        if sift and len(at):
            middle = np.searchsorted(at, width)
            for c, n in ((0, at[:middle]), (1, at[middle:] - width)):
                marked[c, n[sift(c, np.clip(n, 2, seg.rows - 3))]] = False
            at = at[flat[at]]
            sifted = np.bincount(at % width // _FINE, minlength=width // _FINE).reshape(-1, CELL // _FINE)
            around = _clean_share(np.where(common[:, None], fine, sifted[:cells]), seg.rows)
        first = np.arange(0, cells * CELL, CELL)
        judged = np.maximum(np.minimum(first + CELL, seg.hi) - np.maximum(first, seg.lo), 0)
        usable = around <= APPLICABLE
        self._frames[mark] += int(judged[usable].sum())
        self._marked[mark] += float((share * judged)[usable].sum())
        for rows, channels in self._clusters(seg, at[usable[at % width // CELL]], flat, width):
            self._judge(seg, mark, marked, moves, (rows, channels), float(around[int(rows[0]) // CELL]))

    @staticmethod
    def _clusters(seg: Segment, at: _Ints, flat: _Bools, width: int) -> list[tuple[_Ints, _Ints]]:
        """The clusters of pairs that begin in the judged rows and have enough of them: rows in order, and
        the channel of each."""
        if len(at) < EVIDENCE:
            return []
        pairs = at[flat[at + LAG] | flat[at + LAG + 1]]
        if len(pairs) < EVIDENCE:
            return []
        order = np.argsort(pairs % width, kind="stable")
        rows, channels = (pairs % width)[order], (pairs // width)[order]
        bounds = [0, *(np.flatnonzero(np.diff(rows) > LINK) + 1).tolist(), len(rows)]
        return [
            (rows[a:b], channels[a:b])
            for a, b in pairwise(bounds)
            if b - a >= EVIDENCE and seg.lo <= rows[a] < seg.hi
        ]

    def _judge(
        self,
        seg: Segment,
        mark: Mark,
        marked: _Bools,
        moves: _Moves | None,
        pairs: tuple[_Ints, _Ints],
        chance: float,
    ) -> None:
        """One cluster of pairs: rows in order, and the channel of each."""
        rows, channels = pairs
        counts = np.searchsorted(rows, rows + REACH) - np.arange(len(rows))
        best = int(np.argmax(counts))
        there = slice(best, best + int(counts[best]))
        aside = max(
            _density(marked, int(rows[0]) - _ASIDE[1], int(rows[0]) - _ASIDE[0], seg.rows),
            _density(marked, int(rows[-1]) + LAG + _ASIDE[0], int(rows[-1]) + LAG + _ASIDE[1], seg.rows),
        )
        first = int(rows[best])
        inside = _density(marked, first, int(rows[there][-1]) + LAG + 2, seg.rows)
        expected = 4 * REACH * max(chance, aside) ** 2
        evidence = float(counts[best]) - expected - 3 * expected**0.5
        if evidence < EVIDENCE or inside < DENSER * aside:
            return
        crowded = mark == "interpolation" and inside > CROWDED
        needed = len(_PATTERN) if crowded else PATTERN_LEAST[mark]
        if _pattern(marked, int(rows[0]), min(int(rows[-1]) + 2 * REACH, seg.rows)) < needed:
            return
        evidence -= sum(_goes_on(marked[c], rows[there][channels[there] == c]) for c in (0, 1))
        if evidence < EVIDENCE:
            return
        if moves:
            part = slice(int(rows[0]), min(int(rows[-1]) + LAG + 2, seg.rows))
            # Held samples take steps from one another and give them to the next: all count. Straight ones
            # take the bend away.
            lively = moves(part) if mark == "hold" else moves(part)[~marked[:, part]]
            if lively.size == 0 or float(lively.mean()) < LIVELY * seg.step / self._full_scale:
                return
        self._found[mark] += 1
        both = len(np.unique(channels)) == 2
        kind: EventType = mark
        start = int(rows[0])
        self._events.add(
            Event(
                type=kind,
                start=seg.first + start,
                length=int(rows[-1]) + LAG + 1 - start,
                channel=None if both else int(channels[0]),
                confidence=round(float(min(0.95, 0.5 + 0.05 * (evidence - EVIDENCE))), 2),
                note=f"single samples on the interleave grid, {len(rows)} pairs 47 or 48 frames apart",
            )
        )

    def finish(self) -> InterleaveResult:
        """The events and what could be looked for, of the whole file."""
        marks = tuple(
            MarkResult(
                mark=mark,
                applicable_frames=self._frames[mark],
                share=round(self._marked[mark] / self._frames[mark], 6) if self._frames[mark] else None,
                verdict="found"
                if self._found[mark]
                else "none_found"
                if self._frames[mark]
                else "not_applicable_here",
            )
            for mark in MARKS
        )
        kept = sorted(self._events.kept, key=lambda e: (e.start, e.type))
        return InterleaveResult(events=tuple(kept), left_out=self._events.left_out, marks=marks)


def _turning(
    before: npt.NDArray[np.float32], after: npt.NDArray[np.float32], usual: npt.NDArray[np.float32]
) -> _Bools:
    """Where a curve passes from one sign to the other in small values, as every smooth one does."""
    turning: _Bools = (before * after < 0) & (np.maximum(np.abs(before), np.abs(after)) < usual)
    return turning


def _means(values: FloatArray) -> FloatArray:
    """Mean of each cell from every eighth value, (channels, cells and two more); what is left over has the
    mean of the last one."""
    cell = CELL // _EVERY
    whole = values.shape[1] // cell
    if not whole:
        return np.repeat(values.mean(axis=1, keepdims=True), 3, axis=1)
    means = np.add.reduce(values[:, : whole * cell].reshape(2, whole, cell), axis=2) / np.float32(cell)
    return np.concatenate((means, means[:, -1:], means[:, -1:]), axis=1)


def _clean_share(fine: _Ints, rows: int) -> npt.NDArray[np.float64]:
    """For each cell the lower quartile of the shares of _FINE frames in it and two cells either side; fine:
    (cells, CELL / _FINE) marked samples. Dropouts, even in every field, leave a quarter untouched."""
    # What lies past the end, or is cut by it, is taken to be as the last whole stretch is.
    whole = rows // _FINE
    flat = fine.flatten()
    flat[whole:] = flat[whole - 1] if whole else 2 * _FINE
    fine = flat.reshape(fine.shape)
    wide = np.concatenate((fine[:1], fine[:1], fine, fine[-1:], fine[-1:]))
    across = CELL // _FINE
    near = np.lib.stride_tricks.as_strided(
        wide, (len(fine), 5 * across), (across * wide.itemsize, wide.itemsize), writeable=False
    )
    quarter = near.shape[1] // 4
    return np.asarray(np.partition(near, quarter, axis=1)[:, quarter] / (2 * _FINE))


def _per_fine(marked: _Bools) -> _Ints:
    """How many samples of both channels are marked in each _FINE frames, (cells, CELL / _FINE)."""
    # Truth values are bytes: 32 words of eight add up without one byte running into the next; then the
    # bytes of both channels' words are added in lanes of 16 bits, the four lanes at once by a product.
    words = np.add.reduce(marked.view(np.uint64).reshape(2, -1, _FINE // 8), axis=2)
    lanes = (words & _LANES) + ((words >> np.uint64(8)) & _LANES)
    counts: _Ints = (((lanes[0] + lanes[1]) * _EVERY_LANE) >> np.uint64(48)).astype(np.int64)
    return counts.reshape(-1, CELL // _FINE)


def _density(marked: _Bools, start: int, stop: int, rows: int) -> float:
    """Share of marked samples in rows start .. stop-1, as far as they exist; 0 where none does."""
    part = marked[:, max(start, 0) : max(min(stop, rows), 0)]
    return np.count_nonzero(part) / part.size if part.size else 0.0


def _pattern(marked: _Bools, start: int, stop: int) -> int:
    """The most marked samples of one pattern whose last one lies in rows start .. stop-1."""
    start = max(start, REACH)
    if start >= stop:
        return 0
    best = 0
    for left in (0, 1):
        count = np.zeros(stop - start, dtype=np.int8)
        for channel, back in _PATTERN:
            count += marked[channel ^ left, start - back : stop - back]
        best = max(best, int(count.max()))
    return best


def _goes_on(marked: _Bools, rows: _Ints) -> int:
    """How many of these rows have a marked one seven or eight grid distances on, whichever side has more."""
    if not len(rows):
        return 0
    base = max(int(rows[0]) - _FAR[-1][1], 0)
    part = marked[base : int(rows[-1]) + _FAR[-1][1] + 1]
    so_far = np.concatenate(([0], np.cumsum(part)))
    at, most = rows - base, 0
    for near, far in _FAR:
        for first in (at + near, at - far):
            ends = np.clip(np.stack((first, first + far - near + 1)), 0, len(part))
            most = max(most, int(np.count_nonzero(so_far[ends[1]] > so_far[ends[0]])))
    return most
