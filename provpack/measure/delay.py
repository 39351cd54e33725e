"""Delay between two channels from their cross spectrum, or no answer.

Method (domain note, section 4): of a stretch of averaged 4096-point Hann spectra, take the bins from 0.5 to
15 kHz whose coherence C = |S01|^2 / (S00 S11) is over 0.1, weigh each with w = C / (1 - C), and find the
delay d of the second channel against the first, in samples, that maximises the sum of
w cos(phase + 2 pi f d / fs).
Where a stretch is too short for 0.1 to mean anything, the bound is the coherence that unrelated sound passes
in 1 of 1000 bins, 1 - 0.001^(1/(N-1)) for N independent windows (distribution of the coherence estimate of
unrelated Gaussian sound; textbook result, from memory).

A stretch answers when enough bins count, the phases fit one delay, one delay fits clearly better than any
other, and the error expected of such coherence is small. The figures for that are proposals, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from provpack.measure.spectra import INDEPENDENT, WINDOW, Complexes, Floats, Stretch, band

LOW_HZ, HIGH_HZ = 500.0, 15000.0
LEAST_COHERENCE = 0.1
CHANCE = 0.001
LEAST_BINS = 40
LEAST_FIT = 0.5
LEAST_MARGIN = 0.05
LARGEST_ERROR = 0.02
REACH = 64  # samples either way: 1.45 ms at 44.1 kHz, half a metre of air
AGREE = 0.02  # samples
LEAST_WINDOWS = 3
LEAST_SHARE = 0.6
_FINE = 8  # steps per sample of the first search


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayAnswer:
    """One stretch that answers. samples: delay of the second channel. error: expected standard error,
    samples. coherence: mean over the bins used. fit: mean cosine of the phase left over, weighted, 0 to 1.
    inverted: the fit is that of one channel upside down."""

    start: int
    stop: int
    samples: float
    error: float
    coherence: float
    fit: float
    inverted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """The file. samples: delay of the second channel against the first (negative: the second is early);
    None = no answer. error: standard error of the value, samples: that expected of the coherence, or that
    seen among the stretches, the larger. coherence: mean over the stretches that agree, or over those that
    answer when they do not agree; None when none answers. agreeing of answering of looked_at stretches lie
    within AGREE of the value."""

    samples: float | None
    error: float | None
    coherence: float | None
    inverted: bool
    agreeing: int
    answering: int
    looked_at: int


NO_DELAY = Delay(
    samples=None, error=None, coherence=None, inverted=False, agreeing=0, answering=0, looked_at=0
)


def coherence(power: Floats, cross: Complexes) -> Floats:
    """Magnitude-squared coherence per bin, 0 where a channel is silent."""
    both = power[0] * power[1]
    square = cross.real**2 + cross.imag**2
    return np.asarray(np.where(both > 0, square / np.where(both > 0, both, 1.0), 0.0), dtype=np.float64)


def stretch_delay(stretch: Stretch, rate: float) -> DelayAnswer | None:
    """What one stretch answers, or None. rate: hertz."""
    if stretch.cross is None:
        return None
    independent = max(2.0, INDEPENDENT * stretch.windows)
    bound = max(LEAST_COHERENCE, 1.0 - CHANCE ** (1.0 / (independent - 1.0)))
    span = band(LOW_HZ, HIGH_HZ, rate)
    c = coherence(stretch.power[:, span], stretch.cross[span])
    use = c > bound
    if int(np.count_nonzero(use)) < LEAST_BINS:
        return None
    c = np.minimum(c[use], 0.9999)
    w = c / (1.0 - c)
    phase = np.angle(stretch.cross[span][use])
    omega = 2.0 * np.pi * np.arange(span.start, span.stop)[use] / WINDOW
    total = float(w.sum())
    peak = _coarse(span, use, w, phase, total)
    if peak is None:
        return None
    delay, upside_down = peak
    if upside_down:
        phase = phase + np.pi
    for _ in range(5):
        angle = phase + omega * delay
        slope, bend = float(np.sum(w * omega * np.sin(angle))), float(np.sum(w * omega**2 * np.cos(angle)))
        if bend <= 0:
            return None
        delay -= slope / bend
    fit = float(np.sum(w * np.cos(phase + omega * delay))) / total
    # Phase noise of bin k is 1 / (2 N w); Hann bins hang together, which costs a factor of 1.5 in power.
    error = float(np.sqrt(1.5 / (2.0 * independent * float(np.sum(omega**2 * w)))))
    if fit < LEAST_FIT or error > LARGEST_ERROR or abs(delay) > REACH:
        return None
    return DelayAnswer(
        start=stretch.start,
        stop=stretch.stop,
        samples=delay,
        error=error,
        coherence=float(c.mean()),
        fit=fit,
        inverted=upside_down,
    )


def _coarse(
    span: slice, use: np.ndarray[tuple[int], np.dtype[np.bool_]], w: Floats, phase: Floats, total: float
) -> tuple[float, bool] | None:
    """The best delay to 1/8 sample and whether it is of an inverted channel; None if another fits as well."""
    lines = np.zeros(_FINE * WINDOW // 2 + 1, dtype=np.complex128)
    lines[np.arange(span.start, span.stop)[use]] = w * np.exp(1j * phase)
    curve = np.fft.irfft(lines) * (_FINE * WINDOW / 2.0) / total
    reach = REACH * _FINE
    near = np.concatenate([curve[-reach:], curve[: reach + 1]])
    strength = np.abs(near)
    best = int(np.argmax(strength))
    # The nearest that another delay may come is the width of the main peak: a sample or two.
    away = np.abs(np.arange(len(near)) - best) > 2 * _FINE
    same_sign = np.sign(near) == np.sign(near[best])
    if float(np.max(near[best] * np.where(away & same_sign, near, 0.0))) > (
        (1.0 - LEAST_MARGIN) * float(strength[best]) ** 2
    ):
        return None
    return (best - reach) / _FINE, bool(near[best] < 0)


def file_delay(answers: tuple[DelayAnswer, ...], looked_at: int) -> Delay:
    """What the stretches say together: a value only if at least three, and six in ten of those that answer,
    agree with their median within AGREE; else None."""
    if not answers:
        return Delay(
            samples=None,
            error=None,
            coherence=None,
            inverted=False,
            agreeing=0,
            answering=0,
            looked_at=looked_at,
        )
    values = np.array([a.samples for a in answers])
    signs = np.array([a.inverted for a in answers])
    inverted = bool(np.count_nonzero(signs) * 2 > len(signs))
    same = signs == inverted
    middle = float(np.median(values[same]))
    agree = same & (np.abs(values - middle) <= AGREE)
    count = int(np.count_nonzero(agree))
    coherences = np.array([a.coherence for a in answers])
    if count < LEAST_WINDOWS or count < LEAST_SHARE * len(answers):
        return Delay(
            samples=None,
            error=None,
            coherence=round(float(coherences.mean()), 4),
            inverted=False,
            agreeing=count,
            answering=len(answers),
            looked_at=looked_at,
        )
    weights = 1.0 / np.array([a.error for a in answers])[agree] ** 2
    # Rooms and several players scatter the stretches more than their coherence says: the larger counts.
    error = max(
        1.0 / float(np.sqrt(np.sum(weights))), float(np.std(values[agree])) / float(np.sqrt(count - 1))
    )
    return Delay(
        samples=round(float(np.sum(values[agree] * weights) / np.sum(weights)), 4),
        error=round(error, 5),
        coherence=round(float(coherences[agree].mean()), 4),
        inverted=inverted,
        agreeing=count,
        answering=len(answers),
        looked_at=looked_at,
    )
