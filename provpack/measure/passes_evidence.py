"""Which of two passes looks damaged where they differ. Simple evidence only; in doubt: undetermined.

Each differing stretch is held against its surroundings: the frames among the CONTEXT before and after it that
are equal in both passes. Per pass:
    held           every differing sample stands in a run of one value, counted from the frame before to the
                   frame after the stretch, at least LEAST_HOLD long and more than twice the longest such run
                   around (all zero: muted). Quiet sound holds by chance (domain
                   note 4), hence the comparison.
    interpolated   every differing sample is the mean of its two neighbours, within one step of the codes in
                   use, and the surroundings make that by chance in at most LIKELY of such cases (domain note
                   1.5; note 4: by chance 0.2 % to 99 % of samples fit, so the surroundings decide).
    break          how badly the first two frames at each border are predicted from what lies before them
                   (linear prediction of order ORDER, fitted to the surroundings), over the worst error in the
                   surroundings. Also the signature of lost or inserted frames.
    repeated       frames the other pass does not have, at least LEAST_REPEAT and moving, each the same as the
                   one so many frames before or after it (a capture buffer written twice).
    smooth         at least SMOOTH_FRAMES differing frames in a row whose prediction error is below SMOOTH of
                   that of the surroundings, which must be SMOOTH_STEPS codes at least (some curve was drawn
                   through the gap).
Verdict. A pass is called damaged when it alone is held, interpolated, smooth or repeated, and the other joins
its surroundings without a break (at most CALM); or when neither is, and it alone breaks (at least BROKEN, the
other at most CALM_BREAK). [all limits: proposal, no source]
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from provpack.measure.passes_anchors import unequal
from provpack.measure.pcm import IntArray

Sign = Literal["muted", "held", "interpolated", "smooth", "repeated", "break"]
Codes = npt.NDArray[np.int64]
Reals = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

CONTEXT = 1024
LEAST_CONTEXT = 512
ORDER = 24
LEAST_HOLD = 4
LEAST_REPEAT = 8
LIKELY = 0.002
SMOOTH_FRAMES, SMOOTH, SMOOTH_STEPS = 8, 0.2, 2.0
CALM, BROKEN, CALM_BREAK = 2.0, 3.0, 1.5
MOST_UNITS = 256  # a cluster is judged run by run only if it has no more runs than this


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """damaged: 0 or 1, the pass that looks damaged; None = undetermined. signs: what each pass shows.
    breaks: the border error of each pass relative to the surroundings, None where it could not be had."""

    damaged: int | None
    signs: tuple[tuple[Sign, ...], tuple[Sign, ...]]
    breaks: tuple[float | None, float | None]


UNKNOWN = Verdict(damaged=None, signs=((), ()), breaks=(None, None))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """One pass around a stretch: codes (frames, channels); the stretch is codes[start:end]."""

    codes: IntArray
    start: int
    end: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Around:
    """What the equal surroundings say, per channel."""

    step: int
    longest: list[int]
    chance: list[float]
    coefficients: list[Reals]
    worst: list[float]
    usual: list[float]


def judge(one: Cut, two: Cut) -> tuple[tuple[int, int, Verdict], ...]:
    """Verdicts on parts of the stretch: (first, end, verdict), relative to its start, frames of pass 0.

    The two cuts have the same number of frames before the stretch and after it. A stretch of equal length
    that is undecided as a whole is judged again run by run (isolated losses in both passes may interleave).
    """
    lengths = (one.end - one.start, two.end - two.start)
    around = _surroundings(one, two)
    if around is None:
        return ((0, lengths[0], UNKNOWN),)
    if lengths[0] != lengths[1]:
        masks = [np.ones((n, one.codes.shape[1]), dtype=np.bool_) for n in lengths]
        return ((0, lengths[0], _verdict(around, (one, two), (masks[0], masks[1]))),)
    differs = one.codes[one.start : one.end] != two.codes[two.start : two.end]
    whole = _verdict(around, (one, two), (differs, differs))
    rows = np.flatnonzero(differs.any(axis=1))
    starts = [int(rows[0]), *(rows[1:][np.diff(rows) > 1]).tolist(), lengths[0]]
    if whole.damaged is not None or not 2 < len(starts) <= MOST_UNITS + 1:
        return ((0, lengths[0], whole),)
    out = []
    for first, nxt in pairwise(starts):
        end = int(rows[rows < nxt][-1]) + 1
        cuts = [Cut(codes=c.codes, start=c.start + first, end=c.start + end) for c in (one, two)]
        part = differs[first:end]
        out.append(
            (
                first,
                end,
                _verdict(around, (cuts[0], cuts[1]), (part, part), len(starts) - 1, (one.start, one.end)),
            )
        )
    return tuple(out)


def stands_still(codes: IntArray, differs: Mask, least: int) -> bool:
    """Whether every differing sample stands in a run of at least `least` equal values."""
    return all(
        bool((runs(codes[:, c].astype(np.int64))[differs[:, c]] >= least).all())
        for c in range(codes.shape[1])
    )


def runs(channel: Codes) -> npt.NDArray[np.int64]:
    """For each sample the length of the run of equal values it stands in."""
    edges = np.flatnonzero(np.diff(channel)) + 1
    bounds = np.concatenate([[0], edges, [len(channel)]])
    lengths = np.diff(bounds)
    return np.asarray(np.repeat(lengths, lengths), dtype=np.int64)


def _bend(codes: IntArray) -> Codes:
    """|2 x[n] - x[n-1] - x[n+1]| for the inner samples, shape (frames - 2, channels)."""
    x = codes.astype(np.int64)
    return np.asarray(np.abs(2 * x[1:-1] - x[:-2] - x[2:]), dtype=np.int64)


def _surroundings(one: Cut, two: Cut) -> _Around | None:
    """None when fewer than LEAST_CONTEXT equal frames lie around."""
    n = one.start
    before = one.codes[:n], two.codes[:n]
    after = one.codes[one.end :], two.codes[two.end :]
    sides = [(a, (a == b).all(axis=1)) for a, b in (before, after)]
    if sum(int(equal.sum()) for _, equal in sides) < LEAST_CONTEXT:
        return None
    channels = one.codes.shape[1]
    used = 0
    for a, equal in sides:
        used |= int(np.bitwise_or.reduce(np.abs(a[equal].astype(np.int64)), axis=None, initial=0))
    step = (used & -used) or 1
    around = _Around(step=step, longest=[], chance=[], coefficients=[], worst=[], usual=[])
    for c in range(channels):
        longest, fit, seen = 1, 0, 0
        parts: list[tuple[Reals, Reals]] = []
        for a, equal in sides:
            x = a[:, c].astype(np.int64)
            if len(x) < 3:
                continue
            whole = equal & np.concatenate([[True], equal[:-1]]) & np.concatenate([equal[1:], [True]])
            longest = max(longest, int(runs(x)[equal].max(initial=1)))
            fits = _bend(a[:, c : c + 1])[:, 0] <= step
            fit += int((fits & whole[1:-1]).sum())
            seen += int(whole[1:-1].sum())
            parts.append(_history(x, equal))
        rows = np.concatenate([p[0] for p in parts])
        wanted = np.concatenate([p[1] for p in parts])
        if len(wanted) < 4 * ORDER:
            return None
        gram = rows.T @ rows
        gram[np.diag_indices(ORDER)] += 1e-9 * np.trace(gram) + float(step * step)
        solved = np.linalg.solve(gram, rows.T @ wanted)
        error = np.abs(wanted - rows @ solved)
        around.longest.append(longest)
        around.chance.append((fit + 1) / (seen + 2))
        around.coefficients.append(solved)
        around.worst.append(max(float(error.max()), 2.0 * step))
        around.usual.append(max(float(np.sqrt(np.mean(error * error))), 0.5 * step))
    return around


def _history(channel: Codes, usable: Mask) -> tuple[Reals, Reals]:
    """Rows of the ORDER samples before, and the sample itself, where all of them are usable."""
    if len(channel) <= ORDER:
        return np.zeros((0, ORDER)), np.zeros(0)
    x = channel.astype(np.float64)
    windows = np.lib.stride_tricks.sliding_window_view(x, ORDER + 1)
    good = np.lib.stride_tricks.sliding_window_view(usable, ORDER + 1).all(axis=1)
    return windows[good, :-1], windows[good, -1]


def _error(around: _Around, cut: Cut, first: int, end: int) -> list[Reals]:
    """Prediction errors per channel of frames first .. end - 1 of the cut, each from its own past."""
    out = []
    lo = max(first, ORDER)
    for c, coefficients in enumerate(around.coefficients):
        if end <= lo:
            out.append(np.zeros(0))
            continue
        x = cut.codes[lo - ORDER : end, c].astype(np.float64)
        windows = np.lib.stride_tricks.sliding_window_view(x, ORDER + 1)
        out.append(np.abs(windows[:, -1] - windows[:, :-1] @ coefficients))
    return out


def _break(around: _Around, cut: Cut) -> float | None:
    worst: float | None = None
    for first in (cut.start, cut.end):
        for c, error in enumerate(_error(around, cut, first, min(first + 2, len(cut.codes)))):
            if len(error):
                worst = max(worst or 0.0, float(error.max()) / around.worst[c])
    return worst


def _signs(around: _Around, cut: Cut, differs: Mask, likely: float, reach: tuple[int, int]) -> list[Sign]:
    """reach: the whole stretch of which this is a part, in the frames of the cut."""
    if not differs.any():
        return []
    lo, hi = max(0, reach[0] - 1), min(len(cut.codes), reach[1] + 1)
    near = cut.codes[lo:hi].astype(np.int64)
    inner = slice(cut.start - lo, cut.end - lo)
    held = zero = True
    fits = True
    chance = 1.0
    bend = _bend(near) if lo < cut.start and cut.end < hi else None  # needs a neighbour on either side
    for c in range(near.shape[1]):
        mine = differs[:, c]
        if not mine.any():
            continue
        lengths = runs(near[:, c])[inner][mine]
        stands = lengths >= max(LEAST_HOLD, 2 * around.longest[c] + 1)
        held = held and bool(stands.all())
        zero = zero and not near[inner, c][mine].any()
        if bend is None:
            fits = False
        else:
            mean = bend[cut.start - lo - 1 : cut.end - lo - 1, c][mine] <= around.step
            fits = fits and bool((mean | stands).all())
            chance *= around.chance[c] ** int((mean & ~stands).sum())
    if held:
        return ["muted" if zero else "held"]
    if fits and chance <= likely:
        return ["interpolated"]
    restless = min(around.usual) >= SMOOTH_STEPS * around.step
    if restless and len(differs) >= SMOOTH_FRAMES and differs.any(axis=1).all():
        errors = _error(around, cut, cut.start, cut.end)
        if all(
            len(e) and float(np.sqrt(np.mean(e * e))) < SMOOTH * around.usual[c] for c, e in enumerate(errors)
        ):
            return ["smooth"]
    return []


def _repeats(cut: Cut) -> bool:
    """Whether the stretch is an exact copy of what lies beside it."""
    n = cut.end - cut.start
    mine = cut.codes[cut.start : cut.end]
    if n < LEAST_REPEAT or np.count_nonzero(unequal(mine[1:], mine[:-1])) < n // 2:
        return False
    before, after = cut.codes[max(0, cut.start - n) : cut.start], cut.codes[cut.end : cut.end + n]
    # The border between the two copies may lie inside the stretch: then a part is held against either side.
    same = np.zeros(n, dtype=np.bool_)
    for side in (before, after):
        if len(side) == n:
            same |= ~unequal(side, mine)
    return bool(same.all())


def _verdict(
    around: _Around,
    cuts: tuple[Cut, Cut],
    differs: tuple[Mask, Mask],
    units: int = 1,
    whole: tuple[int, int] | None = None,
) -> Verdict:
    """units: one of so many runs of a stretch, so chance must be as much rarer. whole: that stretch."""
    signs = [
        _signs(around, cut, mask, LIKELY / units, whole or (cut.start, cut.end))
        for cut, mask in zip(cuts, differs, strict=True)
    ]
    for mine, other in ((0, 1), (1, 0)):
        if cuts[other].start == cuts[other].end and not signs[mine] and _repeats(cuts[mine]):
            signs[mine].append("repeated")
    breaks = [_break(around, cut) for cut in cuts]
    damaged: int | None = None
    for mine, other in ((0, 1), (1, 0)):
        far, near = breaks[mine], breaks[other]
        if near is None:
            continue
        if signs[mine] and not signs[other] and near <= CALM:
            damaged = mine
        elif not signs[0] and not signs[1] and far is not None and far >= BROKEN and near <= CALM_BREAK:
            damaged = mine
            signs[mine].append("break")
            break
    return Verdict(damaged=damaged, signs=(tuple(signs[0]), tuple(signs[1])), breaks=(breaks[0], breaks[1]))
