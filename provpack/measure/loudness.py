"""Programme loudness and peaks of a whole file, in one pass.

What is measured is the file as it is. The loudness of a transfer with 50/15 us pre-emphasis still on it is
that of the emphasised signal, which is not what a listener hears: it reads higher, the more so the brighter
the music, by less than the 20 log10(50/15) = 10.5 dB that the curve adds at most. Nothing is de-emphasised
here, and no correction is applied.

Definitions (ITU-R BS.1770-5 Annex 1; EBU Tech 3341 and Tech 3342, 2023)
    power        mean square of the K-weighted channels (measure.filters), each times its weight, summed over
                 the channels. Loudness = -0.691 + 10 log10(power), in LUFS.
    weights      1.0 for one and for two channels: one channel counts once, and reads 3.01 LU below the same
                 signal on two. More channels: see channel_weights.
    integrated   blocks of 400 ms, a new one every 100 ms, an incomplete last one dropped; those above
                 -70 LUFS set the relative threshold, 10 LU below the loudness of their mean power; the result
                 is the loudness of the mean power of the blocks above both. LUFS.
    momentary    greatest loudness of any 400 ms window, short-term of any 3 s window, not gated, a new window
                 every 10 ms (Tech 3341 asks for at least ten per second; a grid of 100 ms under-reads its
                 case 13 by up to 0.46 LU). Only whole windows inside the file. LUFS.
    range        short-term loudness every 100 ms; gate at -70 LUFS, then 20 LU below the loudness of the mean
                 power of what is left; 95th minus 10th percentile (nearest rank, round((n - 1) p / 100)). LU.
    true peak    measure.truepeak, dBTP; sample peak, dBFS; RMS: 20 log10 of the root mean square
                 of the samples, any DC included, dB against 1.0 (a full-scale sine reads -3.01).

None means that there is nothing to state: digital silence, a file shorter than the window, or nothing above
the gate. It never means 0. Window edges lie on the sample nearest to each multiple of 10 ms at the exact
rate. The results do not depend on how the stream is cut. Memory: some 4 MB, and 80 bytes per second of audio.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from provpack.errors import Bug
from provpack.measure.block import Block, FloatArray
from provpack.measure.filters import Float64, SosFilter, k_weighting
from provpack.measure.pcm import PcmLayout, check_layout
from provpack.measure.truepeak import TruePeak

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
RANGE_PERCENTILES = (10, 95)
OFFSET_LU = -0.691
# Below this the two K-weighting stages are no longer far below half the sampling frequency (proposal, no
# source); loudness stays unmeasured, peaks and RMS are given.
MIN_RATE_HZ = 8000
CELLS_PER_SECOND = 100  # the step of momentary and short-term loudness
MOMENTARY, SHORT_TERM, TENTH = 40, 300, 10  # in cells
MAX_TENTHS = 72 * 36000  # 72 hours (21 MB); in a longer file integrated loudness and range stay unmeasured
CONTOUR_POINTS = 1200
_DOT = 4096  # samples of one call of BLAS: too few for it to start threads
_STRETCH_SAMPLES = 131072  # all channels together: the input is cut anew into pieces of this many

# WAVEFORMATEXTENSIBLE channel mask bits (Microsoft, ksmedia.h)
_LFE, _BACK, _SIDE, _KNOWN = 0x8, 0x30, 0x600, 0x3FFFF
_SURROUND_WEIGHT = 1.41


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPeak:
    """Decibels as defined in the module docstring; None when every sample is 0 (or there is none)."""

    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    rms_dbfs: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Contour:
    """Loudness over time, for the eye: points[i] is the greatest short-term loudness (LUFS) of the windows
    that end in (i, i + 1] * step_s; None where no whole window ends or where all is silent."""

    step_s: float
    points: tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """The whole file; units, definitions and the meaning of None: module docstring.

    weights: the factor of each channel. gating_blocks, gated_blocks: blocks of 400 ms in the file,
    and those above both gates. tenths_left_out: stretches of 100 ms beyond MAX_TENTHS.
    notes: plain sentences on what limits the figures.
    """

    frames: int
    integrated_lufs: float | None
    range_lu: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    max_true_peak_dbtp: float | None
    channels: tuple[ChannelPeak, ...]
    weights: tuple[float, ...]
    gating_blocks: int
    gated_blocks: int
    tenths_left_out: int
    contour: Contour
    notes: tuple[str, ...]


def channel_weights(channels: int, mask: int | None) -> tuple[tuple[float, ...], str | None]:
    """The weight of each channel, and a note when their places had to be left open.

    One or two channels: 1.0. More: when the mask names a place for every channel, left and right surround
    1.41, low frequency effects 0, all others 1.0 (BS.1770-5 Annex 1, Table 3 and Annex 3: 1.41 at 60 to 120
    degrees to the side). "Back" is taken for the surround pair where there is no "side" pair, as 5.1 files
    have it both ways (common practice, no source). Without such a mask all are 1.0.
    """
    if channels <= 2:
        return (1.0,) * channels, None
    places = [1 << bit for bit in range(32) if (mask or 0) >> bit & 1]
    if len(places) != channels or (mask or 0) & ~_KNOWN:
        return (1.0,) * channels, (
            f"The file does not say where its {channels} channels belong; loudness counts all of them alike."
        )
    surround = _SIDE if (mask or 0) & _SIDE else _BACK
    return tuple(0.0 if p == _LFE else _SURROUND_WEIGHT if p & surround else 1.0 for p in places), None


def lufs(power: float) -> float | None:
    """Loudness of a weighted mean square; None for no power at all."""
    return OFFSET_LU + 10.0 * math.log10(power) if power > 0.0 else None


def _power(loudness: float) -> float:
    return float(10.0 ** ((loudness - OFFSET_LU) / 10.0))


def integrated(blocks: Float64) -> tuple[float | None, int]:
    """Loudness of gating blocks, given by their power, and how many of them passed both gates."""
    loud = blocks[blocks > _power(ABSOLUTE_GATE_LUFS)]
    if loud.size == 0:
        return None, 0
    kept = loud[loud > loud.mean() * 10.0 ** (RELATIVE_GATE_LU / 10.0)]
    return lufs(float(kept.mean())), int(kept.size)


def loudness_range(windows: Float64) -> float | None:
    """Range in LU of short-term windows, given by their power; None when none is above -70 LUFS."""
    loud = windows[windows >= _power(ABSOLUTE_GATE_LUFS)]
    if loud.size == 0:
        return None
    kept = np.sort(loud[loud >= loud.mean() * 10.0 ** (RANGE_GATE_LU / 10.0)])
    low, high = (kept[math.floor((kept.size - 1) * p / 100 + 0.5)] for p in RANGE_PERCENTILES)
    return float(10.0 * np.log10(high / low))


def _sums(values: Float64, width: int) -> Float64:
    """The sum of every `width` consecutive values; each is summed afresh, so no rounding is carried along."""
    if values.size < width:
        return np.zeros(0)
    sums: Float64 = np.lib.stride_tricks.sliding_window_view(values, width).sum(axis=1)
    return sums


def _energy(wide: Float64) -> float:
    """Sum of squares. Of codes of up to 16 bits it is exact: less than 2**53 times 2**-30."""
    whole = len(wide) - len(wide) % _DOT
    rows = wide[:whole].reshape(-1, 1, _DOT)
    left = wide[whole:]
    return float(np.matmul(rows, rows.transpose(0, 2, 1)).sum()) + float((left * left).sum())


def _decibels(linear: float) -> float | None:
    return 20.0 * math.log10(linear) if linear > 0.0 else None


class _Windows:
    """Takes the energy (sum of squares) of consecutive cells of 10 ms; keeps maxima and 100 ms sums."""

    def __init__(self) -> None:
        self.momentary = self.short_term = 0.0  # greatest energy of a window
        self.tenths = array("d")
        self.left_out = 0
        self._recent: Float64 = np.zeros(0)
        self._open: Float64 = np.zeros(0)

    def take(self, cells: Float64) -> None:
        joined = np.concatenate((self._recent, cells))
        fresh = len(self._recent)  # windows that end before this were seen
        short = _sums(joined[max(0, fresh - SHORT_TERM + 1) :], SHORT_TERM)
        brief = _sums(joined[max(0, fresh - MOMENTARY + 1) :], MOMENTARY)
        self.short_term = max(self.short_term, float(short.max(initial=0.0)))
        self.momentary = max(self.momentary, float(brief.max(initial=0.0)))
        self._recent = joined[-(SHORT_TERM - 1) :].copy()
        joined = np.concatenate((self._open, cells))
        whole = len(joined) - len(joined) % TENTH
        tenths = joined[:whole].reshape(-1, TENTH).sum(axis=1)
        room = MAX_TENTHS - len(self.tenths)
        self.tenths.frombytes(tenths[:room].tobytes())
        self.left_out += max(0, len(tenths) - room)
        self._open = joined[whole:].copy()


class LoudnessMeter:
    """An Analyser (measure.block). frames: the expected total; channel_mask: of the fmt chunk, if any."""

    def __init__(
        self, *, layout: PcmLayout, rate: Fraction, frames: int, channel_mask: int | None = None
    ) -> None:
        check_layout(layout)
        self._rate = rate
        self._expected = frames
        self._weights, note = channel_weights(layout.channels, channel_mask)
        self._notes = [note] if note else []
        self._filter: SosFilter | None = None
        if rate >= MIN_RATE_HZ:
            self._filter = SosFilter(k_weighting(rate), layout.channels)
        else:
            self._notes.append(f"Loudness is not measured at sampling frequencies below {MIN_RATE_HZ} Hz.")
        self._peaks = TruePeak(layout.channels)
        self._squares = [0.0] * layout.channels
        self._windows = _Windows()
        self._seen = 0
        self._cell = 0  # number of the cell that `_tail` begins
        self._tail: Float64 = np.zeros(0)  # weighted squares of the cell not yet whole
        self._stretch = max(TENTH, _STRETCH_SAMPLES // layout.channels)
        self._room: Float64 = np.empty((layout.channels, 0))
        self._waiting: list[FloatArray] = []
        self._waiting_frames = 0

    def take(self, block: Block) -> None:
        """Look at the next block."""
        for stretch in self._cut(block.planar):
            self._measure(stretch)

    def _cut(self, planar: FloatArray) -> Iterator[FloatArray]:
        """Stretches between multiples of one fixed length, wherever the blocks end: every sum is then done
        in the same order, and gives the same last bit."""
        at, end = 0, planar.shape[1]
        while self._waiting_frames + end - at >= self._stretch:
            until = at + self._stretch - self._waiting_frames
            piece = planar[:, at:until]
            yield np.concatenate((*self._waiting, piece), axis=1) if self._waiting else piece
            self._waiting, self._waiting_frames = [], 0
            at = until
        if at < end:
            self._waiting.append(planar[:, at:].copy())
            self._waiting_frames += end - at
            if len(self._waiting) >= 1024:  # many tiny blocks
                self._waiting = [np.concatenate(self._waiting, axis=1)]

    def _measure(self, planar: FloatArray) -> None:
        frames = planar.shape[1]
        self._seen += frames
        self._peaks.take(planar)
        if self._room.shape[1] != frames:
            self._room = np.empty((len(planar), frames))
        wide = self._room
        np.copyto(wide, planar)
        for channel, of_channel in enumerate(wide):
            self._squares[channel] += _energy(of_channel)
        if self._filter is not None:
            weighted = self._filter.run(wide)
            weighted *= weighted
            self._collect(weighted)

    def _collect(self, squares: Float64) -> None:
        """Add up the squares of the channels over the cells that are now whole."""
        held = len(self._tail)
        total = np.empty(held + squares.shape[1])
        total[:held] = self._tail
        np.multiply(squares[0], self._weights[0], out=total[held:])
        for weight, of_channel in zip(self._weights[1:], squares[1:], strict=True):
            total[held:] += of_channel if weight == 1.0 else of_channel * weight
        edges = self._edges(len(total))
        if len(edges) > 1:
            self._windows.take(np.add.reduceat(total[: edges[-1]], edges[:-1]))
            self._cell += len(edges) - 1
        self._tail = total[edges[-1] :].copy()

    def _edges(self, frames: int) -> npt.NDArray[np.int64]:
        """The first frames of this cell and of all that follow, as far as they lie in so many frames from the
        first of this one."""
        origin = self._edge(self._cell)
        cells = int(frames * CELLS_PER_SECOND / self._rate) + 2
        if self._edge(self._cell + cells) < 1 << 40 and self._rate.denominator < 1 << 12:
            # Twice the product of the two stays below 2**62: exact.
            num, den = self._rate.numerator, self._rate.denominator * CELLS_PER_SECOND
            edges = (2 * num * np.arange(self._cell, self._cell + cells + 1) + den) // (2 * den) - origin
        else:
            edges = np.array([self._edge(self._cell + k) - origin for k in range(cells + 1)])
        return edges[edges <= frames]

    def _edge(self, cell: int) -> int:
        """First frame of a cell: the nearest to cell * 10 ms, at the exact rate."""
        num, den = self._rate.numerator, self._rate.denominator * CELLS_PER_SECOND
        return (2 * cell * num + den) // (2 * den)

    def finish(self) -> Loudness:
        """The result; call once, after the last block. Raises Bug when frames are missing or left over."""
        if self._waiting:
            self._measure(np.concatenate(self._waiting, axis=1))
            self._waiting = []
        if self._seen != self._expected:
            raise Bug(
                "loudness-incomplete",
                f"Measured the loudness of {self._seen} of {self._expected} frames.",
                where="measure/loudness",
                todo="Report this: a measurement missed part of the audio.",
            )
        windows, notes, rate = self._windows, list(self._notes), float(self._rate)
        tenths = np.frombuffer(windows.tenths, dtype=np.float64)
        blocks = _sums(tenths, MOMENTARY // TENTH) / (0.4 * rate)
        short_term = _sums(tenths, SHORT_TERM // TENTH) / (3.0 * rate)
        level, passed = integrated(blocks)
        spread = loudness_range(short_term)
        if windows.left_out:
            level, spread, passed = None, None, 0
            notes.append(
                f"Longer than {MAX_TENTHS // 36000} hours: integrated loudness and range were not measured."
            )
        peaks = self._peaks.finish()
        return Loudness(
            frames=self._seen,
            integrated_lufs=level,
            range_lu=spread,
            max_momentary_lufs=lufs(windows.momentary / (0.4 * rate)),
            max_short_term_lufs=lufs(windows.short_term / (3.0 * rate)),
            max_true_peak_dbtp=_decibels(max(true for _, true in peaks)),
            channels=tuple(
                ChannelPeak(
                    sample_peak_dbfs=_decibels(sample),
                    true_peak_dbtp=_decibels(true),
                    rms_dbfs=_decibels(math.sqrt(square / max(1, self._seen))),
                )
                for (sample, true), square in zip(peaks, self._squares, strict=True)
            ),
            weights=self._weights,
            gating_blocks=len(blocks),
            gated_blocks=passed,
            tenths_left_out=windows.left_out,
            contour=_contour(short_term),
            notes=tuple(notes),
        )


def _contour(short_term: Float64) -> Contour:
    """At most CONTOUR_POINTS points from the power of the short-term windows every 100 ms."""
    lead = SHORT_TERM // TENTH - 1  # tenths before the one in which the first window ends
    group = max(1, -(-(len(short_term) + lead) // CONTOUR_POINTS)) if len(short_term) else 1
    starts = np.arange(0, len(short_term) + lead, group) - lead if len(short_term) else np.zeros(0, dtype=int)
    points: list[float | None] = []
    for start in starts.tolist():
        within = short_term[max(0, start) : max(0, start + group)]
        points.append(lufs(float(within.max(initial=0.0))))
    return Contour(step_s=group / 10.0, points=tuple(points))
