"""A master put together from passes, seen as one WAV file that lies nowhere: header in memory, audio read
from the pass files as it is asked for. What makes a master of a received file can make it of this.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Protocol

from provpack.chunks.ds64 import build_ds64
from provpack.chunks.layout import FILLERS, Chunk
from provpack.chunks.limits import MAX_METADATA, U32
from provpack.chunks.source import ByteSource
from provpack.edge.received import file_shorter
from provpack.errors import InputProblem
from provpack.jobs.passfiles import PassAudio


class AudioSource(ByteSource, Protocol):
    """What a master is made of: an edge.received.ReceivedFile or an AssembledSource."""

    @property
    def path(self) -> Path:
        """Its name for people; for an assembled one no file of that name exists."""
        ...

    def read_into(self, offset: int, view: memoryview) -> int:
        """Fill view from offset; fewer bytes only at the end."""
        ...

    def check_unchanged(self) -> None:
        """Raise InputProblem when a file it rests on was changed since it was opened."""
        ...


class AssembledSource:
    """Header of the base pass with its sizes mended, then the ranges in the order of the target.

    parts: (pass, first frame, frames), all of one sample shape, inside their passes. stack: holds the passes
    open and is closed with this. name: for messages. Of the base's chunks `fmt ` goes over byte for byte, and
    `bext` and `LIST INFO` so that what they say of its history is carried on; everything else speaks of
    positions in that file or of the file as a whole, see chunks_left. RF64 where RIFF is too small (EBU Tech
    3306 Annex A).
    """

    def __init__(
        self,
        name: str,
        base: PassAudio,
        parts: Sequence[tuple[PassAudio, int, int]],
        passes: Sequence[PassAudio],
        stack: ExitStack,
    ) -> None:
        self.path = Path(name)
        self._passes = tuple(passes)
        self._stack = stack
        frame = base.format.frame_bytes
        data = sum(frames for _, _, frames in parts) * frame
        self._header = _header(base, data)
        self._starts: list[int] = []
        self._parts: list[tuple[PassAudio, int]] = []
        at = len(self._header)
        for audio, first, frames in parts:
            self._starts.append(at)
            self._parts.append((audio, audio.data.offset + first * frame))
            at += frames * frame
        self._end = at
        self._size = at + data % 2

    @property
    def size(self) -> int:
        """Bytes of the whole, with the pad byte of the audio where one is due."""
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        """Up to length bytes from offset; short only at the end."""
        buffer = bytearray(max(0, min(length, self._size - offset)) if offset >= 0 else 0)
        return bytes(buffer[: self.read_into(offset, memoryview(buffer))])

    def read_into(self, offset: int, view: memoryview) -> int:
        """Fill view from offset and return the number of bytes; short only at the end.

        Raises InputProblem when the file of a pass does not hold its frames any more.
        """
        wanted = max(0, min(len(view), self._size - offset)) if offset >= 0 else 0
        done = 0
        while done < wanted:
            done += self._some(offset + done, view[done:wanted])
        return done

    def _some(self, at: int, view: memoryview) -> int:
        """At least one byte, from one piece."""
        if at < len(self._header):
            piece = self._header[at : at + len(view)]
            view[: len(piece)] = piece
            return len(piece)
        if at >= self._end:
            view[:] = bytes(len(view))  # the pad byte
            return len(view)
        k = bisect_right(self._starts, at) - 1
        stop = self._starts[k + 1] if k + 1 < len(self._starts) else self._end
        size = min(stop - at, len(view))
        audio, offset = self._parts[k]
        place = offset + at - self._starts[k]
        got = audio.source.read_into(place, view[:size])
        if got != size:
            raise file_shorter(audio.name, place + got, f"The file of pass {audio.n}")
        return size

    def check_unchanged(self) -> None:
        """Raise InputProblem when a pass file was changed since it was opened."""
        for audio in self._passes:
            audio.source.check_unchanged()

    def close(self) -> None:
        """Close all pass files; twice is allowed."""
        self._stack.close()

    def __enter__(self) -> AssembledSource:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def chunks_left(base: PassAudio) -> tuple[Chunk, ...]:
    """Chunks of the base that an assembled file does not have, fillers not counted."""
    kept = {c.offset for c in _kept(base)}
    return tuple(
        c for c in base.layout.chunks if c.offset not in kept and c.id not in FILLERS | {b"data", b"ds64"}
    )


def _kept(base: PassAudio) -> list[Chunk]:
    """The first bext, the INFO lists, and last the `fmt ` in force, as far as they are of a sane size."""
    chunks = base.layout.chunks
    fmt = next(c for c in chunks if c.id == b"fmt ")
    out = [c for c in chunks if c.id == b"bext"][:1] + [c for c in chunks if c.list_type == b"INFO"]
    room = MAX_METADATA
    kept = []
    for chunk in out:
        if chunk.size <= room and chunk.size == chunk.declared_size:
            room -= chunk.size
            kept.append(chunk)
    return [*kept, fmt]


def _header(base: PassAudio, data: int) -> bytes:
    chunks = _kept(base)
    if chunks[-1].size > MAX_METADATA:
        raise InputProblem(
            "pass-file-unusable",
            f"The fmt chunk of pass {base.n} has {chunks[-1].size} bytes.",
            where=base.name,
            todo="The header is damaged or hostile; take the frames from another pass.",
        )
    body = b""
    for chunk in chunks:
        content = base.source.read_at(chunk.data_offset, chunk.size)
        body += chunk.id + len(content).to_bytes(4, "little") + content + bytes(len(content) % 2)
    riff = 4 + len(body) + 8 + data + data % 2
    if riff <= U32:
        return b"RIFF" + riff.to_bytes(4, "little") + b"WAVE" + body + b"data" + data.to_bytes(4, "little")
    sizes = build_ds64(riff + 8 + 28, data, data // base.format.frame_bytes, ())
    wide = U32.to_bytes(4, "little")
    ds64 = b"ds64" + len(sizes).to_bytes(4, "little") + sizes
    return b"RF64" + wide + b"WAVE" + ds64 + body + b"data" + wide
