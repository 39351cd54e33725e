"""The line whistle of a picture tube or of the recording's own picture signal, as a clock for the rate.

Lines (domain note, section 4.1): 525 colour 4.5 MHz / 286 = 15 734.2657 Hz, 625 15 625 Hz; a 15.75 kHz mono
monitor as the rarer third. A tone of f Hz recorded at the true rate T stands at f / T cycles per sample,
whatever the header says. So each line and each rate that the file may really have gives one place to look.

Method: the band 15.60-15.78 kHz (by the header) is mixed to 0 Hz, low-passed and decimated by 64, and cut
into windows of about 62 s (shorter in files under 5 minutes: a fifth of the file, 6 s at least). In each
window, Hann and FFT; the strongest line within 2.5 Hz (160 ppm) of each place counts when it is over 20 dB
above the median of 10 Hz to either side, is narrow, and does not belong to a comb of field-rate damage. A
tone is reported when at least three windows hold it, steady within 0.05 Hz (20 dB and 0.05 Hz: domain note,
4.1; the other figures: proposals). Frequency by the ratio of the two highest bins, which is exact for a Hann
window.

Verdict on the declared rate: consistent when a broadcast line fits it, against when a broadcast line fits
only another rate. The mono monitor is called upon only when no broadcast line fits. `ambiguous` says that
another reading leads to another rate; 15 750.000 Hz at 44100 is both a 525 recording at 44100/1.001 and
such a monitor, and no sample can tell. It is a hint, never proof.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np

from provpack.measure.products import product
from provpack.measure.spectra import UNIT, Complexes, Floats, Planar

Verdict = Literal["consistent", "against", "no_pilot"]
LINE_525 = Fraction(4_500_000, 286)
LINE_625 = Fraction(15625)
MONITOR = Fraction(15750)
SOURCES: tuple[tuple[str, Fraction, bool], ...] = (
    ("525-line picture", LINE_525, True),
    ("625-line picture", LINE_625, True),
    ("15.75 kHz mono monitor", MONITOR, False),
)
BASE_RATES = (32000, 44100, 48000, 88200, 96000, 176400, 192000)
NTSC = Fraction(1000, 1001)
TOLERANCE_HZ = 2.5
LEAST_DB = 20.0
LEAST_WINDOWS = 3
STEADY_HZ = 0.05
DECIMATION = 64
TAPS = 512
CENTRE_HZ = 15687.0
LONGEST_UNITS, SHORTEST_UNITS = 42, 4
_FIELDS = (735, 1470, 882, 1764)  # samples per field and frame, domain note 1.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One thing a tone may be: source at the true rate, off by so many ppm; broadcast: not the monitor."""

    source: str
    rate: Fraction
    broadcast: bool
    offset_ppm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A steady tone. hertz: by the header. level_dbfs: both channels together, 0 dBFS = full-scale sine.
    over_median_db: median of its windows. spread_hz: largest less smallest. windows: that hold it."""

    hertz: float
    level_dbfs: float
    over_median_db: float
    spread_hz: float
    windows: int
    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Whistle:
    """hertz: of the tone behind the verdict, by the header; None for no pilot. windows of window_seconds
    were looked at. words: one or more sentences."""

    verdict: Verdict
    hertz: float | None
    ambiguous: bool
    tones: tuple[Tone, ...]
    windows: int
    window_seconds: float
    words: str


def true_rates(rate: Fraction) -> tuple[Fraction, ...]:
    """What the true rate may be when `rate` is declared: itself, first, and the other of a common rate and
    its 1/1.001th (within 10 ppm, for a header that rounds)."""
    for base in BASE_RATES:
        pair = (Fraction(base), base * NTSC)
        for k in (0, 1):
            if abs(rate / pair[k] - 1) < Fraction(1, 100_000):
                return (pair[k], pair[1 - k])
    return (rate,)


class WhistleMeter:
    """take() every unit in order. rate: declared, exact; header: hertz as in the file's header."""

    def __init__(self, *, channels: int, rate: Fraction, header: int, units: int) -> None:
        self._rate, self._header = rate, header
        self._rates = true_rates(rate)
        self._units = min(LONGEST_UNITS, max(SHORTEST_UNITS, units // 5))
        self._places = sorted({float(f / t) for _, f, _ in SOURCES for t in self._rates})
        self._able = self._places[-1] * header + 100.0 < header / 2
        # The mixer runs through a whole number of periods per unit, so that every unit begins at phase 0.
        self._centre = round(CENTRE_HZ / header * UNIT) / UNIT
        self._rows = UNIT // DECIMATION
        turn = 2.0 * _low_pass() * np.exp(-2j * np.pi * self._centre * np.arange(TAPS))
        parts = turn.reshape(TAPS // DECIMATION, DECIMATION)
        self._mixer = np.concatenate([parts.real, parts.imag]).T.astype(np.float32, order="C")
        self._reach = TAPS // DECIMATION - 1
        spin = np.exp(-2j * np.pi * self._centre * DECIMATION * np.arange(self._rows))
        self._spin = np.roll(spin, self._reach)
        self._tail: Planar = np.zeros((channels, 2, self._reach), dtype=np.float32)
        self._base: Complexes = np.zeros((channels, self._units * self._rows), dtype=np.complex128)
        self._filled = 0
        self._windows = 0
        self._found: list[list[tuple[float, float, float]]] = [[] for _ in self._places]
        self._combs = 0

    def take(self, sound: Planar) -> None:
        """One unit, shape (channels, n <= UNIT); only the last may be shorter."""
        if not self._able:
            return
        rows = sound.shape[1] // DECIMATION
        parts = self._reach + 1
        for c in range(len(self._tail)):
            pieces = sound[c, : rows * DECIMATION].reshape(rows, DECIMATION)
            # One row per piece of 64 samples, its eight parts of the filter side by side, real, then
            # imaginary; one output is the diagonal over eight rows.
            table = product(pieces, self._mixer)
            sums = np.zeros((2, rows + self._reach), dtype=np.float32)
            for k in range(parts):
                sums[:, self._reach - k : self._reach - k + rows] += table[:, k::parts].T
            sums[:, : self._reach] += self._tail[c]
            self._tail[c] = sums[:, rows:]
            out = self._base[c, self._filled : self._filled + rows]
            out.real, out.imag = sums[0, :rows], sums[1, :rows]
            out *= self._spin[:rows]
        self._filled += rows
        if self._filled >= self._base.shape[1]:
            self._look()

    def _look(self) -> None:
        """Search one window of baseband."""
        n, self._filled = self._filled, 0
        self._windows += 1
        hann = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(n) / n)
        power: Floats = np.zeros(n)
        for row in self._base[:, :n]:
            x = np.fft.fft(row * hann)
            power += x.real**2 + x.imag**2
        power = np.fft.fftshift(power) * (2.0 / n) ** 2
        for found, place in zip(self._found, self._places, strict=True):
            hit = self._peak(power, place)
            if hit is not None:
                found.append(hit)

    def _peak(self, power: Floats, place: float) -> tuple[float, float, float] | None:
        """(hertz by the header, power, dB over the median) of the line near a place in cycles per sample."""
        n = len(power)
        per_bin = self._header / DECIMATION / n
        middle = n // 2 + (place - self._centre) * self._header / per_bin
        reach = TOLERANCE_HZ / per_bin
        low, high = int(np.ceil(middle - reach)), int(np.floor(middle + reach)) + 1
        wide = int(10.0 / per_bin)
        if low - wide < 0 or high + wide > n:
            return None  # outside what was kept: such a rate cannot be that of this file
        at = low + int(np.argmax(power[low:high]))
        around = float(np.median(power[at - wide : at + wide + 1]))
        top = float(power[at])
        if around <= 0 or top < 10 ** (LEAST_DB / 10) * around or top <= power[at - 1] or top < power[at + 1]:
            return None
        skirt, far = 4 + int(0.1 / per_bin), 4 + int(0.5 / per_bin)
        beside = max(power[at - far : at - skirt].max(), power[at + skirt + 1 : at + far + 1].max())
        if top < 10.0 * beside:
            return None
        if self._in_comb(power, at, per_bin):
            self._combs += 1
            return None
        side = 1 if power[at + 1] > power[at - 1] else -1
        ratio = float(np.sqrt(power[at + side] / top))
        offset = side * (2.0 * ratio - 1.0) / (1.0 + ratio)
        hertz = (at + offset - n // 2) * per_bin + self._centre * self._header
        lobe = np.sinc(offset) / (1.0 - offset * offset) if abs(offset) < 1 else 1.0
        turn = np.exp(-2j * np.pi * (hertz / self._header - self._centre) * np.arange(TAPS))
        droop = float(np.abs(np.sum(_low_pass() * turn)))
        return hertz, top / (float(lobe) * droop) ** 2, 10.0 * float(np.log10(top / around))

    def _in_comb(self, power: Floats, at: int, per_bin: float) -> bool:
        """Whether lines as strong (10 dB) stand one field or frame rate away on both sides."""
        near = 2 + int(0.1 / per_bin)
        for samples in _FIELDS:
            step = round(self._header / samples / per_bin)
            sides = [at - step, at + step]
            if sides[0] < near or sides[1] + near >= len(power):
                continue
            if all(float(power[s - near : s + near + 1].max()) > 0.1 * float(power[at]) for s in sides):
                return True
        return False

    def finish(self) -> Whistle:
        """The result; call once."""
        if self._able and self._filled * 2 >= self._base.shape[1]:
            self._look()
        tones = tuple(t for t in map(self._tone, self._found) if t is not None)
        seconds = self._units * UNIT / self._header
        unique: dict[float, Tone] = {round(t.hertz, 2): t for t in tones}
        return judge(tuple(unique.values()), self._rates[0], self._windows, seconds, self._combs)

    def _tone(self, found: list[tuple[float, float, float]]) -> Tone | None:
        """The largest set of hits within STEADY_HZ of each other, if enough."""
        hits = sorted(found)
        best: list[tuple[float, float, float]] = []
        first = 0
        for last in range(len(hits)):
            while hits[last][0] - hits[first][0] > STEADY_HZ:
                first += 1
            if last + 1 - first > len(best):
                best = hits[first : last + 1]
        if len(best) < LEAST_WINDOWS or len(best) * 2 < len(hits):
            return None
        table = np.array(best)
        hertz = float(np.median(table[:, 0]))
        may_be = readings(hertz / self._header, self._rates)
        if not may_be:
            return None
        return Tone(
            hertz=round(hertz, 4),
            level_dbfs=round(10.0 * float(np.log10(np.median(table[:, 1]))), 1),
            over_median_db=round(float(np.median(table[:, 2])), 1),
            spread_hz=round(float(np.ptp(table[:, 0])), 4),
            windows=len(best),
            readings=may_be,
        )


def _low_pass() -> Floats:
    """Blackman, sum 1: 4 dB down at 80 Hz (taken back where levels are told), 70 dB or more where the
    decimation folds onto the band."""
    taps = np.blackman(TAPS + 1)[:TAPS]
    return np.asarray(taps / taps.sum(), dtype=np.float64)


def readings(place: float, rates: tuple[Fraction, ...]) -> tuple[Reading, ...]:
    """Everything that a tone at `place` cycles per sample may be, broadcast lines first, then by distance."""
    out = []
    for source, line, broadcast in SOURCES:
        for rate in rates:
            ppm = (place * float(rate / line) - 1.0) * 1e6
            if abs(ppm) * 1e-6 * float(line) <= TOLERANCE_HZ:
                out.append(Reading(source=source, rate=rate, broadcast=broadcast, offset_ppm=round(ppm, 2)))
    return tuple(sorted(out, key=lambda r: (not r.broadcast, abs(r.offset_ppm))))


def judge(
    tones: tuple[Tone, ...], declared: Fraction, windows: int, seconds: float, combs: int = 0
) -> Whistle:
    """The verdict on the declared rate from the tones found in so many windows of so many seconds."""
    if not tones:
        words = f"No steady line tone in {windows} windows of {seconds:.0f} s; many tapes have none."
        if windows < LEAST_WINDOWS:
            words = f"Too short for a rate check: {windows} of {LEAST_WINDOWS} windows of {seconds:.0f} s."
        if combs:
            words += " Tones there stand in rows one field rate apart and were not used: damage that "
            words += "repeats makes such rows, and so does a steady low tone."
        return Whistle(
            verdict="no_pilot",
            hertz=None,
            ambiguous=False,
            tones=(),
            windows=windows,
            window_seconds=round(seconds, 3),
            words=words,
        )
    verdicts = [(_verdict(tone, declared), tone) for tone in tones]
    verdicts.sort(key=lambda v: (not v[1].readings[0].broadcast, v[0] == "against", -v[1].level_dbfs))
    verdict, tone = verdicts[0]
    others = {v for v, t in verdicts if t.readings[0].broadcast} - {verdict}
    ambiguous = len({r.rate for r in tone.readings}) > 1 or bool(others)
    may_be = " or ".join(f"a {r.source} at a true rate of {float(r.rate):.3f} Hz" for r in tone.readings)
    words = (
        f"Steady tone at {tone.hertz:.3f} Hz by the header in {tone.windows} of {windows} windows of "
        f"{seconds:.0f} s: {may_be}. {_WORDS[verdict].format(float(declared))}"
    )
    if ambiguous:
        words += " Ambiguous: another reading leads to another rate."
    return Whistle(
        verdict=verdict,
        hertz=tone.hertz,
        ambiguous=ambiguous,
        tones=tones,
        windows=windows,
        window_seconds=round(seconds, 3),
        words=words,
    )


_WORDS: dict[Verdict, str] = {
    "consistent": "This agrees with the declared {:.3f} Hz; it does not prove it.",
    "against": "This speaks against the declared {:.3f} Hz; it does not prove it wrong.",
}


def _verdict(tone: Tone, declared: Fraction) -> Verdict:
    best = [r for r in tone.readings if r.broadcast] or list(tone.readings)
    return "consistent" if any(r.rate == declared for r in best) else "against"
