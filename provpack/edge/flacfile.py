"""A 24-bit FLAC file, made in a scratch file and then handed on piece by piece.

The encoder goes back to the head of its file at the end (digest of the samples, sizes of the frames), while a
package is written once, from front to end, through the port in edge/commit.py. So the encoder works in a
scratch file without a name, which vanishes with the process, whatever happens to it; what comes out of
pieces() then takes the same road as every other file of the package.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from provpack.edge.audio import FlacEncoder
from provpack.edge.commit import explain
from provpack.edge.tags import FLAC_MAGIC, FlacFacts, build_vorbis_comment, read_flac
from provpack.errors import Bug

_PIECE = 1024 * 1024
_STREAMINFO, _VORBIS_COMMENT, _LAST = 0, 4, 0x80


def _scratch(near: Path) -> BinaryIO:
    """A nameless file on the file system of `near`, or of the nearest folder above it that exists."""
    folder = next((p for p in (near, *near.parents) if p.is_dir()), None)
    try:
        return tempfile.TemporaryFile(dir=folder)
    except OSError as err:
        raise explain(err, folder or near, "create a scratch file") from None


class _Source:
    """The scratch file as a chunks.source.ByteSource."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.size = file.seek(0, 2)

    def read_at(self, offset: int, length: int) -> bytes:
        self._file.seek(offset)
        return self._file.read(max(0, length))


class FlacFile:
    """Feed the samples, finish(), then write the pieces() somewhere; close() gives the scratch file back.

    near: folder whose file system has room for a second copy. sample_rate: as the head is to say, Hz. name:
    what errors call the file. Raises EnvironmentProblem when the system refuses (disk full), InputProblem
    when FLAC cannot hold such audio.
    """

    def __init__(self, near: Path, *, sample_rate: int, channels: int, name: str) -> None:
        self._near, self._name, self._channels = near, name, channels
        self._md5 = hashlib.md5(usedforsecurity=False)
        self._bytes = 0
        self._facts: FlacFacts | None = None
        self._file = _scratch(near)
        try:
            self._encoder = FlacEncoder(self._file, sample_rate=sample_rate, channels=channels, name=name)
        except BaseException:
            self._file.close()
            raise

    def encode(self, words: bytes) -> None:
        """The next frames: interleaved little-endian 32-bit words, the 24 bits at the top."""
        try:
            self._encoder.feed(words)
        except OSError as err:
            raise self._explained(err) from None

    def digest(self, packed: bytes) -> None:
        """The same frames as 24-bit little-endian bytes, for the check in finish()."""
        self._md5.update(packed)
        self._bytes += len(packed)

    def finish(self) -> FlacFacts:
        """Complete the file. Raises Bug when the encoder did not see the very samples that were digested."""
        try:
            self._encoder.finish()
            self._file.flush()
            facts = read_flac(_Source(self._file), self._name)
        except OSError as err:
            raise self._explained(err) from None
        frames = self._bytes // (3 * self._channels)
        said = (facts.bits_per_sample, facts.channels, facts.frames, facts.md5)
        if said != (24, self._channels, frames, self._md5.hexdigest()):
            raise Bug("flac-differs", f"The FLAC file says {said} of itself; {frames} frames were given.",
                      where=self._name, todo="Report this; ask for a WAV derivative instead.")  # fmt: skip
        self._facts = facts
        return facts

    def pieces(self, comments: Sequence[tuple[str, str]]) -> Iterator[bytes]:
        """The whole file: STREAMINFO, one Vorbis comment with these (key, text), then the frames."""
        facts = self._facts
        if facts is None:
            raise Bug("flac-unfinished", "A FLAC file was read before it was complete.", where=self._name,
                      todo="Report this.")  # fmt: skip
        source = _Source(self._file)
        info, last = facts.blocks[0], facts.blocks[-1]
        tags = build_vorbis_comment(facts.vendor, comments)
        try:
            yield FLAC_MAGIC + _block(_STREAMINFO, source.read_at(info.offset + 4, info.size))
            yield _block(_VORBIS_COMMENT | _LAST, tags)
            for at in range(last.offset + 4 + last.size, source.size, _PIECE):
                yield source.read_at(at, _PIECE)
        except OSError as err:
            raise self._explained(err) from None

    def close(self) -> None:
        """Give the scratch file back, finished or not; twice is allowed."""
        self._encoder.abandon()
        self._file.close()

    def _explained(self, err: OSError) -> Exception:
        return explain(err, self._near, f"write the scratch file of {self._name}")

    def __enter__(self) -> FlacFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _block(head: int, body: bytes) -> bytes:
    return bytes([head]) + len(body).to_bytes(3, "big") + body
