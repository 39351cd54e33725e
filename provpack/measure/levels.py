"""Level basics in one pass: extreme codes, mean (DC), bits in use, runs of digital silence, envelope.

All figures are exact integers of the sample codes as stored; decibels are derived at the end.
Definitions
    peak_dbfs       20 log10(max(|min|, |max|) / 2**(bits-1)), bits = container bits; None for all-zero.
                    (AES17 full scale is defined by a sine, which is the same point for peaks.)
    dc_offset_codes mean of all codes of the channel, in codes.
    effective_bits  container bits minus the number of low bits that are 0 in every sample
                    (trailing zeros of the OR of all codes); 0 when every sample is 0.
    digital silence runs of frames in which every channel is exactly 0, at least MIN_SILENCE_FRAMES
                    long (64: common practice, no source). A constant other value is a hold, not silence.
    envelope        least and greatest code per channel in each of at most ENVELOPE_BINS equal stretches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from provpack.errors import Bug
from provpack.measure.digests import Buffer
from provpack.measure.pcm import IntArray, PcmLayout, check_layout, samples, silent_frames

MIN_SILENCE_FRAMES = 64
ENVELOPE_BINS = 1200
MAX_SILENCE_RUNS = 10_000
# Rows of this many frames are reduced down the columns, which numpy does with vector instructions;
# a strided per-channel reduction of the same data is ten times slower. What is left over after the
# long rows goes to the shorter ones.
_ROW_FRAMES = (512, 16, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelLevel:
    """One channel; codes are as stored in the container (8-bit: minus 128)."""

    min_code: int
    max_code: int
    peak_dbfs: float | None
    dc_offset_codes: float
    effective_bits: int
    or_mask: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A stretch of frames: start (0-based) and length."""

    start: int
    length: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """bins[i][channel] = (min code, max code) of frames [i*frames_per_bin, ...); last bin may be short."""

    frames_per_bin: int
    bins: tuple[tuple[tuple[int, int], ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """The whole file. silence_runs_left_out counts runs beyond MAX_SILENCE_RUNS that are not listed."""

    frames: int
    container_bits: int
    channels: tuple[ChannelLevel, ...]
    digital_silence: tuple[Run, ...]
    silence_runs_left_out: int
    silence_frames: int
    envelope: Envelope


class LevelsSink:
    """Feed PCM bytes in order, in pieces of any size; `frames` is the expected total."""

    def __init__(self, layout: PcmLayout, frames: int) -> None:
        check_layout(layout)
        self._layout = layout
        self._expected = frames
        self._seen = 0
        self._rest = b""
        n = layout.channels
        self._or = np.zeros(n, dtype=np.int64)
        self._sum = [0] * n
        self._bin_frames = max(1, -(-frames // ENVELOPE_BINS))
        self._bins: list[tuple[list[int], list[int]]] = []
        self._bin_fill = self._bin_frames
        self._runs: list[Run] = []
        self._runs_left_out = 0
        self._silence = 0
        self._open_start = 0
        self._open_length = 0

    def feed(self, data: Buffer) -> None:
        """Take the next bytes of the audio payload."""
        frame_bytes = self._layout.frame_bytes
        if self._rest:
            missing = frame_bytes - len(self._rest)
            self._rest += bytes(data[:missing])
            if len(self._rest) < frame_bytes:
                return
            data = memoryview(data)[missing:]
            first, self._rest = self._rest, b""
            self._take(samples(first, self._layout))
        view = memoryview(data)
        whole = len(view) - len(view) % frame_bytes
        if whole:
            self._take(samples(view[:whole], self._layout))
        self._rest = bytes(view[whole:])

    def _take(self, flat: IntArray) -> None:
        channels = self._layout.channels
        frames = flat.size // channels
        self._find_silence(flat, frames)
        at = 0
        while at < frames:
            if self._bin_fill == self._bin_frames:
                top = 1 << 62
                self._bins.append(([top] * channels, [-top] * channels))
                self._bin_fill = 0
            n = min(self._bin_frames - self._bin_fill, frames - at)
            self._reduce(flat[at * channels : (at + n) * channels], n)
            self._bin_fill += n
            at += n
        self._seen += frames

    def _reduce(self, flat: IntArray, frames: int) -> None:
        channels = self._layout.channels
        for row_frames in _ROW_FRAMES:
            rows = frames // row_frames
            if not rows:
                continue
            cut = rows * row_frames * channels
            table = flat[:cut].reshape(rows, row_frames * channels)
            # A column of 16-bit codes cannot overflow 32 bits below 65536 rows, nor any in 64.
            wide = np.int32 if self._layout.container_bytes <= 2 and rows < 65536 else np.int64
            self._note(
                table.min(axis=0).reshape(-1, channels).min(axis=0),
                table.max(axis=0).reshape(-1, channels).max(axis=0),
                np.bitwise_or.reduce(np.bitwise_or.reduce(table, axis=0).reshape(-1, channels), axis=0),
                table.sum(axis=0, dtype=wide).reshape(-1, channels).sum(axis=0, dtype=np.int64),
            )
            flat = flat[cut:]
            frames -= rows * row_frames

    def _note(self, low: IntArray, high: IntArray, bits: IntArray, total: IntArray) -> None:
        bin_low, bin_high = self._bins[-1]
        for c in range(self._layout.channels):
            bin_low[c] = min(bin_low[c], int(low[c]))
            bin_high[c] = max(bin_high[c], int(high[c]))
            self._sum[c] += int(total[c])
        self._or |= bits.astype(np.int64)

    def _find_silence(self, flat: IntArray, frames: int) -> None:
        silent = silent_frames(flat.reshape(-1, self._layout.channels))
        count = int(np.count_nonzero(silent))
        if count == 0:
            self._close_run()
            return
        if count == frames:
            self._extend_run(self._seen, frames)
            return
        edges = np.flatnonzero(silent[1:] != silent[:-1]) + 1
        starts = np.concatenate(([0], edges))
        ends = np.concatenate((edges, [frames]))
        quiet = silent[starts]
        # Inner runs shorter than the least length cannot count; drop them before looping in Python.
        keep = quiet & ((ends - starts >= MIN_SILENCE_FRAMES) | (starts == 0) | (ends == frames))
        if not silent[0]:
            self._close_run()
        for start, end in zip(starts[keep].tolist(), ends[keep].tolist(), strict=True):
            self._extend_run(self._seen + start, end - start)
            if end != frames:
                self._close_run()

    def _extend_run(self, start: int, length: int) -> None:
        if self._open_length == 0:
            self._open_start = start
        self._open_length += length

    def _close_run(self) -> None:
        if self._open_length >= MIN_SILENCE_FRAMES:
            self._silence += self._open_length
            if len(self._runs) < MAX_SILENCE_RUNS:
                self._runs.append(Run(start=self._open_start, length=self._open_length))
            else:
                self._runs_left_out += 1
        self._open_length = 0

    def finish(self) -> Levels:
        """The result. Raises Bug when bytes are missing or left over: partial figures are never given."""
        if self._rest or self._seen != self._expected:
            raise Bug(
                "levels-incomplete",
                f"Measured {self._seen} frames and {len(self._rest)} bytes of {self._expected} frames.",
                where="measure/levels",
                todo="Report this: a measurement missed part of the audio.",
            )
        self._close_run()
        return Levels(
            frames=self._seen,
            container_bits=8 * self._layout.container_bytes,
            channels=tuple(self._channel(c) for c in range(self._layout.channels)),
            digital_silence=tuple(self._runs),
            silence_runs_left_out=self._runs_left_out,
            silence_frames=self._silence,
            envelope=Envelope(
                frames_per_bin=self._bin_frames,
                bins=tuple(tuple(zip(low, high, strict=True)) for low, high in self._bins),
            ),
        )

    def _channel(self, c: int) -> ChannelLevel:
        bits = 8 * self._layout.container_bytes
        low = min((b[0][c] for b in self._bins), default=0)
        high = max((b[1][c] for b in self._bins), default=0)
        mask = int(self._or[c]) & ((1 << bits) - 1)
        peak = max(-low, high)
        return ChannelLevel(
            min_code=low,
            max_code=high,
            peak_dbfs=round(20 * math.log10(peak / self._layout.full_scale), 4) if peak else None,
            dc_offset_codes=round(self._sum[c] / self._seen, 6) if self._seen else 0.0,
            effective_bits=bits - ((mask & -mask).bit_length() - 1) if mask else 0,
            or_mask=mask,
        )
