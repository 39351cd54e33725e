"""The files of the passes of one carrier: opened, walked, and read as samples."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Protocol

from provpack.chunks.layout import DataSpan, Format, Layout
from provpack.chunks.source import ByteSource
from provpack.chunks.walk import read_layout
from provpack.edge.jobfolder import printable
from provpack.edge.received import ReceivedFile, file_shorter
from provpack.errors import InputProblem
from provpack.jobs.loaded import LoadedTransfer, NamedFile
from provpack.model.rates import format_time

if TYPE_CHECKING:
    from provpack.measure.passes_anchors import Read
    from provpack.measure.pcm import IntArray

MOST_CHANNELS = 64
"""Channels of passes that are compared; more would need blocks of another size to keep memory flat."""


class Frames(ByteSource, Protocol):
    """A byte source that also fills a buffer: a ReceivedFile, or a file assembled from several."""

    def read_into(self, offset: int, view: memoryview) -> int: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class PassAudio:
    """The open file of pass n. frames: whole frames really there. name: the file as the sheet calls it."""

    n: int
    name: str
    named: NamedFile
    source: ReceivedFile
    layout: Layout
    format: Format
    data: DataSpan

    @property
    def frames(self) -> int:
        return self.data.size // self.format.frame_bytes

    def same_samples(self, other: PassAudio) -> bool:
        """Whether the samples of both can be compared and put together without being changed."""
        mine, theirs = self.format, other.format
        return (mine.channels, mine.container_bytes) == (theirs.channels, theirs.container_bytes)

    def shape(self) -> str:
        """Channels and sample width for people."""
        return f"{self.format.channels} channel(s) of {8 * self.format.container_bytes} bits"


def pass_entries(transfer: LoadedTransfer) -> tuple[Mapping[str, Any], ...]:
    """The passes as declared, those that are no table left out."""
    entries = transfer.values.get("passes")
    return tuple(e for e in entries if isinstance(e, Mapping)) if isinstance(entries, list) else ()


def pass_names(transfer: LoadedTransfer) -> dict[int, NamedFile]:
    """The file of each pass that kept one, by number, in the order of the sheet; the file that the transfer
    itself names among them when a pass says that it made it."""
    out: dict[int, NamedFile] = {}
    for entry in pass_entries(transfer):
        number, written = entry.get("n"), entry.get("file")
        if not isinstance(number, int) or isinstance(number, bool) or not isinstance(written, str):
            continue
        named = transfer.pass_files.get(number)
        if transfer.file is not None and written == transfer.file.written:
            named = transfer.file
        if named is not None:
            out.setdefault(number, named)
    return out


def open_pass(n: int, named: NamedFile, stack: ExitStack) -> PassAudio:
    """The file of a pass, open until the stack closes.

    Raises InputProblem for a file that is missing, empty, or not linear PCM in a WAVE file.
    """
    name = printable(named.relative or named.written)
    if named.path is None:
        raise _unusable(f"The file of pass {n} is missing or was refused.", name)
    source = stack.enter_context(ReceivedFile(named.path))
    if source.size == 0:
        raise _unusable("The file is empty.", name)
    layout = read_layout(source, name)
    fmt, data = layout.format, layout.data
    if layout.form in (None, "RIFX") or fmt is None or data is None or data.size == 0:
        broken = next((f.what for f in layout.findings if f.severity == "error"), "The file holds no audio.")
        raise _unusable(broken, name)
    if not fmt.is_pcm or not 1 <= fmt.container_bytes <= 4 or not 1 <= fmt.channels <= MOST_CHANNELS:
        what = f"The audio is {fmt.encoding}, {fmt.bits_per_sample} bits, {fmt.channels} channel(s)."
        raise _unusable(what, name)
    return PassAudio(n=n, name=name, named=named, source=source, layout=layout, format=fmt, data=data)


def _unusable(what: str, where: str) -> InputProblem:
    return InputProblem(
        "pass-file-unusable",
        what,
        where=where,
        todo="Name the WAV file the capture program wrote, or leave the file of this pass out.",
    )


def frames_of(source: Frames, data: DataSpan, fmt: Format, start: int, frames: int, name: str) -> IntArray:
    """Frames start .. start + frames - 1 as codes of shape (frames, channels).

    Raises InputProblem when the file does not give them any more.
    """
    from provpack.measure.pcm import PcmLayout, samples

    size = frames * fmt.frame_bytes
    held = bytearray(size)
    place = data.offset + start * fmt.frame_bytes
    got = source.read_into(place, memoryview(held))
    if got != size:
        raise file_shorter(name, place + got)
    pcm = PcmLayout(channels=fmt.channels, container_bytes=fmt.container_bytes)
    return samples(held, pcm).reshape(-1, fmt.channels)


def reader(audios: Mapping[int, PassAudio], told: Callable[[int], None]) -> Read:
    """The `read` of measure/passes.py over open passes; told(bytes) after each read."""

    def read(which: int, start: int, frames: int) -> IntArray:
        audio = audios[which]
        codes = frames_of(audio.source, audio.data, audio.format, start, frames, audio.name)
        told(frames * audio.format.frame_bytes)
        return codes

    return read


def frame_words(frame: int, rate: Fraction | None) -> str:
    """A place for people: "0:00:10.250 (frame 451573)", or the frame alone where no rate is known."""
    return f"frame {frame}" if rate is None else f"{format_time(max(frame, 0), rate)} (frame {frame})"


def span(frames: int, rate: Fraction | None) -> str:
    """A length for people: "1470 frames (33.3 ms)", from a second on "44100 frames (1.000 s)"."""
    word = f"{frames} {'frame' if frames == 1 else 'frames'}"
    if rate is None:
        return word
    seconds = float(frames / rate)
    return f"{word} ({seconds:.3f} s)" if seconds >= 1 else f"{word} ({seconds * 1000:.1f} ms)"
