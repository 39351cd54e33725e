"""Piecewise alignment of two passes: stretches of constant lag, and what lies between them.

Islands of common windows (measure/passes_anchors.py) are found over both files, then again, with more
windows, in each gap where the lag changes or the passes differ for long: lost and inserted frames show as a
change of lag. What remains unexplained between two lags is narrowed from both ends to the frames that really
differ.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from provpack.measure.passes_anchors import (
    BLOCK,
    WINDOW,
    Island,
    Read,
    find_islands,
    get,
    rarity_for,
    unequal,
)

JOIN = 64  # differing frames closer than this are one stretch: isolated losses come 48 frames apart
LONG = 256  # from here on a differing stretch is searched for a change of lag inside
MOST_STRETCHES = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Frames a0 .. a1 - 1 of pass 0 stand against b0 .. b1 - 1 of pass 1. aligned: of equal length, one frame
    against one (some may differ); otherwise the lengths may differ and nothing is known to correspond."""

    a0: int
    a1: int
    b0: int
    b1: int
    aligned: bool

    @property
    def lag(self) -> int:
        return self.b0 - self.a0


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A stretch that differs, ends included; frames: how many frames inside really do (of equal length), or
    the longer of the two lengths."""

    place: Place
    frames: int


def align(read: Read, frames: tuple[int, int]) -> tuple[Place, ...]:
    """Places in order, tiling both files; empty when no common samples were found."""
    whole = Place(a0=0, a1=frames[0], b0=0, b1=frames[1], aligned=False)
    rarity = rarity_for(max(frames))
    islands = find_islands(read, (0, frames[0]), (0, frames[1]), rarity)
    return tuple(_joined(_filled(read, whole, islands, rarity, (False, False)))) if islands else ()


def _filled(
    read: Read, place: Place, islands: tuple[Island, ...], rarity: int, fixed: tuple[bool, bool]
) -> Iterator[Place]:
    """The islands of a place and what lies between; fixed: whether its ends adjoin known frames."""
    a, b = place.a0, place.b0
    for i, island in enumerate(islands):
        gap = Place(a0=a, a1=island.a0, b0=b, b1=island.a0 + island.lag, aligned=False)
        yield from _gap(read, gap, rarity, (fixed[0] or i > 0, True))
        a, b = island.a1, island.a1 + island.lag
        yield Place(a0=island.a0, a1=a, b0=island.a0 + island.lag, b1=b, aligned=True)
    yield from _gap(
        read, Place(a0=a, a1=place.a1, b0=b, b1=place.b1, aligned=False), rarity, (True, fixed[1])
    )


def _gap(read: Read, gap: Place, rarity: int, fixed: tuple[bool, bool]) -> Iterator[Place]:
    la, lb = gap.a1 - gap.a0, gap.b1 - gap.b0
    if la == lb and all(fixed):
        if la:
            yield Place(a0=gap.a0, a1=gap.a1, b0=gap.b0, b1=gap.b1, aligned=True)
        return
    finer = rarity_for(max(la, lb))
    if min(la, lb) >= WINDOW and finer < rarity:
        islands = find_islands(read, (gap.a0, gap.a1), (gap.b0, gap.b1), finer)
        if islands:
            yield from _filled(read, gap, islands, finer, fixed)
            return
    if all(fixed):
        yield from _narrowed(read, gap)
        return
    # The head or the tail of the files: one pass may simply begin earlier or end later.
    n = min(la, lb)
    if fixed[1]:
        yield Place(a0=gap.a0, a1=gap.a1 - n, b0=gap.b0, b1=gap.b1 - n, aligned=False)
        yield Place(a0=gap.a1 - n, a1=gap.a1, b0=gap.b1 - n, b1=gap.b1, aligned=True)
    else:
        yield Place(a0=gap.a0, a1=gap.a0 + n, b0=gap.b0, b1=gap.b0 + n, aligned=True)
        yield Place(a0=gap.a0 + n, a1=gap.a1, b0=gap.b0 + n, b1=gap.b1, aligned=False)


def _narrowed(read: Read, gap: Place) -> Iterator[Place]:
    """Between two lags: equal frames from the left at the left lag, then from the right at the right one."""
    room = min(gap.a1 - gap.a0, gap.b1 - gap.b0)
    left = _equal_run(read, gap.a0, gap.b0, room, 1)
    right = _equal_run(read, gap.a1, gap.b1, room - left, -1)
    a0, b0, a1, b1 = gap.a0 + left, gap.b0 + left, gap.a1 - right, gap.b1 - right
    yield Place(a0=gap.a0, a1=a0, b0=gap.b0, b1=b0, aligned=True)
    yield Place(a0=a0, a1=a1, b0=b0, b1=b1, aligned=False)
    yield Place(a0=a1, a1=gap.a1, b0=b1, b1=gap.b1, aligned=True)


def _equal_run(read: Read, a: int, b: int, room: int, step: int) -> int:
    """How many frames from a and b on (step 1), or before them (step -1), are equal; at most room."""
    done = 0
    while done < room:
        n = min(BLOCK, room - done)
        at = (a + done, b + done) if step > 0 else (a - done - n, b - done - n)
        where = np.flatnonzero(unequal(get(read, 0, at[0], n), get(read, 1, at[1], n)))
        if len(where):
            return done + (int(where[0]) if step > 0 else n - 1 - int(where[-1]))
        done += n
    return room


def _joined(places: Iterator[Place]) -> Iterator[Place]:
    """Without empty places; neighbours of one lag become one."""
    held: Place | None = None
    for place in places:
        if place.a0 == place.a1 and place.b0 == place.b1:
            continue
        if held and held.aligned and place.aligned and held.lag == place.lag:
            held = Place(a0=held.a0, a1=place.a1, b0=held.b0, b1=place.b1, aligned=True)
            continue
        if held:
            yield held
        held = place
    if held:
        yield held


def differences(read: Read, places: tuple[Place, ...]) -> Iterator[Difference]:
    """All stretches that differ, in order. A long one inside an aligned place is searched for a change of lag
    (frames lost and later gained again) and then comes as several."""
    for place in places:
        if not place.aligned:
            yield Difference(place=place, frames=max(place.a1 - place.a0, place.b1 - place.b0))
            continue
        for start, end, count in _unequal(read, place):
            part = Place(
                a0=place.a0 + start, a1=place.a0 + end, b0=place.b0 + start, b1=place.b0 + end, aligned=True
            )
            if end - start < LONG:
                yield Difference(place=part, frames=count)
                continue
            rarity = rarity_for(end - start)
            islands = find_islands(read, (part.a0, part.a1), (part.b0, part.b1), rarity)
            if any(i.lag != part.lag for i in islands):
                inner = tuple(_joined(_filled(read, part, islands, rarity, (True, True))))
                yield from differences(read, inner)
            else:
                yield Difference(place=part, frames=count)


def _unequal(read: Read, place: Place) -> Iterator[tuple[int, int, int]]:
    """(start, end, differing frames) of stretches in an aligned place, relative to it."""
    start, end, count = -1, -1, 0
    for at in range(0, place.a1 - place.a0, BLOCK):
        n = min(BLOCK, place.a1 - place.a0 - at)
        one, two = get(read, 0, place.a0 + at, n), get(read, 1, place.b0 + at, n)
        rows = np.flatnonzero(unequal(one, two))
        if not len(rows):
            continue
        for part in np.split(rows, np.flatnonzero(np.diff(rows) > JOIN) + 1):
            first, last = int(part[0]) + at, int(part[-1]) + at
            if start >= 0 and first - (end - 1) <= JOIN:
                end, count = last + 1, count + len(part)
                continue
            if start >= 0:
                yield start, end, count
            start, end, count = first, last + 1, len(part)
    if start >= 0:
        yield start, end, count
