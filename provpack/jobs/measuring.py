"""Measuring a received file: the sinks that `wrap` feeds in its one read, and a read for `check` alone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from fractions import Fraction
from typing import Any

from provpack.chunks.layout import Layout
from provpack.chunks.walk import read_layout
from provpack.edge.received import file_shorter
from provpack.errors import Bug
from provpack.jobs.assembledfile import AudioSource
from provpack.jobs.check_files import MOST_CHANNELS
from provpack.jobs.measurements import measured
from provpack.jobs.progress import Progress
from provpack.measure.analysis import Analysers, Analysis
from provpack.measure.fanout import Fanout, RunAll, Sink
from provpack.measure.levels import Levels, LevelsSink
from provpack.measure.pcm import PcmLayout

BUFFER_BYTES = 4 * 1024 * 1024


class Measuring:
    """Everything that is measured in one file, as sinks of its audio payload.

    record: a draft, for what the measurements need to know (carrier: recorded word length, line standard).
    rate: exact sampling frequency, hertz. Raises Bug for a layout without audio.
    """

    def __init__(self, layout: Layout, rate: Fraction, record: Mapping[str, Any]) -> None:
        if layout.format is None or layout.data is None:
            raise Bug("no-audio", "Audio was to be measured where there is none.", where=layout.name,
                      todo="Report this.")  # fmt: skip
        fmt, carrier = layout.format, record.get("carrier") or {}
        pcm = PcmLayout(channels=fmt.channels, container_bytes=fmt.container_bytes)
        frames, bits = layout.data.size // pcm.frame_bytes, carrier.get("source_bit_depth")
        self.pcm = pcm
        self._levels = LevelsSink(pcm, frames)
        self._analysers = Analysers(
            layout=pcm,
            frames=frames,
            rate=rate,
            header_rate=fmt.sample_rate,
            declared_bits=bits if isinstance(bits, int) else None,
            line_standard=carrier.get("line_standard"),
            channel_mask=fmt.channel_mask,
        )

    @property
    def sinks(self) -> tuple[Sink, ...]:
        """Heaviest first."""
        return (*self._analysers.sinks, self._levels)

    def finish(self) -> tuple[Levels, Analysis]:
        """The results; call once. Raises Bug when part of the audio was not seen."""
        return self._levels.finish(), self._analysers.finish()


def measure_received(
    source: AudioSource,
    record: Mapping[str, Any],
    *,
    rate: Fraction,
    at: datetime,
    run_all: RunAll,
    progress: Progress,
) -> dict[str, Any] | None:
    """The record's `measured` for a received file, None where nothing can be measured; see measure_audio."""
    found = measure_audio(source, record, rate=rate, run_all=run_all, progress=progress)
    return None if found is None else measured(*found, rate, at)


def measure_audio(
    source: AudioSource,
    record: Mapping[str, Any],
    *,
    rate: Fraction,
    run_all: RunAll,
    progress: Progress,
) -> tuple[Levels, Analysis] | None:
    """Everything that is measured in a received file; None where there is nothing that can be measured.

    Reads the audio once, with flat memory. Raises InputProblem when the file shrinks or changes meanwhile.
    """
    layout = read_layout(source, source.path.name)
    fmt, data = layout.format, layout.data
    if fmt is None or data is None or data.size == 0 or not fmt.is_pcm:
        return None
    if not 1 <= fmt.container_bytes <= 4 or fmt.channels > MOST_CHANNELS:
        return None
    measuring = Measuring(layout, rate, record)
    fanout = Fanout(measuring.sinks, run_all)
    progress.begin(f"measuring {source.path.name}", data.size)
    for part in audio_pieces(source, data.offset, data.size):
        fanout.feed(part)
        progress.advance(len(part))
    source.check_unchanged()
    return measuring.finish()


def audio_pieces(source: AudioSource, offset: int, size: int) -> Iterator[memoryview]:
    """A range of the file piece by piece, in one buffer that is used again."""
    buffer = memoryview(bytearray(min(BUFFER_BYTES, size)))
    at, end = offset, offset + size
    while at < end:
        wanted = min(len(buffer), end - at)
        got = source.read_into(at, buffer[:wanted])
        if got < wanted:
            raise file_shorter(str(source.path), at + got)
        yield buffer[:got]
        at += got
