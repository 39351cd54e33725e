"""Short spectra of chosen stretches of a file, made once and shared by all that looks at frequencies.

Definitions
    window    4096 frames under a periodic Hann window, next window 2048 frames on, averaged in power (Welch,
              IEEE Trans. Audio Electroacoust. AU-15, 1967; 4096 after the domain note, section 4).
    unit      65536 frames on a grid from frame 0: 31 windows. All of a unit is transformed, or nothing of it.
              Results hang on this grid alone, not on how the stream was cut into blocks.
    group     a quarter of a unit (windows that begin in it: 8, 8, 8, 7), about 0.37 s.
    stretch   neighbouring units whose spectra are added up before anyone draws a conclusion.
    density   power per hertz, dB; 0 dB is the power of a sine that reaches full scale (AES17). The two end
              bins (0 Hz, half the rate) are not halved and nobody here looks at them.
Short files are transformed wholly. From 3 minutes on only every 2nd to 4th unit is (at 6 minutes and longer
every 4th: proposal, no source); the results say how many windows were used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]
Planar = npt.NDArray[np.float32]

WINDOW = 4096
HOP = 2048
UNIT = 65536
GROUP = 16384
BINS = WINDOW // 2 + 1
MAX_STRIDE = 4
MAX_STRETCHES = 480
MAX_COLUMNS = 480
BANDS = 60
LOWEST_BAND_HZ = 40.0
# Neighbouring Hann windows at half overlap share (1/6)**2 of their variance (Welch 1967), so that K windows
# are worth K / (1 + 2/36) independent ones.
INDEPENDENT = 1.0 / (1.0 + 2.0 / 36.0)
_SILENT_DB = -200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowPlan:
    """Which units of a file are transformed: those whose number is a multiple of `stride`.

    stretch_units: units from the start of one stretch to the next. column_groups: transformed groups that
    share one column of the band history.
    """

    units: int
    stride: int
    stretch_units: int
    column_groups: int


def plan_windows(frames: int) -> WindowPlan:
    """The choice of units for a file of so many frames (>= 0)."""
    units = -(-frames // UNIT)
    stride = min(MAX_STRIDE, max(1, units // 60))
    least = min(4, max(1, units // 6)) if stride == 1 else 4 * stride
    stretch = max(least, -(-units // MAX_STRETCHES))
    stretch += -stretch % stride
    groups = -(-units // stride) * (UNIT // GROUP)
    return WindowPlan(
        units=units,
        stride=stride,
        stretch_units=stretch,
        column_groups=max(1, -(-groups // MAX_COLUMNS)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSpectrum:
    """One transformed unit. start: frame. windows: per group. power: shape (groups, channels, BINS), summed
    density over the windows of each group. cross: (BINS,), sum of conj(X0) X1 in the same scale; None for
    one channel."""

    start: int
    windows: tuple[int, ...]
    power: Floats
    cross: Complexes | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Sum over the transformed units of one stretch; start and stop are frames. Mean density is
    power / windows, shape (channels, BINS); cross as in UnitSpectrum."""

    start: int
    stop: int
    windows: int
    power: Floats
    cross: Complexes | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LongTermSpectrum:
    """Mean density over every window used, for a picture: hertz[i] against level_db[channel][i].

    Single bins up to where a 1/24 octave holds two of them, then the mean power of each 1/24 octave.
    """

    windows: int
    hertz: tuple[float, ...]
    level_db: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BandHistory:
    """Density per band over time (mean of the channels), at most MAX_COLUMNS columns: level_db[column][band].

    edges_hz: one more than bands. starts: first frame of each column; a column stands for the file up to the
    next start, though only the chosen units of that time were transformed.
    """

    edges_hz: tuple[float, ...]
    starts: tuple[int, ...]
    level_db: tuple[tuple[float, ...], ...]


def decibels(power: Floats) -> Floats:
    """10 log10 of a power, not below -200 dB."""
    return np.asarray(10.0 * np.log10(np.maximum(power, 10.0 ** (_SILENT_DB / 10.0))), dtype=np.float64)


class Transformer:
    """Makes the spectra of one unit. rate: hertz."""

    def __init__(self, *, channels: int, rate: float) -> None:
        self._channels = channels
        k = np.arange(WINDOW)
        hann = 0.5 - 0.5 * np.cos(2.0 * np.pi * k / WINDOW)
        # One-sided density, times two because a full-scale sine has a mean square of one half.
        hann *= np.sqrt(4.0 / (rate * float(np.sum(hann * hann))))
        self._hann = hann
        per_group = GROUP // HOP
        # Made once: arrays of this size are given back to the system after each use, which costs more than
        # the transforms.
        self._rows: Floats = np.empty((per_group, WINDOW))
        self._wide: Floats = np.empty((per_group - 1) * HOP + WINDOW)
        self._spectra: Complexes = np.empty((channels, per_group, BINS), dtype=np.complex128)
        self._squares: Floats = np.empty((per_group, BINS))
        self._rest: Floats = np.empty((per_group, BINS))
        self._products: Complexes = np.empty((per_group, BINS), dtype=np.complex128)

    def __call__(self, start: int, sound: Planar) -> UnitSpectrum | None:
        """sound: shape (channels, n), n <= UNIT. None when there is no whole window or only digital zero."""
        count = (sound.shape[1] - WINDOW) // HOP + 1
        if count < 1 or not sound.any():
            return None
        per_group = GROUP // HOP
        windows = tuple(min(per_group, count - first) for first in range(0, count, per_group))
        power: Floats = np.empty((len(windows), self._channels, BINS))
        cross: Complexes | None = np.zeros(BINS, dtype=np.complex128) if self._channels == 2 else None
        for g, n in enumerate(windows):
            for c in range(self._channels):
                # Each sample lies in two windows; widened once, products of one type are twice as fast.
                span = self._wide[: (n - 1) * HOP + WINDOW]
                np.copyto(span, sound[c, g * GROUP : g * GROUP + len(span)])
                for window, row in enumerate(self._rows[:n]):
                    np.multiply(span[window * HOP : window * HOP + WINDOW], self._hann, out=row)
                x = np.fft.rfft(self._rows[:n], out=self._spectra[c, :n])
                np.multiply(x.real, x.real, out=self._squares[:n])
                np.multiply(x.imag, x.imag, out=self._rest[:n])
                self._squares[:n] += self._rest[:n]
                np.sum(self._squares[:n], axis=0, out=power[g, c])
            if cross is not None:
                np.conjugate(self._spectra[0, :n], out=self._products[:n])
                self._products[:n] *= self._spectra[1, :n]
                cross += self._products[:n].sum(axis=0)
        return UnitSpectrum(start=start, windows=windows, power=power, cross=cross)


class StretchBuilder:
    """Adds units up to stretches. take() gives the stretch that a unit closes, if any."""

    def __init__(self, plan: WindowPlan) -> None:
        self._plan = plan
        self._units: list[UnitSpectrum] = []

    def take(self, index: int, unit: UnitSpectrum | None, stop: int) -> Stretch | None:
        """The next transformed unit by number; stop: frame after the unit. Every number that is a multiple
        of the stride must come, with None for a unit that had nothing to transform."""
        if unit is not None:
            self._units.append(unit)
        ends = (index + self._plan.stride) % self._plan.stretch_units == 0
        return self.close(stop) if ends else None

    def close(self, stop: int) -> Stretch | None:
        """What has been gathered so far, as a stretch."""
        units, self._units = self._units, []
        if not units:
            return None
        cross: Complexes | None = None
        for unit in units:
            if unit.cross is not None:
                cross = unit.cross.copy() if cross is None else cross + unit.cross
        return Stretch(
            start=units[0].start,
            stop=stop,
            windows=sum(sum(u.windows) for u in units),
            power=np.sum([u.power.sum(axis=0) for u in units], axis=0),
            cross=cross,
        )


class LongTerm:
    """Sums for the long-term spectrum and the band history."""

    def __init__(self, *, plan: WindowPlan, channels: int, rate: float) -> None:
        self._rate = rate
        self._columns = plan.column_groups
        self.power: Floats = np.zeros((channels, BINS))
        self.windows = 0
        self._edges = band_edges(rate)
        self._starts: list[int] = []
        self._rows: list[Floats] = []
        self._open: Floats = np.zeros(BINS)
        self._open_windows = self._open_groups = 0

    def take(self, unit: UnitSpectrum) -> None:
        """Add one unit."""
        self.power += unit.power.sum(axis=0)
        self.windows += sum(unit.windows)
        for g, windows in enumerate(unit.windows):
            if self._open_groups == 0:
                self._starts.append(unit.start + g * GROUP)
            self._open += unit.power[g].mean(axis=0)
            self._open_windows += windows
            self._open_groups += 1
            if self._open_groups == self._columns:
                self._close_column()

    def _close_column(self) -> None:
        if self._open_groups == 0:
            return
        widths = np.diff(self._edges)
        sums = np.add.reduceat(self._open[: self._edges[-1]], self._edges[:-1])
        self._rows.append(decibels(sums / (widths * self._open_windows)))
        self._open = np.zeros(BINS)
        self._open_windows = self._open_groups = 0

    def mean(self) -> Floats:
        """Mean density per channel and bin as power per hertz, shape (channels, BINS)."""
        return self.power / max(self.windows, 1)

    def spectrum(self) -> LongTermSpectrum | None:
        """For the picture; None when nothing was transformed."""
        if self.windows == 0:
            return None
        step = self._rate / WINDOW
        narrow = int(2.0 / (2.0 ** (1.0 / 24.0) - 1.0))
        edges = list(range(2, narrow))
        while edges[-1] < BINS - 1:
            edges.append(min(BINS - 1, max(edges[-1] + 1, round(edges[-1] * 2.0 ** (1.0 / 24.0)))))
        at = np.array(edges)
        means = np.add.reduceat(self.mean()[:, : at[-1]], at[:-1], axis=1) / np.diff(at)
        return LongTermSpectrum(
            windows=self.windows,
            hertz=tuple(round(float(f), 2) for f in (at[:-1] + at[1:] - 1) * 0.5 * step),
            level_db=tuple(tuple(round(float(v), 2) for v in row) for row in decibels(means)),
        )

    def history(self) -> BandHistory | None:
        """Levels over time; None when nothing was transformed. Ends the open column."""
        self._close_column()
        if not self._rows:
            return None
        return BandHistory(
            edges_hz=tuple(round(float(e) * self._rate / WINDOW, 2) for e in self._edges),
            starts=tuple(self._starts),
            level_db=tuple(tuple(round(float(v), 1) for v in row) for row in self._rows),
        )


def band_edges(rate: float) -> npt.NDArray[np.int64]:
    """Bin numbers that bound BANDS bands of equal ratio from LOWEST_BAND_HZ to half the rate; fewer bands
    where two edges fall on one bin."""
    ratio = rate / 2.0 / LOWEST_BAND_HZ
    hertz = LOWEST_BAND_HZ * ratio ** (np.arange(BANDS + 1) / BANDS)
    return np.unique(np.clip(np.rint(hertz * WINDOW / rate).astype(np.int64), 1, BINS - 1))


def band(low_hz: float, high_hz: float, rate: float) -> slice:
    """The bins from low_hz to high_hz, inside the spectrum; empty when there are none."""
    low = max(1, int(np.ceil(low_hz * WINDOW / rate)))
    high = min(BINS - 1, int(np.floor(high_hz * WINDOW / rate)) + 1)
    return slice(low, max(low, high))
