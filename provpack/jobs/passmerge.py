"""An assembly proposed from any number of passes: the best one, with sound frames of others where it looks
damaged or lacks what they have. For two passes the same as measure/passes_assembly.py `propose`.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from provpack.measure.passes import Comparison
    from provpack.measure.passes_anchors import Read

BLOCK = 1 << 16
MOST_UNEXPLAINED = 0.25
SIGN_WORDS: Mapping[str, str] = {
    "muted": "all its samples are zero there",
    "held": "its value stands still there",
    "interpolated": "its samples are the means of their neighbours (decoders conceal like that)",
    "smooth": "a smooth curve bridges the gap there",
    "repeated": "it repeats the frames beside them",
    "break": "its signal jumps at the edges",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedRange:
    """A row of an assembly, ends exclusive. note: why this pass, or that nothing tells; else empty."""

    pass_n: int
    source_start: int
    source_end: int
    target_start: int
    target_end: int
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Open:
    """A stretch where nothing tells which is right: frames of the base, of the other pass, and of the target
    (where the base was taken). Ends are exclusive."""

    other: int
    base: tuple[int, int]
    theirs: tuple[int, int]
    target: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposed:
    """frames: length of the target. whole: it is the base as it stands, with a row for each open place."""

    base: int
    frames: int
    ranges: tuple[ProposedRange, ...]
    undecided: tuple[Open, ...]
    whole: bool


@dataclass(frozen=True, slots=True)
class _Edit:
    """Frames start .. end - 1 of the base give way to source .. source + length - 1 of pass n."""

    start: int
    end: int
    n: int
    source: int
    length: int
    note: str

    def cut(self, start: int, end: int) -> _Edit:
        """The part of an edit of unchanged length that lies in start .. end - 1."""
        source = self.source + start - self.start
        return _Edit(start, end, self.n, source, end - start, self.note)


def together(found: Comparison) -> bool:
    """Whether the frames of two passes can stand in for each other.

    Not so when they differ nearly everywhere without a sign of damage: behind a level control, silence
    and the softest passages still agree. [limit: proposal, no source]
    """
    unexplained = sum(
        s.differing_frames for s in found.stretches if s.kind == "differing" and s.damaged is None
    )
    return bool(found.stretches) and unexplained <= MOST_UNEXPLAINED * min(found.frames)


def merge(
    base: int, frames: int, pairs: Mapping[int, Comparison], read: Read | None = None
) -> Proposed | None:
    """pairs: for each other pass its comparison with the base (pass 0 there). frames: of the base.

    read(n, start, frames), by pass number: lets a third pass decide where two alone do not. None when no pass
    could be aligned with the base, or when stretches were left out of a comparison.
    """
    aligned = {n: c for n, c in pairs.items() if c.stretches}
    if not aligned or any(c.left_out for c in aligned.values()):
        return None
    edits: list[_Edit] = []
    unclear: list[tuple[int, tuple[int, int], tuple[int, int]]] = []
    for n, comparison in aligned.items():
        for s in comparison.stretches:
            start, end = s.start[0], s.start[0] + s.length[0]
            if (s.kind == "only" and s.length[1]) or (s.kind == "differing" and s.damaged == 0):
                why = (
                    f"pass {base} has none of it"
                    if s.kind == "only"
                    else why_damaged(base, s.verdict.signs[0])
                )
                edits.append(_Edit(start, end, n, s.start[1], s.length[1], why))
            elif s.kind == "differing" and s.damaged is None:
                theirs = (s.start[1], s.start[1] + s.length[1])
                voted = _voted(base, n, (start, end), theirs, aligned, read) if len(aligned) > 1 else 0
                if voted > 0:
                    why = f"pass {n} and pass {voted} agree bit for bit against pass {base}"
                    edits.append(_Edit(start, end, n, theirs[0], theirs[1] - theirs[0], why))
                elif voted == 0:
                    unclear.append((n, (start, end), theirs))
    return _laid_out(base, frames, _apart(edits), unclear)


def why_damaged(n: int, signs: Sequence[str]) -> str:
    """ "pass 1 looks damaged: all its samples are zero there"."""
    return f"pass {n} looks damaged: {' and '.join(SIGN_WORDS.get(s, s) for s in signs) or 'see the finding'}"


def _voted(
    base: int,
    n: int,
    mine: tuple[int, int],
    theirs: tuple[int, int],
    aligned: Mapping[int, Comparison],
    read: Read | None,
) -> int:
    """-1: another pass agrees with the base here. m > 0: pass m agrees with pass n, none with the base.
    0: nothing of that, or both."""
    with_base, with_other = False, 0
    for m, comparison in aligned.items():
        found = _mapped(comparison, mine) if m != n else None
        if found is None:
            continue
        start, end, equal = found
        length = theirs[1] - theirs[0]
        if equal:
            with_base = True
        elif end - start == length and read is not None and _same(read, n, theirs[0], m, start, length):
            with_other = with_other or m
    if with_base and with_other:
        return 0
    return -1 if with_base else with_other


def _mapped(comparison: Comparison, span: tuple[int, int]) -> tuple[int, int, bool] | None:
    """The frames of pass 1 that stand against frames span of pass 0 (start, end), and whether all are equal.

    What one pass has and the other lacks at either end counts as inside. None where it cannot be told.
    """
    stretches = comparison.stretches
    at = max(bisect_left(stretches, span[0], key=lambda s: s.start[0]) - 1, 0)
    inside = []
    before = None
    for s in stretches[at:]:
        first, end = s.start[0], s.start[0] + s.length[0]
        if first > span[1]:
            break
        if (first < span[1] and end > span[0]) or (first == end and first >= span[0]):
            inside.append(s)
        elif end == span[0]:
            before = s
    if not inside:  # frames the base lacks, at a border of two stretches: this pass lacks them too
        spot = before.start[1] + before.length[1] if before is not None else 0
        return (spot, spot, True) if span[0] == span[1] and before is not None else None
    left, right = inside[0], inside[-1]
    into, upto = span[0] - left.start[0], span[1] - right.start[0]
    if (into and left.length[0] != left.length[1]) or (
        upto != right.length[0] and right.length[0] != right.length[1]
    ):
        return None
    last = right.start[1] + (right.length[1] if upto == right.length[0] else upto)
    return left.start[1] + into, last, all(s.kind == "equal" for s in inside)


def _same(read: Read, one: int, a: int, two: int, b: int, length: int) -> bool:
    for done in range(0, length, BLOCK):
        size = min(BLOCK, length - done)
        if read(one, a + done, size).tobytes() != read(two, b + done, size).tobytes():
            return False
    return True


def _apart(edits: list[_Edit]) -> list[_Edit]:
    """Edits that do not overlap, in order: longer ones first; what is left of others is kept where the frames
    of base and source stand one against one."""
    kept: list[_Edit] = []
    ends: list[tuple[int, int]] = []  # (start, end) of those kept, in order
    for edit in sorted(edits, key=lambda e: (e.start - e.end, -e.length, e.start, e.n)):
        at = bisect_right(ends, (edit.start, edit.end))
        near = [k for k in (at - 1, at) if 0 <= k < len(ends)]
        if edit.start == edit.end:
            # Frames the base lacks: once at each place, and not inside what is replaced anyway.
            if any(ends[k][0] < edit.start < ends[k][1] or ends[k] == (edit.start,) * 2 for k in near):
                continue
            parts = [edit]
        elif edit.length == edit.end - edit.start:
            parts = _left_over(edit, ends)
        else:
            parts = [] if _left_over(edit, ends) != [edit] else [edit]
        for part in parts:
            ends.insert(bisect_right(ends, (part.start, part.end)), (part.start, part.end))
            kept.append(part)
    return sorted(kept, key=lambda e: (e.start, e.end))


def _left_over(edit: _Edit, taken: list[tuple[int, int]]) -> list[_Edit]:
    """The parts of an edit that no taken range covers; the edit itself when none touches it."""
    out: list[_Edit] = []
    at = edit.start
    for start, end in taken[max(bisect_right(taken, (edit.start, edit.start)) - 1, 0) :]:
        if start >= edit.end:
            break
        if end <= at:
            continue
        if start > at:
            out.append(edit.cut(at, start))
        at = max(at, end)
    if at == edit.start:
        return [edit]
    if at < edit.end:
        out.append(edit.cut(at, edit.end))
    return out


def _laid_out(
    base: int,
    frames: int,
    edits: list[_Edit],
    unclear: list[tuple[int, tuple[int, int], tuple[int, int]]],
) -> Proposed:
    """The target from front to back. A stretch where nothing tells has a row of its own, so that the engineer
    can put the other pass there by changing that row."""
    undecided = _open_places(frames, edits, unclear)
    marks: list[_Edit] = []
    for u in undecided:
        start, end = u.base
        if end > start and (not marks or marks[-1].end <= start):
            why = (
                f"nothing tells which is right: pass {u.other} has frames {u.theirs[0]} to {u.theirs[1]} here"
            )
            marks.append(_Edit(start, end, base, start, end - start, why))
    ranges: list[ProposedRange] = []

    def put(n: int, start: int, end: int, note: str) -> None:
        if end <= start:
            return
        last = ranges[-1] if ranges else None
        target = last.target_end if last else 0
        if last and not note and not last.note and (last.pass_n, last.source_end) == (n, start):
            ranges.pop()
            start, target = last.source_start, last.target_start
        ranges.append(
            ProposedRange(
                pass_n=n,
                source_start=start,
                source_end=end,
                target_start=target,
                target_end=target + end - start,
                note=note,
            )
        )

    at = 0
    for edit in sorted((*edits, *marks), key=lambda e: (e.start, e.end)):
        put(base, at, edit.start, "")
        put(edit.n, edit.source, edit.source + edit.length, edit.note)
        at = edit.end
    put(base, at, frames, "")
    length = ranges[-1].target_end if ranges else 0
    return Proposed(
        base=base, frames=length, ranges=tuple(ranges), undecided=tuple(undecided), whole=not edits
    )


def _open_places(
    frames: int, edits: list[_Edit], unclear: list[tuple[int, tuple[int, int], tuple[int, int]]]
) -> list[Open]:
    """The stretches where nothing tells, as far as no edit replaces them, and where they come to lie."""
    taken = [(e.start, e.end) for e in edits]
    kept: list[
        tuple[int, int]
    ] = []  # first frame of the base kept after each edit, and its frame of the target
    at = target = 0
    for edit in edits:
        kept.append((at, target))
        target += edit.start - at + edit.length
        at = edit.end
    kept.append((at, target))
    out: list[Open] = []
    for n, mine, theirs in sorted(unclear, key=lambda u: (u[1], u[0])):
        if mine[0] == mine[1]:
            pieces = [] if any(a < mine[0] < b for a, b in _around(taken, mine[0])) else [(mine, theirs)]
        elif mine[1] - mine[0] == theirs[1] - theirs[0]:
            whole = _Edit(mine[0], mine[1], n, theirs[0], theirs[1] - theirs[0], "")
            cut = _left_over(whole, taken)
            pieces = [((e.start, e.end), (e.source, e.source + e.length)) for e in cut]
        else:
            whole = _Edit(mine[0], mine[1], n, 0, mine[1] - mine[0], "")
            pieces = [((e.start, e.end), theirs) for e in _left_over(whole, taken)]
        for piece, other in pieces:
            first, where = kept[bisect_right(kept, piece[0], key=lambda k: k[0]) - 1]
            spot = where + piece[0] - first
            out.append(Open(other=n, base=piece, theirs=other, target=(spot, spot + piece[1] - piece[0])))
    return out


def _around(taken: list[tuple[int, int]], frame: int) -> list[tuple[int, int]]:
    """The taken ranges that may hold a frame."""
    at = bisect_right(taken, (frame, frame))
    return taken[max(at - 2, 0) : at + 1]
