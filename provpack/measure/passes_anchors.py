"""Where two captures of one carrier hold the same samples: rare windows of 64 frames that occur in both.

Each run of WINDOW frames has a hash of its content; a window is an anchor when the top `rarity` bits of its
hash are zero, so both passes pick the same windows wherever these lie. Windows that hardly move (silence, a
held value) and windows that occur twice in one pass (a test tone) say nothing about place and are not used.
Memory: at most 2 * MOST_ANCHORS anchors per pass; if more arise, the rarity is raised, for both alike.
[method: proposal, no source]
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from provpack.errors import Bug
from provpack.measure.pcm import IntArray

Read = Callable[[int, int, int], IntArray]  # (pass 0 or 1, first frame, frames) -> codes (frames, channels)
Words = npt.NDArray[np.uint64]
Places = npt.NDArray[np.int64]

WINDOW = 64
BLOCK = 1 << 16
LIVELY = 24  # of the 63 steps inside a window, so many at least must change a code
MOST_ANCHORS = 1 << 17
WANTED_ANCHORS = 1 << 16
MIN_VOTES = 3
MIN_VOTES_DENSE = 16  # when every window is an anchor: 79 equal frames

_RADIX = 0x9E3779B97F4A7C15 | 1
_MIX = 0xD6E8FEB86659FD93
_INVERSE = pow(_RADIX, -1, 1 << 64)
_HIGH = np.uint64(32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Island:
    """Anchors of one lag that follow each other: frames a0 .. a1 - 1 of pass 0 lie at the same plus lag in
    pass 1. Both ends are proven windows; in between the passes may differ."""

    a0: int
    a1: int
    lag: int
    votes: int


def get(read: Read, which: int, start: int, frames: int) -> IntArray:
    """Read exactly; raises Bug when the caller's read gives less or another shape."""
    codes = read(which, start, frames)
    if codes.ndim != 2 or len(codes) != frames:
        raise Bug(
            "passes-read",
            f"Asked for {frames} frames of pass {which} at {start}, got {codes.shape}.",
            where="measure/passes",
            todo="Report this.",
        )
    return codes


def unequal(one: IntArray, two: IntArray) -> npt.NDArray[np.bool_]:
    """Per frame, whether any channel differs; column by column, ten times as fast as any(axis=1)."""
    differs: npt.NDArray[np.bool_] = one[:, 0] != two[:, 0]
    for c in range(1, one.shape[1]):
        differs |= one[:, c] != two[:, c]
    return differs


def rarity_for(frames: int) -> int:
    """So many top bits must be zero that about WANTED_ANCHORS windows remain; 0 takes every window."""
    return max(0, (frames // WANTED_ANCHORS).bit_length())


@cache
def _powers() -> tuple[Words, Words]:
    size = BLOCK + WINDOW
    up, down = np.full(size, _RADIX, dtype=np.uint64), np.full(size, _INVERSE, dtype=np.uint64)
    up[0] = down[0] = 1
    return np.multiply.accumulate(up), np.multiply.accumulate(down)


def frame_words(codes: IntArray) -> Words:
    """One well mixed 64-bit word per frame, of all its channels."""
    if codes.dtype == np.dtype("<i2") and codes.shape[1] == 2 and codes.flags.c_contiguous:
        word = codes.view("<u4")[:, 0].astype(np.uint64)  # two 16-bit channels are one 32-bit word
    else:
        word = np.zeros(len(codes), dtype=np.uint64)
        for c in range(codes.shape[1]):
            word = word * np.uint64(_RADIX) + codes[:, c].astype(np.int64).view(np.uint64)
    word *= np.uint64(_MIX)
    word ^= word >> _HIGH
    word *= np.uint64(_MIX)
    return word


def _pick(codes: IntArray, rarity: int) -> tuple[Words, Places]:
    """Hash and first frame of the rare windows that move."""
    word = frame_words(codes)
    n = len(word) - WINDOW + 1
    up, down = _powers()
    total = np.zeros(len(word) + 1, dtype=np.uint64)
    np.cumsum(word * up[: len(word)], out=total[1:])
    hashes = total[WINDOW:] - total[:-WINDOW]
    hashes *= down[:n]
    places = np.flatnonzero(rare(hashes, rarity)) if rarity else np.arange(n)
    moves = np.lib.stride_tricks.sliding_window_view(word[1:] != word[:-1], WINDOW - 1)[places]
    places = places[moves.view(np.uint8).sum(axis=1, dtype=np.uint8) >= LIVELY]
    return hashes[places], places


class _Heap:
    """Anchors of one pass: hash and place; place -1 for a hash that was met more than once."""

    def __init__(self, rarity: int) -> None:
        self.rarity = rarity
        self.hashes: Words = np.zeros(0, dtype=np.uint64)
        self.places: Places = np.zeros(0, dtype=np.int64)
        self._waiting: list[tuple[Words, Places]] = []
        self._count = 0

    def add(self, hashes: Words, places: Places) -> None:
        self._waiting.append((hashes, places))
        self._count += len(hashes)
        if self._count > MOST_ANCHORS:
            self.settle()

    def settle(self) -> None:
        """One entry per hash, sorted by hash; raise the rarity until they fit."""
        hashes = np.concatenate([self.hashes, *(w[0] for w in self._waiting)])
        places = np.concatenate([self.places, *(w[1] for w in self._waiting)])
        self._waiting, self._count = [], 0
        self.hashes, first, count = np.unique(hashes, return_index=True, return_counts=True)
        self.places = np.where(count == 1, places[first], -1)
        while len(self.hashes) > MOST_ANCHORS:
            self.thin(self.rarity + 1)

    def thin(self, rarity: int) -> None:
        self.rarity = max(self.rarity, rarity)
        keep = rare(self.hashes, self.rarity)
        self.hashes, self.places = self.hashes[keep], self.places[keep]


def rare(hashes: Words, rarity: int) -> npt.NDArray[np.bool_]:
    """Which hashes have their top `rarity` bits zero."""
    return hashes < np.uint64(1 << (64 - rarity)) if rarity else np.ones(len(hashes), dtype=np.bool_)


def _collect(read: Read, which: int, start: int, end: int, rarity: int) -> _Heap:
    heap = _Heap(rarity)
    for at in range(start, end - WINDOW + 1, BLOCK):
        frames = min(BLOCK + WINDOW - 1, end - at)
        hashes, places = _pick(get(read, which, at, frames), heap.rarity)
        heap.add(hashes, places + at)
    heap.settle()
    return heap


def find_islands(read: Read, a: tuple[int, int], b: tuple[int, int], rarity: int) -> tuple[Island, ...]:
    """Islands in ascending order in both passes, within frames a of pass 0 and b of pass 1.

    If little was found to compare (long silence around short sound), more windows are taken.
    """
    while True:
        one, two = _collect(read, 0, *a, rarity), _collect(read, 1, *b, rarity)
        common = max(one.rarity, two.rarity)
        one.thin(common)
        two.thin(common)
        _, i, j = np.intersect1d(one.hashes, two.hashes, assume_unique=True, return_indices=True)
        pa, pb = one.places[i], two.places[j]
        known = (pa >= 0) & (pb >= 0)
        found = _chain(pa[known], pb[known], MIN_VOTES if common else MIN_VOTES_DENSE)
        few = min(len(one.hashes), len(two.hashes)) * 64 < WANTED_ANCHORS
        if found or not rarity or not few or common > rarity:
            return found
        rarity = max(0, rarity - 4)


def _chain(pa: Places, pb: Places, votes: int) -> tuple[Island, ...]:
    """The heaviest chain of islands that ascends in both passes; those with too few anchors are left out."""
    order = np.argsort(pa, kind="stable")
    pa, pb = pa[order], pb[order]
    lag = pb - pa
    if not len(pa):
        return ()
    cut = np.flatnonzero(np.diff(lag)) + 1
    first = np.concatenate([[0], cut])
    last = np.concatenate([cut, [len(pa)]]) - 1
    heavy = [(int(pa[f]), int(pa[e]), int(lag[f]), int(e - f + 1)) for f, e in zip(first, last, strict=True)]
    merged: list[tuple[int, int, int, int]] = []
    for run in _heaviest(heavy):
        if merged and merged[-1][2] == run[2]:
            merged[-1] = (merged[-1][0], run[1], run[2], merged[-1][3] + run[3])
        else:
            merged.append(run)
    strong = [r for r in merged if r[3] >= votes]
    islands: list[Island] = []
    for a_first, a_last, shift, count in strong:
        if islands and islands[-1].lag == shift:  # what stood between them was too weak
            before = islands.pop()
            a_first, count = before.a0, before.votes + count
        islands.append(Island(a0=a_first, a1=a_last + WINDOW, lag=shift, votes=count))
    return tuple(_disjoint(islands))


def _disjoint(islands: list[Island]) -> list[Island]:
    """Windows of neighbouring islands may overlap by less than a window: cut the later one's head."""
    out: list[Island] = []
    for island in islands:
        a0 = island.a0
        if out:
            a0 = max(a0, out[-1].a1, out[-1].a1 + out[-1].lag - island.lag)
        if a0 < island.a1:
            out.append(Island(a0=a0, a1=island.a1, lag=island.lag, votes=island.votes))
    return out


def _heaviest(runs: list[tuple[int, int, int, int]]) -> list[tuple[int, int, int, int]]:
    """Of runs (a first, a last, lag, votes), ascending in a, the chain of most votes that ascends in b too.

    A list of ever better (b end, votes) pairs is kept sorted; n log n for the few runs that occur.
    """
    ends: list[int] = []  # b ends, ascending, with ascending totals
    totals: list[int] = []
    holders: list[int] = []
    before: list[int] = []
    for i, (a_first, a_last, lag, votes) in enumerate(runs):
        at = bisect_left(ends, a_first + lag)
        before.append(holders[at - 1] if at else -1)
        total = votes + (totals[at - 1] if at else 0)
        end = a_last + lag
        at = bisect_left(ends, end)
        if at and totals[at - 1] >= total:
            continue
        stop = at
        while stop < len(ends) and totals[stop] <= total:
            stop += 1
        ends[at:stop], totals[at:stop], holders[at:stop] = [end], [total], [i]
    chain = []
    i = holders[-1] if holders else -1
    while i >= 0:
        chain.append(runs[i])
        i = before[i]
    return chain[::-1]
