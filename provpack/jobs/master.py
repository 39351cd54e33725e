"""The one read of a received file: copy, digests, block digests and all measurements from the same bytes.

What is written in front of the audio is known beforehand; what follows it (the record with the digest of
the audio in it) is made when the audio has gone by, into room reserved for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from provpack.chunks.layout import Layout
from provpack.chunks.plan import CopyRange, Literal_, MasterPlan
from provpack.edge.received import file_shorter
from provpack.errors import Bug
from provpack.jobs.assembledfile import AudioSource
from provpack.jobs.measuring import BUFFER_BYTES, Measuring
from provpack.jobs.progress import Progress
from provpack.jobs.staging import StagedFile, Written
from provpack.measure.analysis import Analysis
from provpack.measure.digests import BlockDigests, BlockDigestSink, DigestSink
from provpack.measure.fanout import RunAll, Sink, Task
from provpack.measure.levels import Levels
from provpack.model.rates import rate_to_json, rounded_rate


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioFacts:
    """What the one read established, before anything is written after the audio."""

    levels: Levels
    analysis: Analysis
    blocks: BlockDigests
    block_frames: int
    audio_sha256: str
    received_sha256: str
    received_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Master:
    """A written master: its place and digests, the facts of its audio, and what surrounds the audio."""

    written: Written
    facts: AudioFacts
    audio_offset: int
    head_sha256: str
    tail_sha256: str


class MasterWriter:
    """Writes one master from a plan, in one pass over the received file."""

    def __init__(
        self,
        source: AudioSource,
        layout: Layout,
        plan: MasterPlan,
        rate: Fraction,
        run_all: RunAll,
        progress: Progress,
        record: Mapping[str, Any],
    ) -> None:
        if layout.format is None or layout.data is None:
            raise Bug("no-audio", "A master was planned without audio.", where=str(source.path),
                      todo="Report this.")  # fmt: skip
        self._source = source
        self._data = layout.data
        self._plan = plan
        self._run_all = run_all
        self._progress = progress
        self._measuring = Measuring(layout, rate, record)
        self._block_frames = max(1, rounded_rate(rate))
        self._essence = DigestSink("sha256")
        self._received = DigestSink("sha256")
        self._blocks = BlockDigestSink(self._block_frames * self._measuring.pcm.frame_bytes)
        self._head, self._tail = DigestSink("sha256"), DigestSink("sha256")

    def write(self, staged: StagedFile, tail: Callable[[AudioFacts], bytes]) -> Master:
        """Write the whole file; tail(facts) gives the bytes for the room after the audio.

        Raises InputProblem when the received file is shorter than it was or changed meanwhile.
        """
        facts: AudioFacts | None = None
        for segment in self._plan.segments:
            side = self._tail if facts else self._head
            if isinstance(segment, Literal_):
                self._small(staged, side, segment.data)
            elif isinstance(segment, CopyRange) and segment.kind == "audio":
                facts = self._audio(staged, segment)
            elif isinstance(segment, CopyRange):
                for part in self._read(segment.offset, segment.size):
                    self._small(staged, side, part)
            elif facts is not None:
                self._small(staged, side, tail(facts))
        if facts is None or staged.size != self._plan.total_size:
            raise Bug("plan-mismatch", f"{staged.size} bytes were written, {self._plan.total_size} planned.",
                      where=str(self._source.path), todo="Report this.")  # fmt: skip
        self._source.check_unchanged()
        return Master(
            written=staged.close(),
            facts=facts,
            audio_offset=self._plan.data_offset,
            head_sha256=self._head.finish().hexdigest,
            tail_sha256=self._tail.finish().hexdigest,
        )

    def _small(self, staged: StagedFile, side: DigestSink, data: bytes) -> None:
        side.feed(data)
        staged.write(data)

    def _read(self, offset: int, size: int) -> Iterator[bytes]:
        """A non-audio range of the received file piece by piece, checked to be all there."""
        for at in range(offset, offset + size, BUFFER_BYTES):
            part = self._source.read_at(at, min(BUFFER_BYTES, offset + size - at))
            if len(part) < min(BUFFER_BYTES, offset + size - at):
                raise file_shorter(str(self._source.path), at + len(part))
            yield part

    def _audio(self, staged: StagedFile, segment: CopyRange) -> AudioFacts:
        for part in self._read(0, segment.offset):
            self._received.feed(part)
        sinks = (*self._measuring.sinks, self._received, self._essence, self._blocks)
        self._stream(staged, segment, sinks)
        end = segment.offset + segment.size
        for part in self._read(end, self._source.size - end):
            self._received.feed(part)
        received = self._received.finish()
        levels, analysis = self._measuring.finish()
        return AudioFacts(
            levels=levels,
            analysis=analysis,
            blocks=self._blocks.finish(),
            block_frames=self._block_frames,
            audio_sha256=self._essence.finish().hexdigest,
            received_sha256=received.hexdigest,
            received_bytes=received.size,
        )

    def _stream(self, staged: StagedFile, segment: CopyRange, sinks: Sequence[Sink]) -> None:
        """Two buffers: while one is digested, measured and written, the other is read into."""
        spare = [bytearray(BUFFER_BYTES), bytearray(BUFFER_BYTES)]
        at, end = segment.offset, segment.offset + segment.size
        filled = self._source.read_into(at, memoryview(spare[0])[: end - at])
        while at < end:
            if filled < min(BUFFER_BYTES, end - at):
                raise file_shorter(str(self._source.path), at + filled)
            current = memoryview(spare[0])[:filled]
            at += filled
            room = memoryview(spare[1])[: max(0, end - at)]
            got = [0]
            staged.write_with(current, self._run_all, sinks, self._reader(at, room, got))
            self._progress.advance(filled)
            filled = got[0]
            spare.reverse()

    def _reader(self, at: int, room: memoryview, got: list[int]) -> Task:
        def read() -> None:
            got[0] = self._source.read_into(at, room) if room else 0

        return read


def block_digests_json(master: Master, *, frame_bytes: int, rate: Fraction) -> dict[str, object]:
    """data/metadata/block-digests.json (schemas/block-digests.schema.json)."""
    facts = master.facts
    return {
        "schema_version": "1.0.0",
        "file": master.written.path,
        "file_bytes": master.written.size,
        "audio_offset": master.audio_offset,
        "audio_bytes": facts.blocks.size,
        "frame_bytes": frame_bytes,
        "frames": facts.levels.frames,
        "sampling_frequency": rate_to_json(rate),
        "algorithm": "sha256",
        "block_frames": facts.block_frames,
        "audio_sha256": facts.audio_sha256,
        "head_sha256": master.head_sha256,
        "tail_sha256": master.tail_sha256,
        "blocks": list(facts.blocks.hexdigests),
    }
