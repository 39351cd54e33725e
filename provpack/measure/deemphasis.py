"""The de-emphasised derivative: sample codes in, 24-bit codes out, block by block, without a seam.

Filter: measure/deemphasis_kernel.py (FIR, REACH = 48 frames to either side, latency compensated, gain at 0 Hz
exactly 1, arithmetic exact, so the result does not depend on how the stream is cut or on the machine).

Per emphasis range. Where emphasis is off the codes pass unchanged (only widened to 24 bits); where it is
on they are filtered. The filter always sees the codes as they stand in the file, on both sides of a change,
so its memory is never cut. Around each change lies an equal-gain crossover of `crossover` frames centred on
it: weights v and 1 - v, v = 3u^2 - 2u^3, u = (i - a + 1/2)/length for frame i of one that begins at frame a.
When a neighbouring range is shorter than that, the crossover has the length of the range, made even, so two
crossovers never overlap. A crossover adds no step of its own; a step that stands in the codes because the
recorder switched in mid-sound is not repaired. [proposal, no source]

De-skew. One converter took both channels in turn (domain note 2.2): the late channel's codes belong half a
sample later than the codes stored beside them. It is delayed by half a sample with a linear-phase kernel
(joined with the de-emphasis where that is on), on the whole file; the other channel keeps its place.

Edges. Before the first and after the last frame, the first and the last frame are taken as held: a steady
offset passes without a click; the outermost REACH frames of real sound are approximate.

Output. Rounded to the nearest 24-bit code (halves to even), not dithered: the step is 48 dB below that of 16
bits. Samples outside -2**23 .. 2**23 - 1 are clipped and counted. De-emphasis lowers everything above 1 kHz,
but a signal that was not made by pre-emphasis can be raised: by `worst_gain` at most (see Kernel).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from provpack.errors import Bug, InputProblem
from provpack.measure.deemphasis_kernel import HALF, REACH, Kernel, Reals, check_rate, design
from provpack.measure.pcm import IntArray

Codes24 = npt.NDArray[np.int32]

CROSSOVER = 128  # frames, 2.9 ms at 44.1 kHz [proposal, no source]
TOP = 1 << 23
_ROW = 32  # outputs per row of the matrix product that applies a kernel
_ROWS = 64  # rows per product: small enough that the matrix library does not wake other cores for it
_PIECE = 1 << 16  # frames filtered at a time: memory is flat however long the blocks are


@dataclass(frozen=True, slots=True, kw_only=True)
class EmphasisRange:
    """Frames start .. end - 1 of the file; on: they carry 50/15 us pre-emphasis."""

    start: int
    end: int
    on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossover:
    """From frame start on, for length frames, one state passes over into the other (on: into emphasis on)."""

    start: int
    length: int
    on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DeemphasisResult:
    """clipped: samples per channel that had to be clipped. peak_code: largest |24-bit code| per channel
    before clipping. kernels: those in use, for the record."""

    frames: int
    clipped: tuple[int, ...]
    peak_code: tuple[int, ...]
    crossovers: tuple[Crossover, ...]
    kernels: tuple[Kernel, ...]


def _refuse(what: str) -> InputProblem:
    return InputProblem(
        "emphasis-ranges",
        what,
        where="signal_state_ranges",
        todo="Give ranges that follow each other from frame 0 to the last one, each on or off. Where the "
        "state is unknown, no de-emphasised copy can be made.",
    )


def crossovers(
    ranges: Sequence[EmphasisRange], frames: int, length: int = CROSSOVER
) -> tuple[Crossover, ...]:
    """Where the state changes, with the lengths that fit. Neighbours of the same state are one range.

    Raises InputProblem unless the ranges tile 0 .. frames in order.
    """
    joined: list[EmphasisRange] = []
    at = 0
    for r in ranges:
        if r.start != at or r.end <= r.start:
            raise _refuse(f"The emphasis range {r.start} to {r.end} does not follow on frame {at}.")
        at = r.end
        if joined and joined[-1].on == r.on:
            joined[-1] = EmphasisRange(start=joined[-1].start, end=r.end, on=r.on)
        else:
            joined.append(r)
    if at != frames:
        raise _refuse(f"The emphasis ranges end at frame {at}, the audio at {frames}.")
    found = []
    for before, after in pairwise(joined):
        half = min(length, before.end - before.start, after.end - after.start) // 2
        found.append(Crossover(start=after.start - half, length=2 * half, on=after.on))
    return tuple(found)


class Deemphasis:
    """Feed codes of shape (n, channels) in order; get back 24-bit codes, REACH frames later at most.

    rate: exact, in hertz, 32 to 96 kHz. ranges: must tile 0 .. frames. frames: how many will come: with the
    last of them all that is outstanding comes out, so the outputs add up to `frames`. bits: 16 or 24, the
    width of the codes that come in. late_channel: index of the channel that was converted half a sample after
    the other; None leaves the skew alone. Raises InputProblem for what cannot be served.
    """

    def __init__(
        self,
        rate: Fraction,
        ranges: Sequence[EmphasisRange],
        frames: int,
        channels: int,
        *,
        bits: int = 16,
        crossover: int = CROSSOVER,
        late_channel: int | None = None,
    ) -> None:
        check_rate(rate)
        if bits not in (16, 24):
            raise InputProblem(
                "deemphasis-width",
                f"A de-emphasised copy is made from 16 or 24 bits, not from {bits}.",
                where="fmt chunk",
                todo="Use the master as transferred.",
            )
        if late_channel is not None and not (channels == 2 and late_channel in (0, 1)):
            raise InputProblem(
                "deskew-channel",
                f"The half-sample shift cannot be undone in channel {late_channel} of {channels}.",
                where="late_channel",
                todo="Name channel 0 or 1 of a two-channel file, or leave the skew alone.",
            )
        self.crossovers = crossovers(ranges, frames, crossover)
        self._first_on = bool(ranges) and ranges[0].on
        self._starts = [c.start for c in self.crossovers]
        self._expected, self._channels, self._bits = frames, channels, bits
        delays = [HALF if c == late_channel else Fraction(0) for c in range(channels)]
        any_on = any(r.on for r in ranges)
        self._on = [design(rate, emphasis=True, delay=d) if any_on else None for d in delays]
        self._off = [design(rate, emphasis=False, delay=d) if d else None for d in delays]
        self._seen = self._given = 0
        self._past: Reals = np.zeros((channels, 0))
        self._clipped = [0] * channels
        self._peak = [0] * channels

    def process(self, codes: IntArray) -> Codes24:
        """Take the next frames; shape (n, channels) in, (m, channels) out, m may be 0.

        Raises Bug for a wrong shape, too many frames, or codes wider than `bits`.
        """
        if codes.ndim != 2 or codes.shape[1] != self._channels or self._seen + len(codes) > self._expected:
            raise self._bug(
                f"Got codes of shape {codes.shape} after {self._seen} of {self._expected} frames."
            )
        out = [self._piece(codes[at : at + _PIECE]) for at in range(0, len(codes), _PIECE)]
        return np.concatenate(out) if out else np.zeros((0, self._channels), dtype=np.int32)

    def finish(self) -> DeemphasisResult:
        """What was done. Raises Bug when frames are missing."""
        if self._given != self._expected:
            raise self._bug(f"Got {self._seen} of {self._expected} frames.")
        return DeemphasisResult(
            frames=self._given,
            clipped=tuple(self._clipped),
            peak_code=tuple(self._peak),
            crossovers=self.crossovers,
            kernels=tuple(dict.fromkeys(k for k in (*self._on, *self._off) if k is not None)),
        )

    def _piece(self, codes: IntArray) -> Codes24:
        full = 1 << (self._bits - 1)
        if codes.dtype.itemsize > 2 and (int(codes.min()) < -full or int(codes.max()) >= full):
            raise self._bug(f"Codes are wider than {self._bits} bits.")
        parts: list[Reals] = [self._past, np.ascontiguousarray(codes.T, dtype=np.float64)]
        if self._seen == 0:
            parts[0] = np.repeat(parts[1][:, :1], REACH, axis=1)
        self._seen += len(codes)
        if self._seen == self._expected:
            parts.append(np.repeat(parts[1][:, -1:], REACH, axis=1))
        wide = np.concatenate(parts, axis=1)
        n = max(0, wide.shape[1] - 2 * REACH)
        self._past = wide[:, n:].copy()
        out = np.empty((n, self._channels), dtype=np.int32)
        if n:
            weight = self._weight(self._given, n)
            for c in range(self._channels):
                out[:, c] = self._rounded(c, self._mixed(c, wide[c], n, weight))
        self._given += n
        return out

    def _mixed(self, c: int, wide: Reals, n: int, weight: Reals | float) -> Reals:
        """Channel c, still of the width that came in, for n frames; weight: share of the de-emphasised."""
        off, on = self._off[c], self._on[c]
        plain = wide[REACH : REACH + n]
        if isinstance(weight, float):
            kernel = on if weight else off
            return plain if kernel is None else _filtered(wide, n, kernel)
        if off is not None:
            plain = _filtered(wide, n, off)
        if on is None:
            raise self._bug("A range needs a filter that was not made.")
        return np.asarray(plain + weight * (_filtered(wide, n, on) - plain), dtype=np.float64)

    def _rounded(self, c: int, sound: Reals) -> Reals:
        whole = np.rint(sound * float(1 << (24 - self._bits)))
        low, high = int(whole.min()), int(whole.max())
        self._peak[c] = max(self._peak[c], -low, high)
        if low < -TOP or high >= TOP:
            self._clipped[c] += int(np.count_nonzero((whole < -TOP) | (whole >= TOP)))
            whole = np.clip(whole, -TOP, TOP - 1)
        return np.asarray(whole, dtype=np.float64)

    def _state(self, frame: int) -> bool:
        """The state at a frame outside all crossovers."""
        before = bisect_left(self._starts, frame + 1) - 1
        return self.crossovers[before].on if before >= 0 else self._first_on

    def _weight(self, first: int, n: int) -> Reals | float:
        """Share of the de-emphasised sound for n frames from `first`; one number if it does not change."""
        lo = max(0, bisect_left(self._starts, first) - 1)
        hi = bisect_left(self._starts, first + n)
        changes = [c for c in self.crossovers[lo:hi] if c.start >= first or c.start + c.length > first]
        if not changes:
            return float(self._state(first))
        weight = np.full(n, float(not changes[0].on))
        for c in changes:
            u = np.arange(first - c.start, first - c.start + n) + 0.5
            u = np.clip(u / c.length, 0.0, 1.0) if c.length else (u > 0).astype(np.float64)
            shape = u * u * (3.0 - 2.0 * u)
            at = max(0, c.start - first)
            weight[at:] = (shape if c.on else 1.0 - shape)[at:]
        return weight

    def _bug(self, what: str) -> Bug:
        return Bug("deemphasis-stream", what, where="measure/deemphasis", todo="Report this.")


@cache
def _matrix(kernel: Kernel) -> Reals:
    """The kernel as a banded matrix, shape (_ROW + 2 REACH, _ROW)."""
    table = np.zeros((_ROW + 2 * REACH, _ROW))
    backwards = np.asarray(kernel.taps[::-1])
    for i in range(_ROW):
        table[i : i + 2 * REACH + 1, i] = backwards
    return table


def _filtered(wide: Reals, n: int, kernel: Kernel) -> Reals:
    """n filtered frames; wide has REACH more on either side. A matrix product: exact, in any order."""
    groups = -(-n // (_ROW * _ROWS))
    padded = np.zeros(groups * _ROWS * _ROW + 2 * REACH)
    padded[: n + 2 * REACH] = wide[: n + 2 * REACH]
    windows = np.lib.stride_tricks.sliding_window_view(padded, _ROW + 2 * REACH)[::_ROW]
    pieces = np.ascontiguousarray(windows).reshape(groups, _ROWS, _ROW + 2 * REACH)
    return np.asarray((pieces @ _matrix(kernel)).reshape(-1)[:n], dtype=np.float64)
