"""How far up the sound goes, and what its upper end says about earlier conversions. Hints, never proof.

Definitions (domain note, section 4; bounds without a named source are proposals)
    bandwidth       the frequency under which 99.9 % of the mean power over 10 kHz lies, per channel; None
                    when what lies between 10 and 12 kHz is not 10 dB over the floor of the word length: then
                    only noise is up there and a dull programme hides the bandwidth.
    floor           density of rounding to the bits in use: step^2 / 12 spread from 0 Hz to half the rate.
    slope           straight line through the mean density from 19 to 21 kHz, dB per kHz.
    top level       mean power from 20 to 22 kHz (or to half the rate), dBFS.
    wall            in one stretch: medians of 9 bins (about 97 Hz) each; the smallest of the six under a gap
                    of three lies 15 dB or more over the largest of those of the next 2 kHz above it. The wall
                    is where the density crosses half way between. Evidence when three stretches, and half of
                    all, have it within 250 Hz.
    images          the fine structure just over half of another rate repeats what lies just under it,
                    mirrored: correlation of the levels, freed of their trend, of 0.6 or more, and less than
                    half of that when one side is moved by 4 to 60 bins (combs of reflections repeat).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from provpack.measure.spectra import BINS, WINDOW, Floats, Stretch, band, decibels

Strength = Literal["weak", "moderate"]
SHARE = 0.999
OVER_FLOOR_DB = 10.0
WALL_DB = 15.0
LOWEST_WALL_HZ = 9000.0
NEAR_TOP_HZ = 19000.0
LEAST_WINDOWS = 3
AGREE_HZ = 250.0
IMAGE_CORRELATION = 0.6
DITHER_DB = 9.0  # triangular dither adds 4.8 dB to plain rounding; the rest is for a mean of many bins
OTHER_RATES = (22050, 24000, 32000, 37800, 44056, 44100, 48000, 88200, 96000)
_SUB, _BELOW, _GAP = 9, 6, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class ConversionHint:
    """kind: lower_wall (a wall under 19 kHz), top_wall (from 19 kHz on), images. hertz: of the wall, or of
    half the other rate. figure: depth of the wall, dB, or correlation of the images. windows: stretches that
    agree, of so many that could show it. Never decisive."""

    kind: Literal["lower_wall", "top_wall", "images"]
    strength: Strength
    hertz: float
    figure: float
    windows: int
    windows_able: int
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bandwidth:
    """See the module. Per channel; None where it cannot be told or the rate is too low."""

    hertz: tuple[float | None, ...]
    slope_db_per_khz: tuple[float | None, ...]
    top_level_dbfs: tuple[float | None, ...]
    floor_db: float | None
    hints: tuple[ConversionHint, ...]
    windows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wall:
    hertz: float
    depth_db: float
    above_db: float


class BandwidthMeter:
    """take() every stretch. rate: hertz."""

    def __init__(self, *, rate: float) -> None:
        self._rate = rate
        self._walls: list[_Wall | None] = []

    def take(self, stretch: Stretch) -> None:
        """One stretch; at most a few numbers of it are kept (stretches are capped by the plan)."""
        density = decibels(stretch.power.mean(axis=0) / stretch.windows)
        self._walls.append(find_wall(density, self._rate))

    def finish(self, mean: Floats, windows: int, bits: int) -> Bandwidth:
        """mean: density per channel and bin over the file, of so many windows. bits: in use in the file."""
        floor = quantising_floor_db(bits, self._rate) if bits else None
        if windows == 0:
            none = (None,) * len(mean)
            return Bandwidth(
                hertz=none, slope_db_per_khz=none, top_level_dbfs=none, floor_db=floor, hints=(), windows=0
            )
        hints = [*self._wall_hints(floor, bits), *self._image_hints(mean, floor)]
        return Bandwidth(
            hertz=tuple(_upper_edge(row, floor, self._rate) for row in mean),
            slope_db_per_khz=tuple(_slope(row, self._rate) for row in mean),
            top_level_dbfs=tuple(_top_level(row, self._rate) for row in mean),
            floor_db=None if floor is None else round(floor, 2),
            hints=tuple(hints),
            windows=windows,
        )

    def _wall_hints(self, floor: float | None, bits: int) -> list[ConversionHint]:
        walls = [w for w in self._walls if w is not None]
        hints = []
        for low, high in ((LOWEST_WALL_HZ, NEAR_TOP_HZ), (NEAR_TOP_HZ, self._rate)):
            here = [w for w in walls if low <= w.hertz < high]
            if not here:
                continue
            middle = float(np.median([w.hertz for w in here]))
            agree = [w for w in here if abs(w.hertz - middle) <= AGREE_HZ]
            if len(agree) < LEAST_WINDOWS or len(agree) * 2 < len(self._walls):
                continue
            depth = float(np.median([w.depth_db for w in agree]))
            above = float(np.median([w.above_db for w in agree]))
            hints.append(self._wall_hint(middle, depth, len(agree), above, floor, bits))
        return hints

    def _wall_hint(
        self, hertz: float, depth: float, agree: int, above: float, floor: float | None, bits: int
    ) -> ConversionHint:
        lower = hertz < NEAR_TOP_HZ
        empty = floor is not None and above <= floor + DITHER_DB
        words = f"The sound ends in a wall at {hertz / 1000:.1f} kHz, {depth:.0f} dB deep"
        words += ", with only the noise of the word length above it. " if empty else ". "
        rates = [r for r in OTHER_RATES if r < 0.98 * self._rate and 0.9 * r / 2 <= hertz <= 1.005 * r / 2]
        if lower:
            words += "A lossy coding, a broadcast link or a lower sampling frequency earlier on would do that"
        else:
            words += "A recorder's own filter ends there too; so does a conversion of the sampling frequency"
        if rates:
            words += f" (half of {', '.join(str(r) for r in rates)} Hz lies close above)"
        words += "; so would a sound that was made that way."
        # A read of a 14- or 16-bit tape uses no more bits: with more, something has calculated.
        strong = empty and (lower or bits > 16)
        return ConversionHint(
            kind="lower_wall" if lower else "top_wall",
            strength="moderate" if strong else "weak",
            hertz=round(hertz, 0),
            figure=round(depth, 1),
            windows=agree,
            windows_able=len(self._walls),
            words=words,
        )

    def _image_hints(self, mean: Floats, floor: float | None) -> list[ConversionHint]:
        density = decibels(mean.mean(axis=0))
        best: tuple[float, int] | None = None
        for rate in OTHER_RATES:
            r = image_correlation(density, rate / 2.0, self._rate, floor)
            if r is not None and r >= IMAGE_CORRELATION and (best is None or r > best[0]):
                best = (r, rate)
        if best is None:
            return []
        words = (
            f"What lies over {best[1] / 2000:.3f} kHz mirrors what lies under it (correlation {best[0]:.2f}) "
            f"as after a poor conversion from {best[1]} Hz; music of few, steady pitches can look alike."
        )
        return [
            ConversionHint(
                kind="images",
                strength="moderate" if best[0] >= 0.8 else "weak",
                hertz=best[1] / 2.0,
                figure=round(best[0], 3),
                windows=len(self._walls),
                windows_able=len(self._walls),
                words=words,
            )
        ]


def quantising_floor_db(bits: int, rate: float) -> float:
    """Density of plain rounding to `bits`, white from 0 Hz to half the rate, 0 dB = full-scale sine per Hz.
    step^2 / 12 against 1/2, over rate / 2 hertz (textbook quantising noise, from memory)."""
    step = 2.0 ** (1 - bits)
    return 10.0 * float(np.log10(step * step / 12.0 * 2.0 / (rate / 2.0)))


def find_wall(density: Floats, rate: float) -> _Wall | None:
    """The deepest wall in one spectrum in dB, shape (BINS,), or None."""
    first = int(LOWEST_WALL_HZ * WINDOW / rate)
    count = (BINS - 24 - first) // _SUB  # the last 250 Hz are the converter's own edge
    if count < _BELOW + _GAP + 4:
        return None
    sub = np.median(density[first : first + count * _SUB].reshape(count, _SUB), axis=1)
    ahead = max(4, int(2000.0 * WINDOW / rate) // _SUB)
    below = np.lib.stride_tricks.sliding_window_view(sub, _BELOW).min(axis=1)
    padded = np.concatenate([sub, np.full(ahead, -np.inf)])
    above = np.lib.stride_tricks.sliding_window_view(padded, ahead).max(axis=1)
    last = count - _BELOW - _GAP - 4
    drops = below[: last + 1] - above[_BELOW + _GAP : _BELOW + _GAP + last + 1]
    at = int(np.argmax(drops))
    if drops[at] < WALL_DB:
        return None
    half = (below[at] + above[at + _BELOW + _GAP]) / 2.0
    edge = sub[at + _BELOW - 1 : at + _BELOW + _GAP + 1]
    crossing = int(np.argmax(edge < half)) + at + _BELOW - 1
    return _Wall(
        hertz=(first + crossing * _SUB) * rate / WINDOW,
        depth_db=float(drops[at]),
        above_db=float(np.median(sub[at + _BELOW + _GAP :])),
    )


def image_correlation(density: Floats, centre_hz: float, rate: float, floor: float | None) -> float | None:
    """Correlation of levels in dB, freed of their trend over 41 bins, at equal distances of 100 Hz to 3 kHz
    under and over centre_hz; None when the file has too little room, nothing there above the floor, or a
    fine structure that repeats itself."""
    step = rate / WINDOW
    reach = min(3000.0, rate / 2.0 - 300.0 - centre_hz, centre_hz - 300.0)
    if reach < 800.0 or centre_hz < 7000.0:
        return None
    distance = np.arange(100.0, reach, step)
    bins = np.arange(BINS, dtype=np.float64)
    under = np.interp((centre_hz - distance) / step, bins, density)
    over = np.interp((centre_hz + distance) / step, bins, density)
    if floor is not None and float(np.percentile(over, 90)) < floor + OVER_FLOOR_DB:
        return None
    a, b = _fine(under), _fine(over)
    norm = float(np.sqrt(np.sum(a * a) * np.sum(b * b)))
    if norm <= 0:
        return None
    moved = np.correlate(np.pad(a, 60), b, "valid") / norm
    if np.abs(np.delete(moved, range(57, 64))).max() > 0.5 * abs(moved[60]):
        return None
    return float(moved[60])


def _fine(level: Floats) -> Floats:
    width = 41
    padded = np.pad(level, width // 2, mode="reflect")
    trend = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    return np.asarray(level - trend, dtype=np.float64)


def _upper_edge(density: Floats, floor: float | None, rate: float) -> float | None:
    span = band(10000.0, rate / 2.0, rate)
    low = density[band(10000.0, 12000.0, rate)]
    if low.size < 10 or floor is None or decibels(low.mean(keepdims=True))[0] < floor + OVER_FLOOR_DB:
        return None
    running = np.cumsum(density[span])
    at = int(np.searchsorted(running, SHARE * running[-1]))
    return float(round((span.start + at) * rate / WINDOW))


def _slope(density: Floats, rate: float) -> float | None:
    span = band(19000.0, 21000.0, rate)
    if span.stop - span.start < 50 or rate / 2.0 < 21000.0 or not density[span].any():
        return None
    khz = np.arange(span.start, span.stop) * rate / WINDOW / 1000.0
    return round(float(np.polyfit(khz, decibels(density[span]), 1)[0]), 2)


def _top_level(density: Floats, rate: float) -> float | None:
    span = band(20000.0, min(22000.0, rate / 2.0), rate)
    if span.stop - span.start < 50 or not density[span].any():
        return None
    return round(float(decibels(density[span].sum(keepdims=True) * rate / WINDOW)[0]), 2)
