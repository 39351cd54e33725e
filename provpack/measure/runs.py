"""Runs of one value: held samples (a constant that is not zero) and mutes (zero).

Sound itself makes runs: quiet or bass-heavy sound passes slowly through one code, so no fixed length tells a
hold from music (domain note section 4: 14-bit noise falling 9 dB per octave has runs to 21 at -40 dBFS, to
140 at -60 dBFS, bright noise at -60 dBFS only to 7). What sets a hold apart is how it ends: the sound moved
on meanwhile, so the first good sample stands away from the held value, while a run that sound made by itself
ends with the smallest step there is. Definitions (proposal, no source), in codes of the word length:

    run             at least MIN_RUN equal samples in a row in one channel, further than RAIL codes from the
                    highest and the lowest sample of the segment in that channel, be they the limits of the
                    word or of a limiter; a segment that moves no further than that has no such limits
    exit step       distance of the first sample after the run from the run's value
    around          greatest step from sample to sample in the AROUND frames before the run and after it
    unit            the least step other than none in the segment (every fourth is looked at), one code at
                    least: sound made louder by a processor has gaps between its codes
    breaking off    exit step >= 2 JUMP units (for zeros: exit or entry step), and the sound was busy before
                    (around before >= a quarter of the step and >= JUMP units), or the step stands alone
                    (> 2.5 times around after), or, for zeros, both steps are large
    sudden          exit step >= JUMP units, but smaller, or out of a calmer into a busier sound
    of its own      exit step < JUMP units; for zeros also out of calm (entry step and around before < JUMP
                    units) into a busy sound: that is how sound begins
    chance length   the longest run of the sound's own within NEAR windows of WINDOW frames either side,
                    the run itself left out, and one that is more than LONE times the next (it may be a hold
                    that ended where the sound was again); never below MIN_RUN - 1: shorter are not looked at
    hold            a run of a value other than zero that breaks off and is longer than the chance length; or
                    is sudden and longer than SUDDEN times it; or is longer than LONGER times it, whatever its
                    end, and stands in every channel at once
    mute            zeros, in the same ways; zeros in every channel for MIN_MUTE frames or more are judged by
                    measure/damage_silence.py instead

A constant value other than zero is a hold, never silence (domain note section 4). A run that touches the
first or last frame has no edge there; only the edge inside the file is judged.
What cannot be told: holds in sound so quiet and slow that it would have stood still anyway.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from provpack.measure.damage_segments import Event, EventList, Segment
from provpack.measure.damage_silence import AROUND, MIN_MUTE, SilenceRuns
from provpack.measure.pcm import IntArray, PcmLayout

MIN_RUN = 9
JUMP = 4
WINDOW = 2048
NEAR = 16
SUDDEN = 2
LONE = 3
LONGER = 6
RAIL = 2
_CONTEXT = 16  # rows before the judged ones: an open run of MIN_RUN samples lies within

_Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunsSummary:
    """Counts of the events kept; longest_hold, leader, trailer (digital silence at the ends) and mute_frames
    (mutes of MIN_MUTE frames or more in all channels) in frames."""

    holds: int
    mutes: int
    longest_hold: int
    leader: int
    trailer: int
    mute_frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RunsResult:
    """events in order of start, at most the cap; left_out: how many more there were."""

    events: tuple[Event, ...]
    left_out: int
    summary: RunsSummary


@dataclass(slots=True)
class _Open:
    """A run that reaches past the judged rows: its first frame, the step into it, the greatest before it."""

    start: int
    entry: int
    before: int


@dataclass(slots=True, kw_only=True)
class _Found:
    """Runs of one channel in one segment, columns of equal length; frames of the file, stop exclusive."""

    start: _Ints
    stop: _Ints
    zero: npt.NDArray[np.bool_]
    inside: npt.NDArray[np.bool_]
    need: _Ints


@dataclass(frozen=True, slots=True)
class _Run:
    """need: how many times the chance length it must exceed."""

    start: int
    stop: int
    zero: bool
    need: int


class RunsDetector:
    """Give it segments in order, then finish()."""

    def __init__(self, *, layout: PcmLayout, cap: int) -> None:
        self._channels = layout.channels
        self._full_scale = layout.full_scale
        self._cap = cap
        self._open: list[_Open | None] = [None] * self._channels
        self._runs: list[list[_Run]] = [[] for _ in range(self._channels)]
        self._unkept = 0
        # per channel: start, stop, zero, need (rows) of the runs whose neighbourhood is not complete
        self._waiting: list[_Ints] = [np.zeros((4, 0), dtype=np.int64) for _ in range(self._channels)]
        self._windows: dict[int, list[tuple[int, int]]] = {}
        self._silence = SilenceRuns(cap)

    def scan(self, seg: Segment) -> None:
        """Look at one segment."""
        self._silence.scan(seg)
        base = max(seg.lo - _CONTEXT, 1)
        ch = self._channels
        flat = seg.codes.reshape(-1)
        # Whether each sample equals the one before it; then, doubling, whether 2, 4, 8 in a row do.
        same = flat[base * ch : seg.hi * ch] == flat[(base - 1) * ch : (seg.hi - 1) * ch]
        for reach in (1, 2, 4):
            same = same[reach * ch :] & same[: -reach * ch] if len(same) > reach * ch else same[:0]
        if same.any():
            for c in range(ch):
                self._file(c, self._channel(seg, c, base, same[c::ch]))
        self._decide(seg.first + seg.hi, seg.last)

    def _channel(self, seg: Segment, c: int, base: int, eight: npt.NDArray[np.bool_]) -> _Found:
        """The runs of one channel that end in this segment; eight[j]: rows base+j .. base+j+7 repeat."""
        framed = np.zeros(len(eight) + 2, dtype=np.bool_)
        framed[1:-1] = eight
        bounds = np.flatnonzero(framed[1:] != framed[:-1])
        start, stop = bounds[::2] + (base - 1), bounds[1::2] + (base + 7)
        fresh = stop >= seg.lo if seg.lo else stop > 0
        start, stop = start[fresh], stop[fresh]
        x: IntArray = seg.codes[:, c]
        frames = start + seg.first
        entry = _steps(x, np.maximum(start, 1)) * (start > 0)
        carried, self._open[c] = self._open[c], None
        if carried and len(start):
            frames[0], entry[0] = carried.start, carried.entry
        if len(stop) and stop[-1] == seg.hi and not seg.last:
            before = _greatest(x, start[-1:] - AROUND)
            self._open[c] = _Open(int(frames[-1]), int(entry[-1]), int(before[0]))
            if carried and len(start) == 1:
                self._open[c] = carried
            start, stop, frames, entry = start[:-1], stop[:-1], frames[:-1], entry[:-1]
        ends = seg.last & (stop == seg.hi)
        leave = _steps(x, np.minimum(stop, seg.rows - 1)) * ~ends
        value = x[stop - 1].astype(np.int64)
        zero = value == 0
        jump = np.where(zero, np.maximum(leave, entry), leave)
        need = np.full(len(start), LONGER)
        at = np.flatnonzero(jump >= JUMP * seg.step)
        if len(at):
            before = _greatest(x, start[at] - AROUND)
            if carried and at[0] == 0:
                before[0] = carried.before
            after = _greatest(x, stop[at] + 1)
            least = JUMP * max(_unit(x), seg.step)
            alone = 2 * jump[at] > 5 * after
            alone |= zero[at] & (np.minimum(leave, entry)[at] >= least)
            off = (alone | ((before >= least) & (4 * before >= jump[at]))) & (jump[at] >= 2 * least)
            own = (jump[at] < least) | (zero[at] & (before < least) & (entry[at] < least) & ~alone)
            need[at] = np.where(own, LONGER, np.where(off, 1, SUDDEN))
        inside = (frames > 0) & ~ends
        kept = ~self._at_rails(x, value, seg.step)
        return _Found(
            start=frames[kept],
            stop=(stop + seg.first)[kept],
            zero=zero[kept],
            inside=inside[kept],
            need=need[kept],
        )

    def _at_rails(self, x: IntArray, value: _Ints, step: int) -> npt.NDArray[np.bool_]:
        """Which values are limits of the word or of the sound; x: the rows of the channel."""
        near = RAIL * step
        high, low = int(x.max()), int(x.min())
        full = np.abs(value) >= self._full_scale - step
        if high - low <= 4 * near:
            return np.asarray(full)
        return np.asarray(full | (((value >= high - near) | (value <= low + near)) & (value != 0)))

    def _file(self, c: int, found: _Found) -> None:
        """Note what the sound does here by itself; let wait what may be more."""
        length = found.stop - found.start
        # A pause of zeros is none of the sound's own runs.
        own = (found.need == LONGER) & found.inside & ~(found.zero & (length >= MIN_MUTE))
        window, lengths = found.start[own] // WINDOW, length[own]
        bounds = [0, *(np.flatnonzero(np.diff(window)) + 1).tolist(), len(window)]
        for a, b in pairwise(bounds if len(window) else ()):
            longest = np.sort(lengths[a:b])[-2:].tolist()
            self._windows.setdefault(int(window[a]), []).extend((n, c) for n in longest)
        # Zeros at the ends of the file are a leader or a trailer.
        again = (length > found.need * (MIN_RUN - 1)) & (found.inside | ~found.zero)
        new = np.stack((found.start, found.stop, found.zero, found.need))[:, again]
        self._waiting[c] = np.concatenate((self._waiting[c], new), axis=1)

    def _keep(self, c: int, runs: _Ints) -> None:
        kept = self._runs[c]
        room = max(self._cap - len(kept), 0)
        self._unkept += max(runs.shape[1] - room, 0)
        kept += [_Run(a, b, bool(zero), need) for a, b, zero, need in runs[:, :room].T.tolist()]

    def _longest_near(self, c: int, first: int, last: int) -> list[int]:
        """The three longest runs of the sound's own in these windows of a channel, longest first."""
        near = range(first - NEAR, last + NEAR + 1)
        return sorted(
            (n for w, runs in self._windows.items() if w in near for n, k in runs if k == c), reverse=True
        )[:3]

    def _decide(self, judged: int, last: bool) -> None:
        """Judge the waiting runs whose neighbourhood is complete; forget windows nobody needs."""
        done = judged // WINDOW
        oldest = done
        for c, runs in enumerate(self._waiting):
            if not runs.shape[1]:
                continue
            first, final = runs[0] // WINDOW, (runs[1] - 1) // WINDOW
            ready = runs[1] // WINDOW + NEAR < done
            ready |= last
            limit = np.zeros(runs.shape[1], dtype=np.int64)
            cuts = np.flatnonzero((np.diff(first) != 0) | (np.diff(final) != 0)) + 1
            for a, b in pairwise([0, *cuts.tolist(), runs.shape[1]]):
                if ready[a]:
                    limit[a:b] = self._limits(c, runs[:, a:b], int(first[a]), int(final[a]))
            self._keep(c, runs[:, ready & (runs[1] - runs[0] > limit)])
            self._waiting[c] = runs[:, ~ready]
            oldest = min(oldest, int(first[~ready].min(initial=oldest)))
        for w in [w for w in self._windows if w < oldest - NEAR - 1]:
            del self._windows[w]

    def _limits(self, c: int, runs: _Ints, first: int, last: int) -> _Ints:
        """What each of these runs must exceed; all of them begin and end in the same windows."""
        length, need = runs[1] - runs[0], runs[3]
        known = self._longest_near(c, first, last)
        # A run of the sound's own kind may itself be the longest one near.
        itself = (need == LONGER) & (length == (known or [0])[0])
        chance = [
            longest if longest <= LONE * second else second
            for longest, second in (
                (*known, MIN_RUN - 1, MIN_RUN - 1)[:2],
                (*known[1:], MIN_RUN - 1, MIN_RUN - 1)[:2],
            )
        ]
        return np.asarray(need * np.where(itself, chance[1], chance[0]))

    def finish(self) -> RunsResult:
        """The events of the whole file; call once, after the last segment."""
        silence = self._silence.events
        spans = [(e.start, e.stop) for e in silence.kept]
        rows = sorted(
            ((run.start, c, run) for c, runs in enumerate(self._runs) for run in _outside(runs, spans)),
            key=lambda row: row[:2],
        )
        events = EventList(self._cap)
        for event in silence.kept:
            events.add(event)
        open_: list[tuple[_Run, list[int]]] = []
        for start, c, run in rows:
            while open_ and open_[0][0].stop <= start:
                self._tell(events, *open_.pop(0))
            for i, (other, channels) in enumerate(open_):
                if c not in channels and run.zero == other.zero and _shared(run, other):
                    need = min(run.need, other.need)
                    open_[i] = (_Run(other.start, max(run.stop, other.stop), run.zero, need), [*channels, c])
                    break
            else:
                open_.append((run, [c]))
        for left in open_:
            self._tell(events, *left)
        kept = sorted(events.kept, key=lambda e: (e.start, -1 if e.channel is None else e.channel))
        holds = [e for e in kept if e.type == "hold"]
        return RunsResult(
            events=tuple(kept),
            left_out=events.left_out + silence.left_out + self._unkept,
            summary=RunsSummary(
                holds=len(holds),
                mutes=sum(e.type == "mute" for e in kept),
                longest_hold=max((e.length for e in holds), default=0),
                leader=self._silence.leader,
                trailer=self._silence.trailer,
                mute_frames=self._silence.mute_frames,
            ),
        )

    def _tell(self, events: EventList, run: _Run, channels: list[int]) -> None:
        everywhere = len(channels) == self._channels
        if run.need == LONGER and not everywhere:
            return
        sure = {1: 0.95 if everywhere else 0.85, SUDDEN: 0.8, LONGER: 0.6}[run.need]
        note = "the sound breaks off" if run.need != LONGER else "far longer than any run near by"
        events.add(
            Event(
                type="mute" if run.zero else "hold",
                start=run.start,
                length=run.stop - run.start,
                channel=None if everywhere else channels[0],
                confidence=sure,
                note=note,
            )
        )


def _steps(x: IntArray, at: _Ints) -> _Ints:
    """|x[at] - x[at - 1]|, wide enough not to overflow."""
    steps: _Ints = np.abs(x[at].astype(np.int64) - x[at - 1])
    return steps


def _greatest(x: IntArray, first: _Ints) -> _Ints:
    """The greatest step into the AROUND rows from each first. For a row that does not exist the nearest
    that does stands in."""
    steps = _steps(x, np.clip(first[:, None] + np.arange(AROUND), 1, len(x) - 1))
    return np.asarray(steps.max(axis=1, initial=0))


def _unit(x: IntArray) -> int:
    """The least step other than none, of every fourth; 0 when there is none."""
    steps = _steps(x, np.arange(1, len(x), 4))
    return int(steps[steps > 0].min(initial=np.iinfo(np.int64).max)) if steps.any() else 0


def _outside(runs: list[_Run], spans: list[tuple[int, int]]) -> list[_Run]:
    """The runs without those zeros that are part of a silence of all channels; both in order of start."""
    out, k = [], 0
    for run in runs:
        while k < len(spans) and spans[k][1] <= run.start:
            k += 1
        if not (run.zero and k < len(spans) and spans[k][0] < run.stop):
            out.append(run)
    return out


def _shared(a: _Run, b: _Run) -> bool:
    """Whether two runs share half of the longer one."""
    common = min(a.stop, b.stop) - max(a.start, b.start)
    return 2 * common >= max(a.stop - a.start, b.stop - b.start)
