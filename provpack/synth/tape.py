"""What comes off such a tape: floating-point sound in, sample codes out, with the faults a real tape shows.

Order of things, as in the recorder and the player: pre-emphasis (per stretch of the tape), the shared
converter (right channel half a sample late), DC offset, converter noise, rounding to 14 or 16 bits;
then what the tape lost: interpolated samples, held values, mutes, and a leader of digital silence.
14-bit codes -8192..8191 are shifted left by 2 into 16 bits, so the top code is +32764 and the two lowest bits
are zero (domain note 1.1 and 2.4).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.int16]
Sound = NDArray[np.float64]

T1, T2 = 50e-6, 15e-6  # seconds; IEC 60908 via the manual of a general audio tool (domain note 3.1)
EMPHASIS_TAPS = 48
SKEW_TAPS = 64  # even, so that its delay ends in half a sample
GRID = 48  # isolated losses of one long dropout come 16 lines x 3 samples apart (domain note 1.1, 1.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A stretch of sample frames: first frame, number of frames."""

    start: int
    length: int

    @property
    def stop(self) -> int:
        """The first frame after the stretch."""
        return self.start + self.length


@dataclass(frozen=True, slots=True, kw_only=True)
class EmphasisChange:
    """From this frame on, 50/15 us pre-emphasis is on or off."""

    frame: int
    on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TapePlan:
    """How a tape is recorded and what has become of it.

    sampling_frequency: exact hertz. bits: 14 or 16, always in a 16-bit container.
    emphasis: changes in ascending order; before the first one it is off. skew: one converter serves both
    channels. dc_offset: left, right, in codes of the recorded word length. noise: peak of the triangular
    converter noise, in such codes; 0 gives plain rounding. hiss: peak of the amplifiers' triangular noise, in
    such codes, recorded with the sound and so raised by the emphasis. leader: frames of digital silence at
    the head. interpolated: each stretch loses one sample in every GRID frames, in both channels.
    """

    sampling_frequency: Fraction
    bits: Literal[14, 16]
    emphasis: tuple[EmphasisChange, ...] = ()
    skew: bool = True
    dc_offset: tuple[float, float] = (0.0, 0.0)
    noise: float = 1.0
    hiss: float = 0.0
    seed: int = 0
    leader: int = 0
    mutes: tuple[Span, ...] = ()
    holds: tuple[Span, ...] = ()
    interpolated: tuple[Span, ...] = ()


def boost_db(hertz: NDArray[np.floating]) -> Sound:
    """The analogue boost |(1 + s 50us)/(1 + s 15us)| in dB at the given frequencies (domain note 3.1)."""
    w = 2 * np.pi * np.asarray(hertz, dtype=np.float64)
    return np.asarray(10 * np.log10((1 + (w * T1) ** 2) / (1 + (w * T2) ** 2)), dtype=np.float64)


@cache
def emphasis_filter(sampling_frequency: Fraction) -> Sound:
    """The pre-emphasis as a minimum-phase FIR, shape (EMPHASIS_TAPS,), first tap at delay 0.

    Made from the analogue curve itself up to half the sampling frequency (log magnitude, folded cepstrum), so
    nothing is warped; it depends on no fitted coefficients.
    """
    size = 1 << 14
    magnitude = boost_db(np.fft.rfftfreq(size, 1.0 / float(sampling_frequency))) * (np.log(10.0) / 20.0)
    cepstrum = np.fft.irfft(magnitude, size)
    cepstrum[1 : size // 2] *= 2.0
    cepstrum[size // 2 + 1 :] = 0.0
    response = np.fft.irfft(np.exp(np.fft.rfft(cepstrum)), size)[:EMPHASIS_TAPS].copy()
    response /= response.sum()  # unity at 0 Hz
    response.setflags(write=False)
    return response


@cache
def _half_sample_filter() -> Sound:
    """Delay by SKEW_TAPS/2 - 1/2 samples: a windowed sinc, flat within 0.01 dB to 18 kHz at 44.1 kHz."""
    k = np.arange(SKEW_TAPS) - (SKEW_TAPS - 1) / 2
    taps = np.sinc(k) * np.kaiser(SKEW_TAPS, 7.0)
    taps /= taps.sum()
    taps.setflags(write=False)
    return np.asarray(taps, dtype=np.float64)


class _Line:
    """Samples with memory: gives each block together with the frames that came just before it."""

    def __init__(self, reach: int) -> None:
        self._past = np.zeros((2, reach))

    def feed(self, block: Sound) -> Sound:
        both = np.concatenate([self._past, block], axis=1)
        self._past = both[:, both.shape[1] - self._past.shape[1] :].copy()
        return both


def record(plan: TapePlan, sound: Iterable[Sound]) -> Iterator[Codes]:
    """Codes as they come off the tape: arrays of shape (n, 2), int16, as many frames as went in.

    sound: blocks of shape (2, n), full scale 1.0. Memory is that of two blocks.
    """
    before: NDArray[np.int32] | None = None
    waiting: NDArray[np.int32] | None = None
    first = 0
    for block in _converted(plan, sound):
        if waiting is not None:
            waiting = _damaged(plan, waiting, first, before, block[0])
            yield _contained(plan, waiting)
            before, first = waiting[-1], first + len(waiting)
        waiting = block
    if waiting is not None:
        yield _contained(plan, _damaged(plan, waiting, first, before, None))


def _converted(plan: TapePlan, sound: Iterable[Sound]) -> Iterator[NDArray[np.int32]]:
    """Codes of the recorded word length, shape (n, 2), before the tape loses anything."""
    boost, shift = emphasis_filter(plan.sampling_frequency), _half_sample_filter()
    boosting, shifting = _Line(EMPHASIS_TAPS - 1), _Line(SKEW_TAPS - 1)
    noise, hiss = np.random.PCG64(plan.seed), np.random.PCG64([plan.seed, 1])
    top = 1 << (plan.bits - 1)
    first = 0
    for block in sound:
        n = block.shape[1]
        if n == 0:
            continue
        both = boosting.feed(block + _triangular(hiss, n, plan.hiss / top).T)
        flat = both[:, EMPHASIS_TAPS - 1 :]
        states = _states(plan, first, n)
        if states.any():
            loud = np.stack([np.convolve(channel, boost, "valid") for channel in both])
            flat = loud if states.all() else np.where(states, loud, flat)
        if plan.skew:
            # The left channel waits for whole samples, the right one for half a sample less: it is converted
            # later, so the sample stored beside the left one belongs to a later moment (domain note 2.2).
            both = shifting.feed(flat)
            half = SKEW_TAPS // 2
            flat = np.stack([both[0, half - 1 : half - 1 + n], np.convolve(both[1], shift, "valid")])
        codes = flat.T * top + np.asarray(plan.dc_offset) + _triangular(noise, n, plan.noise)
        yield np.clip(np.rint(codes), -top, top - 1).astype(np.int32)
        first += n


def _triangular(source: np.random.PCG64, n: int, peak: float) -> Sound:
    """Noise of triangular density within +/-peak, shape (n, 2).

    From raw words of a fixed generator, not from a distribution of the library: those may change with its
    version.
    """
    if not peak:
        return np.zeros((n, 2))
    raw = np.asarray(source.random_raw(2 * n), dtype=np.uint64).reshape(n, 2)
    low, high = raw & np.uint64(0xFFFFFFFF), raw >> np.uint64(32)
    return (low.astype(np.float64) - high.astype(np.float64)) * (peak / 2**32)


def _states(plan: TapePlan, first: int, n: int) -> NDArray[np.bool_]:
    """Whether emphasis is on, for each of n frames from the given one."""
    states = np.zeros(n, dtype=np.bool_)
    for change in plan.emphasis:
        states[min(max(change.frame - first, 0), n) :] = change.on
    return states


def _damaged(
    plan: TapePlan,
    codes: NDArray[np.int32],
    first: int,
    before: NDArray[np.int32] | None,
    after: NDArray[np.int32] | None,
) -> NDArray[np.int32]:
    """The block with its losses; before and after are the neighbouring frames, None at the ends of the tape.

    Concealment in the order of such decoders: interpolate, hold, mute (domain note 1.5).
    """
    n = len(codes)
    ends = (codes[:1] if before is None else before[None], codes[-1:] if after is None else after[None])
    padded = np.concatenate([ends[0], codes, ends[1]])
    for span in plan.interpolated:
        at = np.arange(span.start, span.stop, GRID) - first
        at = at[(at >= 0) & (at < n)]
        codes[at] = (padded[at] + padded[at + 2]) >> 1
    for span in plan.holds:
        lo, hi = max(span.start - first, 0), min(span.stop - first, n)
        if lo < hi:
            codes[lo:hi] = ends[0] if lo == 0 else codes[lo - 1]
    for span in (*plan.mutes, Span(start=0, length=plan.leader)):
        codes[max(span.start - first, 0) : max(span.stop - first, 0)] = 0
    return codes


def _contained(plan: TapePlan, codes: NDArray[np.int32]) -> Codes:
    return (codes << (16 - plan.bits)).astype(np.int16)
