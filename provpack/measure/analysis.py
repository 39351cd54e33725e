"""Everything that is measured beyond digests and levels: three analysers, one result.

Each analyser is a sink of its own (measure/fanout.py), so that a scheduler with two threads keeps both cores
busy; each decodes the samples for itself, which costs a tenth of what it saves.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from provpack.measure.block import AnalysisSink
from provpack.measure.damage import Damage, DamageAnalyser
from provpack.measure.fanout import Sink
from provpack.measure.loudness import Loudness, LoudnessMeter
from provpack.measure.pcm import PcmLayout
from provpack.measure.spectral import Spectral, SpectralAnalyser


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """What the samples of one file say; the meaning of every figure stands in the module that takes it."""

    loudness: Loudness
    spectral: Spectral
    damage: Damage


class Analysers:
    """The analysers of one file.

    layout, frames: of the audio payload. rate: exact sampling frequency, hertz. header_rate: hertz in the
    file's header. declared_bits: recorded word length, line_standard: as in the record; None = unknown.
    channel_mask: of WAVE_FORMAT_EXTENSIBLE, None = not given. Raises InputProblem for what is not linear PCM
    of 8 to 32 bits.
    """

    def __init__(
        self,
        *,
        layout: PcmLayout,
        frames: int,
        rate: Fraction,
        header_rate: int,
        declared_bits: int | None = None,
        line_standard: str | None = None,
        channel_mask: int | None = None,
    ) -> None:
        self._loudness = LoudnessMeter(layout=layout, rate=rate, frames=frames, channel_mask=channel_mask)
        self._spectral = SpectralAnalyser(layout=layout, rate=rate, frames=frames, header_rate=header_rate)
        self._damage = DamageAnalyser(
            layout=layout, rate=rate, frames=frames, declared_bits=declared_bits, line_standard=line_standard
        )
        # The heaviest first, and most often back at the interpreter lock.
        each = (self._damage, self._loudness, self._spectral)
        self._sinks = tuple(AnalysisSink(layout, frames, rate, [one]) for one in each)

    @property
    def sinks(self) -> tuple[Sink, ...]:
        """To be fed with all bytes of the audio payload, each by one thread at a time."""
        return self._sinks

    def finish(self) -> Analysis:
        """The results; call once. Raises Bug when part of the audio was not seen."""
        for sink in self._sinks:
            sink.finish()
        return Analysis(
            loudness=self._loudness.finish(), spectral=self._spectral.finish(), damage=self._damage.finish()
        )
