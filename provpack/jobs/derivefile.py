"""Making the file of a derivative: the received audio read a second time, filtered, and written as 24 bits.

Block by block and in flat memory; while one block is digested and written, the next is filtered. The filter
carries its state over block borders, so the block size leaves no trace in the result. The received file is
only read, and what was read must have the digest that the master's audio has.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from provpack.chunks.bext import build_bext
from provpack.chunks.ds64 import build_ds64
from provpack.chunks.history import format_history
from provpack.chunks.info import build_info
from provpack.chunks.layout import DataSpan, Format, Layout
from provpack.chunks.limits import U32
from provpack.chunks.lists import chunk_bytes
from provpack.edge.flacfile import FlacFile
from provpack.errors import Bug, InputProblem
from provpack.findings import Finding
from provpack.jobs import deriverules
from provpack.jobs.deriveplan import DerivativePlan, Made, note_derivative
from provpack.jobs.progress import Progress
from provpack.jobs.staging import StagedFile, Staging, Written
from provpack.measure.digests import DigestSink
from provpack.measure.fanout import RunAll, Task
from provpack.package import layout as places
from provpack.package.describe_derivative import (
    build_derivative_bext,
    build_derivative_info,
    build_derivative_row,
    build_vorbis_entries,
)

if TYPE_CHECKING:
    from provpack.measure.deemphasis import Codes24, DeemphasisResult

BLOCK_FRAMES = 1 << 17
_PCM_GUID = bytes.fromhex("0100000000001000800000AA00389B71")


class Source(Protocol):
    """What the audio is read from: a ReceivedFile, or anything that reads like one."""

    @property
    def path(self) -> Path: ...
    def read_at(self, offset: int, length: int) -> bytes: ...
    def check_unchanged(self) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Derivative:
    """A written derivative. entry: for the record's `files`. made: for note_derivative. findings: what was
    found while it was made."""

    entry: dict[str, Any]
    made: Made
    findings: tuple[Finding, ...]


def write_derivative(
    staging: Staging,
    source: Source,
    layout: Layout,
    plan: DerivativePlan,
    record: dict[str, Any],
    *,
    parent: str,
    master: str,
    at: datetime,
    run_all: RunAll,
    progress: Progress,
    block_frames: int = BLOCK_FRAMES,
) -> Derivative:
    """Write the derivative into the package being built, and note its file and its steps in the record.

    layout: of the received file. record: with its coding_history; files, processing_steps and derived are
    added to. parent: SHA-256 of the audio of the master. master: its name as handed in. Raises
    InputProblem when the received file is not what it was when the master was made.
    """
    data = layout.data
    if data is None:
        raise Bug("no-audio", "A derivative was planned without audio.", where=plan.path, todo="Report this.")
    history = _history(plan, record, parent)
    progress.begin(f"making {plan.path.rpartition('/')[2]}", data.size)
    stream = _Filtered(source, data, plan, parent, progress, block_frames)
    if plan.container == "wav":
        written, audio = _wav(
            staging, stream, plan, run_all, _wav_head(plan, record, history, parent, master)
        )
    else:
        tags = build_vorbis_entries(
            record,
            rate=plan.rate,
            history=history,
            parent=parent,
            done=plan.done,
            mask=plan.format.channel_mask if plan.format.channels > 2 else None,
        )
        written, audio = _flac(staging, stream, plan, run_all, tags)
    result = stream.finish()
    made = Made(sha256=written.digests["sha256"], clipped=sum(result.clipped))
    note_derivative(record, plan, parent=parent, made=made, at=at)
    entry = _entry(plan, written, audio, parent)
    record["files"] = [*(record.get("files") or []), entry]
    return Derivative(entry=entry, made=made, findings=tuple(_clipping(plan, result)))


def planned_size(plan: DerivativePlan, record: Mapping[str, Any], *, master: str) -> int:
    """Bytes the file will have, for a dry run: exact for WAV, for FLAC those of its samples unpacked."""
    audio = plan.frames * plan.format.channels * 3
    if plan.container == "flac":
        return audio
    digest = "f" * 64
    head = _wav_head(plan, record, _history(plan, record, digest), digest, master)
    return len(head) + audio + audio % 2


def _history(plan: DerivativePlan, record: Mapping[str, Any], parent: str) -> str:
    row = build_derivative_row(
        record,
        header_rate=plan.format.sample_rate,
        channels=plan.format.channels,
        done=plan.done,
        parent=parent,
    )
    return str(record.get("coding_history") or "") + format_history([row])


def _entry(plan: DerivativePlan, written: Written, audio: str, parent: str) -> dict[str, Any]:
    where = (
        "the data chunk" if plan.container == "wav" else "the samples, unpacked, as they would stand in WAV"
    )
    return {
        "role": "derivative",
        "path": written.path,
        "media_type": places.media_type(written.path),
        "bytes": written.size,
        "sha256": written.digests["sha256"],
        "sha512": written.digests["sha512"],
        "audio_sha256": audio,
        "parent": parent,
        "file_emphasis": plan.file_emphasis,
        "note": f"{'; '.join(plan.done)}; parent is the audio of the master, audio_sha256 is over {where}",
    }


def _clipping(plan: DerivativePlan, result: DeemphasisResult) -> Iterator[Finding]:
    for channel, count in enumerate(result.clipped):
        if count:
            over = 20 * math.log10(result.peak_code[channel] / (1 << 23))
            what = f"Channel {channel + 1}: {count} samples of the derivative lay up to {over:.2f} dB above "
            what += "full scale and were clipped."
            yield deriverules.CLIPPED.found(what, plan.path, position={"path": plan.path})


class _Filtered:
    """The frames of the derivative, block by block: (24-bit little-endian bytes, the same as codes)."""

    def __init__(
        self,
        source: Source,
        data: DataSpan,
        plan: DerivativePlan,
        parent: str,
        progress: Progress,
        block_frames: int,
    ) -> None:
        from provpack.measure.deemphasis import Deemphasis
        from provpack.measure.pcm import PcmLayout

        fmt = plan.format
        self._source, self._data, self._parent, self._progress = source, data, parent, progress
        self._channels = fmt.channels
        self._pcm = PcmLayout(channels=fmt.channels, container_bytes=fmt.container_bytes)
        self._block = block_frames * fmt.frame_bytes
        self._at = 0
        self._read = DigestSink("sha256")
        self._work = Deemphasis(
            plan.rate,
            plan.ranges,
            plan.frames,
            fmt.channels,
            bits=8 * fmt.container_bytes,
            late_channel=plan.late_channel,
        )

    def next(self) -> tuple[bytes, Codes24] | None:
        """The next frames, at times none; None after the last."""
        from provpack.measure.pcm import samples

        if self._at == self._data.size:
            return None
        want = min(self._block, self._data.size - self._at)
        raw = self._source.read_at(self._data.offset + self._at, want)
        if len(raw) < want:
            raise self._changed(f"The file ended at byte {self._data.offset + self._at + len(raw)}.")
        self._read.feed(raw)
        self._at += want
        self._progress.advance(want)
        codes = self._work.process(samples(raw, self._pcm).reshape(-1, self._channels))
        return codes.astype("<i4").view("u1").reshape(-1, 4)[:, :3].tobytes(), codes

    def finish(self) -> DeemphasisResult:
        """What was done, once what was read has proved to be the audio of the master."""
        self._source.check_unchanged()
        if self._read.finish().hexdigest != self._parent:
            raise self._changed("Read a second time, its audio was not the same.")
        return self._work.finish()

    def _changed(self, what: str) -> InputProblem:
        return InputProblem(
            "file-changed",
            f"{what} Nothing made from the file is kept.",
            where=str(self._source.path),
            todo="Check the disk it lies on; wait until capture has finished; then run the command again.",
        )


class _Ahead:
    """Lets the next block be made while the current one is used."""

    def __init__(self, stream: _Filtered) -> None:
        self._stream = stream
        self.block = stream.next()

    def fetch(self) -> Task:
        """A task after which `block` is the next one; take hold of the current one first."""

        def task() -> None:
            self.block = self._stream.next()

        return task


def _wav(
    staging: Staging, stream: _Filtered, plan: DerivativePlan, run_all: RunAll, head: bytes
) -> tuple[Written, str]:
    audio = DigestSink("sha256")
    staged: StagedFile = staging.new_file(plan.path)
    try:
        staged.write(head)
        ahead = _Ahead(stream)
        while ahead.block is not None:
            packed, _ = ahead.block
            staged.write_with(memoryview(packed), run_all, [audio], ahead.fetch())
        done = audio.finish()
        if done.size % 2:
            staged.write(b"\0")
    except BaseException:
        staged.abandon()
        raise
    return staged.close(), done.hexdigest


def _flac(
    staging: Staging,
    stream: _Filtered,
    plan: DerivativePlan,
    run_all: RunAll,
    tags: tuple[tuple[str, str], ...],
) -> tuple[Written, str]:
    audio = DigestSink("sha256")
    name = plan.path.rpartition("/")[2]
    with FlacFile(
        staging.folder.parent, sample_rate=plan.format.sample_rate, channels=plan.format.channels, name=name
    ) as flac:
        ahead = _Ahead(stream)
        while ahead.block is not None:
            run_all([*_flac_tasks(flac, audio, *ahead.block), ahead.fetch()])
        flac.finish()
        return staging.add(plan.path, flac.pieces(tags)), audio.finish().hexdigest


def _flac_tasks(flac: FlacFile, audio: DigestSink, packed: bytes, codes: Codes24) -> list[Task]:
    return [
        lambda: flac.encode((codes << 8).astype("<i4").tobytes()),
        lambda: flac.digest(packed),
        lambda: audio.feed(packed),
    ]


def _wav_head(
    plan: DerivativePlan, record: Mapping[str, Any], history: str, parent: str, master: str
) -> bytes:
    bext = build_derivative_bext(
        record, rate=plan.rate, history=history, master=master, emphasis=plan.file_emphasis
    )
    info = build_info(build_derivative_info(record, parent=parent, done=plan.done))
    return wav_head(plan.format, plan.frames, ((b"bext", build_bext(bext)), (b"LIST", info)))


def wav_head(master: Format, frames: int, chunks: tuple[tuple[bytes, bytes], ...]) -> bytes:
    """All bytes before the audio of a 24-bit file: RIFF, or RF64 where that is too small (EBU Tech 3306).

    master: the format of the master, for channels, header rate and speaker positions. chunks: (id, body) to
    stand ahead of fmt, bodies of even size. More than two channels are written as extensible, for there the
    plain form has no place for positions.
    """
    channels, align = master.channels, 3 * master.channels
    size = frames * align
    tag = 1 if channels <= 2 else 0xFFFE
    rate = master.sample_rate
    fmt = struct.pack("<HHIIHH", tag, channels, rate, min(rate * align, U32), align, 24)
    if channels > 2:
        fmt += struct.pack("<HHI", 22, 24, master.channel_mask or 0) + _PCM_GUID
    ahead = b"".join(chunk_bytes(cid, body) for cid, body in (*chunks, (b"fmt ", fmt)))
    content = 4 + len(ahead) + 8 + size + size % 2
    if content <= U32:
        return b"RIFF" + content.to_bytes(4, "little") + b"WAVE" + ahead + _header(b"data", size)
    content += 8 + len(build_ds64(0, 0, 0, ()))
    sizes = chunk_bytes(b"ds64", build_ds64(content, size, frames, ()))
    return b"RF64" + U32.to_bytes(4, "little") + b"WAVE" + sizes + ahead + _header(b"data", U32)


def _header(chunk_id: bytes, size: int) -> bytes:
    return chunk_id + size.to_bytes(4, "little")
