"""A proposed assembly of two passes, for the engineer to confirm, and the proof of a finished one.

Nothing is mixed or mended: the target is a row of ranges, each taken bit for bit from one pass (domain note
5, step 11; rule 24 of 8.2).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from provpack.measure.passes import Comparison, Stretch
from provpack.measure.passes_anchors import BLOCK, Read, get, unequal
from provpack.measure.pcm import IntArray

ReadTarget = Callable[[int, int], IntArray]  # (first frame, frames) -> codes


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRange:
    """Frames source_start .. source_end - 1 of pass `which` become target_start .. target_end - 1."""

    which: int
    source_start: int
    source_end: int
    target_start: int
    target_end: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Undecided:
    """A stretch where nothing tells which pass is right; the base was taken."""

    stretch: Stretch
    target_start: int
    target_end: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """base: the pass used where both agree and where nothing decides. frames: length of the target."""

    base: int
    frames: int
    ranges: tuple[SourceRange, ...]
    undecided: tuple[Undecided, ...]


def propose(comparison: Comparison, base: int | None = None) -> Proposal | None:
    """Ranges that tile the target: the undamaged pass where one is, what only one pass has from that pass.

    base: default the pass with fewer frames in damaged stretches, then the one with more frames, then pass 0.
    None when the passes could not be aligned, or when stretches were left out of the comparison.
    """
    if not comparison.stretches or comparison.left_out:
        return None
    if base is None:
        damage = [
            sum(max(s.length) for s in comparison.stretches if s.kind == "differing" and s.damaged == which)
            for which in (0, 1)
        ]
        base = min((0, 1), key=lambda which: (damage[which], -comparison.frames[which], which))
    ranges: list[SourceRange] = []
    undecided: list[Undecided] = []
    at = 0
    for s in comparison.stretches:
        which = base
        if s.kind == "only":
            which = 0 if s.length[0] else 1
        elif s.damaged is not None:
            which = 1 - s.damaged
        start, n = s.start[which], s.length[which]
        if s.kind == "differing" and s.damaged is None:
            undecided.append(Undecided(stretch=s, target_start=at, target_end=at + n))
        if not n:
            continue
        last = ranges[-1] if ranges else None
        if last and last.which == which and last.source_end == start:
            ranges.pop()
            start, target = last.source_start, last.target_start
        else:
            target = at
        at += n
        ranges.append(
            SourceRange(
                which=which,
                source_start=start,
                source_end=start + at - target,
                target_start=target,
                target_end=at,
            )
        )
    return Proposal(base=base, frames=at, ranges=tuple(ranges), undecided=tuple(undecided))


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """index: of the range, -1 for the end of the target. frame: of the target, the first one concerned."""

    kind: Literal["gap", "overlap", "length", "outside", "differs"]
    index: int
    frame: int


def prove(
    ranges: Sequence[SourceRange],
    read: Read,
    frames: Sequence[int],
    read_target: ReadTarget,
    target_frames: int,
) -> tuple[Fault, ...]:
    """Every fault of an assembly; an empty tuple proves it.

    Proven are: the ranges tile 0 .. target_frames in order, lie inside their passes (frames[which] long), are
    as long as what they become, and every one is bit-equal to its source. A range differs at most once here:
    its first frame that does. Any number of passes.
    """
    faults: list[Fault] = []
    at = 0
    for i, r in enumerate(ranges):
        if r.target_start != at:
            faults.append(Fault(kind="gap" if r.target_start > at else "overlap", index=i, frame=at))
        at = r.target_end
        size = r.target_end - r.target_start
        if size <= 0 or size != r.source_end - r.source_start:
            faults.append(Fault(kind="length", index=i, frame=r.target_start))
            continue
        inside = 0 <= r.which < len(frames) and r.source_start >= 0 and r.source_end <= frames[r.which]
        if not inside or r.target_start < 0 or r.target_end > target_frames:
            faults.append(Fault(kind="outside", index=i, frame=r.target_start))
            continue
        wrong = _first_difference(r, read, read_target)
        if wrong is not None:
            faults.append(Fault(kind="differs", index=i, frame=wrong))
    if at != target_frames:
        faults.append(Fault(kind="gap" if at < target_frames else "overlap", index=-1, frame=at))
    return tuple(faults)


def _first_difference(r: SourceRange, read: Read, read_target: ReadTarget) -> int | None:
    def target(_: int, start: int, frames: int) -> IntArray:
        return read_target(start, frames)

    for done in range(0, r.target_end - r.target_start, BLOCK):
        n = min(BLOCK, r.target_end - r.target_start - done)
        source = get(read, r.which, r.source_start + done, n)
        made = get(target, -1, r.target_start + done, n)
        if source.shape != made.shape:
            return r.target_start + done
        rows = np.flatnonzero(unequal(source, made))
        if len(rows):
            return r.target_start + done + int(rows[0])
    return None
