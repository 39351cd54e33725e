"""Everything that is told from spectra and from comparing channels, gathered in one analyser.

The stream is cut anew into units of 65536 frames from frame 0 (measure/spectra.py), so the results are the
same however it was cut before. Every unit goes to the level sums and the whistle; of long files every 2nd to
4th is transformed. Only the first two channels of a file with more are looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from provpack.errors import Bug
from provpack.measure.bandwidth import Bandwidth, BandwidthMeter
from provpack.measure.block import Block
from provpack.measure.emphasis import EmphasisHint, EmphasisMeter
from provpack.measure.pcm import PcmLayout, check_layout
from provpack.measure.relation import ChannelRelation, RelationMeter
from provpack.measure.spectra import (
    HOP,
    UNIT,
    WINDOW,
    BandHistory,
    Floats,
    LongTerm,
    LongTermSpectrum,
    Planar,
    Stretch,
    StretchBuilder,
    Transformer,
    plan_windows,
)
from provpack.measure.whistle import Whistle, WhistleMeter

DC_UNITS = 40  # 59.4 s at 44.1 kHz: the "minute" of the DC figures
MAX_DC = 1500  # 24 hours and 45 minutes at 44.1 kHz


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowUse:
    """How much of the file was transformed: `used` windows of `length` frames, every `hop`; every
    `every_unit`-th unit of `unit_frames`, in `stretches` stretches. The whistle, the levels and the
    bit-for-bit comparison saw every frame."""

    used: int
    length: int
    hop: int
    unit_frames: int
    every_unit: int
    stretches: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DcHistory:
    """Mean of each piece of `frames` frames (the last may be shorter), in full scale: values[piece][channel].
    left_out counts pieces beyond MAX_DC."""

    frames: int
    values: tuple[tuple[float, ...], ...]
    left_out: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectral:
    """All of it. spectrum and history are None when no whole window held sound."""

    frames: int
    channels: int
    windows: WindowUse
    spectrum: LongTermSpectrum | None
    history: BandHistory | None
    relation: ChannelRelation
    bandwidth: Bandwidth
    whistle: Whistle
    emphasis_hints: tuple[EmphasisHint, ...]
    dc: DcHistory


class SpectralAnalyser:
    """An Analyser (measure/block.py). rate: the declared sampling frequency, exact; header_rate: hertz in the
    file's header, by default the rounded rate; frames: of the whole file."""

    def __init__(
        self, *, layout: PcmLayout, rate: Fraction, frames: int, header_rate: int | None = None
    ) -> None:
        check_layout(layout)
        self._layout = layout
        self._expected = frames
        self._seen = 0
        self._plan = plan_windows(frames)
        shown = min(layout.channels, 2)
        hertz = float(rate)
        bits = 8 * layout.container_bytes
        self._gathered: Planar = np.empty((shown, UNIT), dtype=np.float32)
        self._held = 0
        self._unit = 0
        self._transform = Transformer(channels=shown, rate=hertz)
        self._stretches = StretchBuilder(self._plan)
        self._stretch_count = 0
        self._long_term = LongTerm(plan=self._plan, channels=shown, rate=hertz)
        self._relation = RelationMeter(channels=layout.channels, container_bits=bits, rate=hertz)
        self._bandwidth = BandwidthMeter(rate=hertz)
        self._whistle = WhistleMeter(
            channels=shown, rate=rate, header=header_rate or round(rate), units=self._plan.units
        )
        self._emphasis = EmphasisMeter(rate=hertz)
        self._dc: list[tuple[float, ...]] = []
        self._dc_left_out = 0
        self._dc_sum = np.zeros(shown)
        self._dc_frames = 0

    def take(self, block: Block) -> None:
        """The next block."""
        self._relation.take_codes(block.codes)
        sound = block.planar[: len(self._gathered)]
        self._seen += block.frames
        at = 0
        while at < block.frames:
            if self._held == 0 and block.frames - at >= UNIT:
                self._whole(sound[:, at : at + UNIT])
                at += UNIT
                continue
            n = min(UNIT - self._held, block.frames - at)
            self._gathered[:, self._held : self._held + n] = sound[:, at : at + n]
            self._held += n
            at += n
            if self._held == UNIT:
                self._held = 0
                self._whole(self._gathered)

    def _whole(self, sound: Planar) -> None:
        """One unit, or the shorter last one."""
        start = self._unit * UNIT
        self._take_dc(self._relation.take_unit(sound), sound.shape[1])
        self._whistle.take(sound)
        if self._unit % self._plan.stride == 0:
            unit = self._transform(start, sound)
            if unit is not None:
                self._long_term.take(unit)
                self._emphasis.take_unit(unit)
            self._take_stretch(self._stretches.take(self._unit, unit, start + sound.shape[1]))
        self._unit += 1

    def _take_stretch(self, stretch: Stretch | None) -> None:
        if stretch is None:
            return
        self._stretch_count += 1
        self._relation.take_stretch(stretch)
        self._bandwidth.take(stretch)
        self._emphasis.take_stretch(stretch)

    def _take_dc(self, sums: Floats, frames: int) -> None:
        self._dc_sum += sums
        self._dc_frames += frames
        if (self._unit + 1) % DC_UNITS == 0:
            self._close_dc()

    def _close_dc(self) -> None:
        if self._dc_frames == 0:
            return
        if len(self._dc) < MAX_DC:
            self._dc.append(tuple(round(float(v), 8) for v in self._dc_sum / self._dc_frames))
        else:
            self._dc_left_out += 1
        self._dc_sum = np.zeros_like(self._dc_sum)
        self._dc_frames = 0

    def finish(self) -> Spectral:
        """The result; call once. Raises Bug when frames are missing or left over."""
        if self._seen != self._expected:
            raise Bug(
                "spectral-incomplete",
                f"Measured {self._seen} of {self._expected} frames.",
                where="measure/spectral",
                todo="Report this: a measurement missed part of the audio.",
            )
        if self._held:
            self._whole(self._gathered[:, : self._held])
            self._held = 0
        self._close_dc()
        self._take_stretch(self._stretches.close(self._seen))
        relation = self._relation.finish()
        bits = relation.bits_in_use
        mean = self._long_term.mean()
        bandwidth = self._bandwidth.finish(mean, self._long_term.windows, bits)
        return Spectral(
            frames=self._seen,
            channels=self._layout.channels,
            windows=WindowUse(
                used=self._long_term.windows,
                length=WINDOW,
                hop=HOP,
                unit_frames=UNIT,
                every_unit=self._plan.stride,
                stretches=self._stretch_count,
            ),
            spectrum=self._long_term.spectrum(),
            history=self._long_term.history(),
            relation=relation,
            bandwidth=bandwidth,
            whistle=self._whistle.finish(),
            emphasis_hints=self._emphasis.finish(mean, bits, bandwidth.floor_db),
            dc=DcHistory(frames=DC_UNITS * UNIT, values=tuple(self._dc), left_out=self._dc_left_out),
        )
