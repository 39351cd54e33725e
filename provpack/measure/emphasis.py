"""What the sound hints about 50/15 us emphasis. Hints with their strength and figure; never a decision.

Strengths are those of the domain note, section 3.5 (1 and 2 are not in the samples at all):
    3  word length: an untouched read never has more than 14 or 16 bits in use.
    4  the slope of the noise floor in pauses. A pause is a group of windows (about 0.37 s) at least 30 dB
       under the mean of the file, and under -50 dBFS, but not digital silence; at least 6 are asked for, the
       16 quietest are averaged. Floor against the emphasis curve from 1 to 16 kHz: slope 1 is white hiss
       with emphasis, 0 flat, -1 flat noise after de-emphasis.
    5  long-term tilt: mean density 10-16 kHz over that of 1-2 kHz; and steps in mid-file, where the change of
       third-octave levels from the 3 to 6 stretches (15 s at least) before to those after follows the curve,
       0.7 to 1.3 times, correlation 0.9, scatter 2 dB. The largest is told.
All bounds are proposals, no source. The curve: |(1 + s 50us)/(1 + s 15us)| (domain note 3.1, IEC 60908 by way
of a general tool's manual).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from provpack.measure.spectra import BINS, WINDOW, Floats, Stretch, UnitSpectrum, band, decibels

T1, T2 = 50e-6, 15e-6
PAUSE_UNDER_DB = 30.0
PAUSE_DBFS = -50.0
LEAST_PAUSES = 6
KEPT_PAUSES = 16
STEP_SLOPE = (0.7, 1.3)
STEP_CORRELATION = 0.9
STEP_RESIDUE_DB = 2.0
STEP_STRETCHES = (3, 6)
STEP_SECONDS = 15.0
THIRDS = (500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000)


@dataclass(frozen=True, slots=True, kw_only=True)
class EmphasisHint:
    """One hint. strength: 3 to 5 of the domain note, 5 the weakest. figure in unit. frame: where in the file,
    to within two stretches, or None for the whole of it. None of them may set a field."""

    kind: Literal["word_length", "pause_floor", "long_term_tilt", "tilt_step"]
    strength: Literal[3, 4, 5]
    figure: float
    unit: str
    frame: int | None
    words: str


def curve_db(hertz: Floats) -> Floats:
    """Boost of the emphasis at these frequencies, dB."""
    w = 2.0 * np.pi * hertz
    return np.asarray(10.0 * np.log10((1.0 + (w * T1) ** 2) / (1.0 + (w * T2) ** 2)), dtype=np.float64)


class EmphasisMeter:
    """take_unit() every transformed unit, take_stretch() every stretch. rate: hertz."""

    def __init__(self, *, rate: float) -> None:
        self._rate = rate
        self._pauses: list[tuple[float, int, Floats]] = []
        self._loud = band(200.0, 16000.0, rate)
        self._thirds = [band(f * 2 ** (-1 / 6), f * 2 ** (1 / 6), rate) for f in THIRDS]
        self._thirds = [s for s in self._thirds if s.stop - s.start >= 4 and s.stop < BINS - 20]
        self._tilts: list[tuple[int, Floats]] = []

    def take_unit(self, unit: UnitSpectrum) -> None:
        """Keep the quietest groups."""
        for g, windows in enumerate(unit.windows):
            level = float(unit.power[g, :, self._loud].sum()) / windows / unit.power.shape[1]
            level = 10.0 * float(np.log10(max(level * self._rate / WINDOW, 1e-30)))
            if level > PAUSE_DBFS or level < -140.0:
                continue
            if len(self._pauses) < KEPT_PAUSES or level < self._pauses[-1][0]:
                floor = unit.power[g].mean(axis=0) / windows
                self._pauses.append((level, unit.start + g, floor))
                self._pauses.sort(key=lambda p: p[:2])
                del self._pauses[KEPT_PAUSES:]

    def take_stretch(self, stretch: Stretch) -> None:
        """Keep the third-octave levels of the stretch."""
        density = stretch.power.mean(axis=0) / stretch.windows
        levels = decibels(np.array([density[s].mean() for s in self._thirds]))
        self._tilts.append((stretch.start, levels))

    def finish(self, mean: Floats, bits: int, floor_db: float | None) -> tuple[EmphasisHint, ...]:
        """mean: density per channel and bin over the file. bits in use in the file. floor_db: density of
        plain rounding to them. Hints from the strongest to the weakest."""
        hints: list[EmphasisHint] = []
        if bits:
            hints.append(_word_length(bits))
        whole = mean.mean(axis=0)
        if whole.any():
            hints += self._pause_floor(whole, floor_db)
            hints += self._steps()
            hints += self._tilt(whole)
        return tuple(hints)

    def _pause_floor(self, whole: Floats, floor_db: float | None) -> list[EmphasisHint]:
        level = float(decibels(whole[self._loud].sum(keepdims=True) * self._rate / WINDOW)[0])
        pauses = [p for p in self._pauses if p[0] <= level - PAUSE_UNDER_DB]
        if len(pauses) < LEAST_PAUSES:
            return []
        floor = np.mean([p[2] for p in pauses], axis=0)
        span = band(1000.0, min(16000.0, 0.45 * self._rate), self._rate)
        hertz = np.arange(span.start, span.stop) * self._rate / WINDOW
        slope, rest = _against_curve(decibels(floor[span]), curve_db(hertz))
        rounding = (
            floor_db is not None and float(decibels(floor[span].mean(keepdims=True))[0]) < floor_db + 9.0
        )
        if rounding:
            meaning = (
                "It is the noise of the word length itself, which comes after any emphasis and says nothing"
            )
        elif slope >= 0.6:
            meaning = (
                "Even hiss, recorded with emphasis that is still there, rises like that; so does bright hiss"
            )
        elif slope <= -0.6:
            meaning = "Flat noise after de-emphasis would fall like that; so does most room sound"
        else:
            meaning = "Neither emphasis nor de-emphasis shows in it; dull or bright hiss can hide both"
        return [
            EmphasisHint(
                kind="pause_floor",
                strength=4,
                figure=round(slope, 3),
                unit="times the emphasis curve",
                frame=None,
                words=f"Hint: in the {len(pauses)} quietest pauses the floor follows {slope:+.2f} times the "
                f"emphasis curve from 1 to 16 kHz (scatter {rest:.1f} dB). {meaning}.",
            )
        ]

    def _tilt(self, whole: Floats) -> list[EmphasisHint]:
        low, high = band(1000.0, 2000.0, self._rate), band(10000.0, 16000.0, self._rate)
        if high.stop - high.start < 50 or not whole[low].any():
            return []
        tilt = float(np.diff(decibels(np.array([whole[low].mean(), whole[high].mean()])))[0])
        return [
            EmphasisHint(
                kind="long_term_tilt",
                strength=5,
                figure=round(tilt, 2),
                unit="dB",
                frame=None,
                words=f"Weak hint: 10-16 kHz lies {tilt:+.1f} dB from 1-2 kHz over the file. Emphasis adds "
                "about 7.6 dB, but programmes differ by more than that among themselves.",
            )
        ]

    def _steps(self) -> list[EmphasisHint]:
        """The largest step that follows the curve, if any does: off its place a step looks smaller."""
        n = min(max(STEP_STRETCHES[0], len(self._tilts) // 3), STEP_STRETCHES[1])
        if len(self._tilts) < 2 * n or len(self._thirds) < 12:
            return []
        if self._tilts[n][0] - self._tilts[0][0] < STEP_SECONDS * self._rate:
            return []
        levels = np.array([t[1] for t in self._tilts])
        hertz = np.array([(s.start + s.stop - 1) / 2 for s in self._thirds]) * self._rate / WINDOW
        shape = curve_db(hertz)
        best: tuple[float, float, int, float] | None = None
        for at in range(n, len(levels) - n + 1):
            change = levels[at : at + n].mean(axis=0) - levels[at - n : at].mean(axis=0)
            slope, rest = _against_curve(change, shape)
            correlation = float(np.corrcoef(change, shape)[0, 1]) if float(np.ptp(change)) > 0 else 0.0
            follows = STEP_SLOPE[0] <= abs(slope) <= STEP_SLOPE[1] and abs(correlation) >= STEP_CORRELATION
            if follows and rest <= STEP_RESIDUE_DB and (best is None or abs(slope) > abs(best[1])):
                best = (rest, slope, at, correlation)
        if best is None:
            return []
        rest, slope, at, correlation = best
        return [
            EmphasisHint(
                kind="tilt_step",
                strength=5,
                figure=round(slope, 3),
                unit="times the emphasis curve",
                frame=self._tilts[at][0],
                words=f"Hint: near this frame the spectrum changes by {slope:+.2f} times the emphasis curve "
                f"(correlation {correlation:.2f}, scatter {rest:.1f} dB), as where emphasis goes "
                f"{'on' if slope > 0 else 'off'}. Another programme, or another microphone, can do that too.",
            )
        ]


def _word_length(bits: int) -> EmphasisHint:
    if bits > 16:
        words = (
            f"Hint: {bits} bits are in use. An untouched read of a 14- or 16-bit tape never has more than "
            "16: something has calculated on these samples. De-emphasis is one possibility of many."
        )
    else:
        width = 14 if bits <= 14 else 16
        words = (
            f"Hint: no more than {width} bits are in use, as in an untouched read. A digital de-emphasis "
            "would have left more, unless its result was cut down again."
        )
    return EmphasisHint(kind="word_length", strength=3, figure=bits, unit="bits", frame=None, words=words)


def _against_curve(level: Floats, shape: Floats) -> tuple[float, float]:
    """Least squares of level on shape and a constant: (factor, standard deviation of the rest)."""
    x = shape - shape.mean()
    y = level - level.mean()
    factor = float(np.sum(x * y) / np.sum(x * x))
    return factor, float(np.std(y - factor * x))
