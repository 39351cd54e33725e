"""Two passes of one carrier: where they agree bit for bit, where not, and which looks damaged there.

    compare_passes(read, frames) -> Comparison       read(pass, start, frames) -> codes, pass 0 or 1
Memory is flat: blocks of 65 536 frames, a bounded number of anchors and of stretches. The whole of both files
is read about twice. Equal bits on two passes are the strongest evidence there is that nothing was concealed
there, except damage both share and both conceal alike (domain note 4, "pass agreement").
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from provpack.errors import InputProblem
from provpack.measure.passes_align import MOST_STRETCHES, Difference, Place, align, differences
from provpack.measure.passes_anchors import BLOCK, Read, get, unequal
from provpack.measure.passes_evidence import (
    CONTEXT,
    UNKNOWN,
    Cut,
    Verdict,
    judge,
    stands_still,
)
from provpack.measure.passes_sound import SoundMatch, match_sound

Relation = Literal["identical", "differ_in_places", "differ_everywhere", "undetermined"]
Alignment = Literal["samples", "assumed", "sound", "none"]
Kind = Literal["equal", "differing", "only"]

PIECE = 32_768  # frames of a differing stretch that are judged at a time
MOST_EQUAL = 0.9  # of all frames, for a lag of 0 to be assumed where nothing else tells (silence, test tones)
LEAST_STILL = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """start, length: in frames of pass 0 and of pass 1. equal: bit for bit. only: before the other pass
    begins or after it ends. differing_frames: frames inside that differ (of unequal length: the longer
    length)."""

    kind: Kind
    start: tuple[int, int]
    length: tuple[int, int]
    differing_frames: int
    verdict: Verdict

    @property
    def damaged(self) -> int | None:
        """The pass that looks damaged here; None = undetermined."""
        return self.verdict.damaged


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """relation: identical (same length, same bits); differ_in_places; differ_everywhere (the same sound, no
    common samples: a converter, a level control or a repeated rate conversion stood in one chain);
    undetermined (no common samples and no common sound were found).

    alignment: samples (proven by common content), assumed (lag 0, content too uniform to tell), sound (by
    correlation, see `sound`), none. stretches: in order, tiling both files if alignment is samples or
    assumed, else empty. left_out: differing stretches beyond MOST_STRETCHES; then the list ends early.
    """

    frames: tuple[int, int]
    relation: Relation
    alignment: Alignment
    stretches: tuple[Stretch, ...]
    left_out: int
    equal_frames: int
    sound: SoundMatch | None

    @property
    def lags(self) -> tuple[tuple[int, int], ...]:
        """(first frame of pass 0, lag): pass 1 has the same samples so many frames later, from there on."""
        out: list[tuple[int, int]] = []
        for s in self.stretches:
            lag = s.start[1] - s.start[0]
            if s.kind == "equal" and (not out or out[-1][1] != lag):
                out.append((s.start[0], lag))
        return tuple(out)


def compare_passes(read: Read, frames: tuple[int, int]) -> Comparison:
    """Compare pass 0 and pass 1, of frames[0] and frames[1] frames and the same channels and sample width.

    Raises InputProblem for passes of different channel counts, Bug when read does not give what it was asked.
    """
    channels = [get(read, which, 0, 0).shape[1] for which in (0, 1)]
    if channels[0] != channels[1]:
        raise InputProblem(
            "passes-channels",
            f"One pass has {channels[0]} channels, the other {channels[1]}.",
            where="passes",
            todo="Compare passes that were captured with the same channels.",
        )
    places = align(read, frames)
    alignment: Alignment = "samples"
    if not places:
        places, alignment = _assumed(read, frames), "assumed"
    if not places:
        sound = match_sound(read, frames)
        return Comparison(
            frames=frames,
            relation="differ_everywhere" if sound else "undetermined",
            alignment="sound" if sound else "none",
            stretches=(),
            left_out=0,
            equal_frames=0,
            sound=sound,
        )
    stretches: list[Stretch] = []
    left_out = equal = at_a = at_b = 0
    end = Place(a0=frames[0], a1=frames[0], b0=frames[1], b1=frames[1], aligned=True)
    for difference in (*_capped(read, places), Difference(place=end, frames=0)):
        if isinstance(difference, int):
            left_out += difference
            continue
        place = difference.place
        if left_out:
            break
        if place.a0 > at_a:
            stretches.append(_stretch("equal", (at_a, at_b), (place.a0 - at_a, place.b0 - at_b), 0, UNKNOWN))
            equal += place.a0 - at_a
        if difference.frames:
            stretches += _judged(read, frames, difference)
        at_a, at_b = place.a1, place.b1
    return Comparison(
        frames=frames,
        relation="identical" if frames[0] == frames[1] == equal else "differ_in_places",
        alignment=alignment,
        stretches=tuple(stretches),
        left_out=left_out,
        equal_frames=equal,
        sound=None,
    )


def _capped(read: Read, places: tuple[Place, ...]) -> Iterator[Difference | int]:
    """Differences, then, if there are more than MOST_STRETCHES, how many were left out."""
    left_out = 0
    for i, difference in enumerate(differences(read, places)):
        if i < MOST_STRETCHES:
            yield difference
        else:
            left_out += 1
    if left_out:
        yield left_out


def _assumed(read: Read, frames: tuple[int, int]) -> tuple[Place, ...]:
    """Lag 0, if most frames are equal there."""
    n, equal = min(frames), 0
    for at in range(0, n, BLOCK):
        size = min(BLOCK, n - at)
        equal += size - int(np.count_nonzero(unequal(get(read, 0, at, size), get(read, 1, at, size))))
    if equal < MOST_EQUAL * n or (n == 0 and max(frames) > 0):
        return ()
    both = Place(a0=0, a1=n, b0=0, b1=n, aligned=True)
    rest = Place(a0=n, a1=frames[0], b0=n, b1=frames[1], aligned=False)
    return (both, rest) if max(frames) > n else (both,)


def _stretch(
    kind: Kind, start: tuple[int, int], length: tuple[int, int], differing: int, verdict: Verdict
) -> Stretch:
    return Stretch(kind=kind, start=start, length=length, differing_frames=differing, verdict=verdict)


def _cut(read: Read, which: int, start: int, end: int, before: int, after: int) -> Cut:
    codes = get(read, which, start - before, end - start + before + after)
    return Cut(codes=codes, start=before, end=before + end - start)


def _cuts(read: Read, frames: tuple[int, int], a: tuple[int, int], b: tuple[int, int]) -> tuple[Cut, Cut]:
    before = min(CONTEXT, a[0], b[0])
    after = min(CONTEXT, frames[0] - a[1], frames[1] - b[1])
    return _cut(read, 0, *a, before, after), _cut(read, 1, *b, before, after)


def _judged(read: Read, frames: tuple[int, int], difference: Difference) -> list[Stretch]:
    p = difference.place
    la, lb = p.a1 - p.a0, p.b1 - p.b0
    if la != lb:
        at_end = (p.a0, p.b0) == (0, 0) or (p.a1, p.b1) == frames
        kind: Kind = "only" if min(la, lb) == 0 and at_end else "differing"
        verdict = UNKNOWN
        if kind == "differing" and max(la, lb) <= PIECE:
            one, two = _cuts(read, frames, (p.a0, p.a1), (p.b0, p.b1))
            verdict = judge(one, two)[0][2]
        return [_stretch(kind, (p.a0, p.b0), (la, lb), difference.frames, verdict)]
    found: list[Stretch] = []
    for first in range(0, la, PIECE):
        end = min(la, first + PIECE)
        one, two = _cuts(read, frames, (p.a0 + first, p.a0 + end), (p.b0 + first, p.b0 + end))
        differs = unequal(one.codes[one.start : one.end], two.codes[two.start : two.end])
        if not differs.any():
            continue
        for lo, hi, verdict in judge(one, two):
            count = int(np.count_nonzero(differs[lo:hi]))
            start = (p.a0 + first + lo, p.b0 + first + lo)
            found.append(_stretch("differing", start, (hi - lo, hi - lo), count, verdict))
    if len(found) > 1 and la > PIECE:
        found = _inherited(read, _inherited(read, found)[::-1])[::-1]
    return list(_filled_in(found))


def _inherited(read: Read, found: list[Stretch]) -> list[Stretch]:
    """The inside of a long mute or hold has no equal surroundings of its own: it is judged with the piece
    beside it if the same pass stands still there throughout and the other one does not."""
    out = found[:1]
    for s in found[1:]:
        beside = out[-1].verdict
        damaged = beside.damaged
        if s.verdict == UNKNOWN and damaged is not None and {"muted", "held"} & set(beside.signs[damaged]):
            codes = [get(read, which, s.start[which], s.length[which]) for which in (0, 1)]
            differs = codes[0] != codes[1]
            still = [stands_still(c, differs, min(LEAST_STILL, len(c))) for c in codes]
            if still[damaged] and not still[1 - damaged]:
                s = replace(s, verdict=beside)
        out.append(s)
    return out


def _filled_in(found: list[Stretch]) -> Iterator[Stretch]:
    """Neighbours of one verdict as one stretch; equal frames between two verdicts as equal stretches."""
    held: Stretch | None = None
    for s in found:
        if held is None:
            held = s
            continue
        gap = s.start[0] - held.start[0] - held.length[0]
        if s.damaged == held.damaged:
            length = held.length[0] + gap + s.length[0]
            held = replace(
                held,
                length=(length, length),
                differing_frames=held.differing_frames + s.differing_frames,
                verdict=_together(held.verdict, s.verdict),
            )
            continue
        yield held
        if gap:
            start = (held.start[0] + held.length[0], held.start[1] + held.length[1])
            yield _stretch("equal", start, (gap, gap), 0, UNKNOWN)
        held = s
    if held is not None:
        yield held


def _together(one: Verdict, two: Verdict) -> Verdict:
    signs = [tuple(dict.fromkeys((*a, *b))) for a, b in zip(one.signs, two.signs, strict=True)]
    worst = [
        max((x for x in pair if x is not None), default=None)
        for pair in zip(one.breaks, two.breaks, strict=True)
    ]
    return Verdict(damaged=one.damaged, signs=(signs[0], signs[1]), breaks=(worst[0], worst[1]))
