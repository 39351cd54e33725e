"""A bag inside a tar or zip archive, read in place: nothing is unpacked, nothing is written.

A member that is stored as it is, is a range of the archive file, and is read by position, also from several
threads. A deflated one is inflated as it is read, never beyond the size the archive declares for it.
"""

from __future__ import annotations

import contextlib
import io
import os
import stat
import threading
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO, Literal, Protocol, cast

from provpack.edge.place import PlacedFile
from provpack.edge.reading import BrokenMember, FileSource, read_range
from provpack.edge.tree import ARCHIVE_NAMES, reason
from provpack.errors import CouldNotCheck
from provpack.findings import Finding
from provpack.package import archiverules, rules
from provpack.package.archive import (
    TAR,
    ZIP,
    Contents,
    Member,
    holds_bag,
    inside,
    top_directory,
)
from provpack.package.archivetar import looks_like_tar, read_tar
from provpack.package.archivezip import looks_like_zip, read_zip
from provpack.package.bagpaths import Listing, readable

ArchiveKind = Literal["tar", "zip", "compressed"]

_PIECE = 256 * 1024
_CHECKPOINTS = 64
_BETWEEN = 16 * 1024 * 1024
_COMPRESSED = (b"\x1f\x8b", b"BZh", b"\xfd7zXZ\0", b"\x28\xb5\x2f\xfd", b"7z\xbc\xaf\x27\x1c", b"\x1f\x9d")


def archive_kind(path: Path) -> ArchiveKind | None:
    """What kind of archive the file at path is, by its beginning, else by its name; None: no archive.

    Raises OSError when it cannot be read, ValueError for an impossible path.
    """
    with _opened(path) as file:
        return kind_of(read_range(file.fileno(), 0, 512), path.name)


def kind_of(first: bytes, name: str) -> ArchiveKind | None:
    """The same, of a file of which the first 512 bytes and the name are known."""
    if looks_like_zip(first):
        return "zip"
    if looks_like_tar(first):
        return "tar"
    if first.startswith(_COMPRESSED):
        return "compressed"
    name = name.lower()
    if name.endswith(".tar"):
        return "tar"
    if name.endswith(".zip"):
        return "zip"
    return "compressed" if name.endswith(ARCHIVE_NAMES) else None


def _opened(path: Path) -> BinaryIO:
    flags = os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NONBLOCK", 0)
    fd = os.open(path, flags | getattr(os, "O_BINARY", 0))
    if not stat.S_ISREG(os.fstat(fd).st_mode):
        os.close(fd)
        raise ValueError("this is no regular file")
    return open(fd, "rb", buffering=0)  # noqa: PTH123 - wraps a descriptor


class ArchiveSource(Protocol):
    """The bytes of a whole archive, for any number of threads: a FileSource, or what lies elsewhere."""

    @property
    def size(self) -> int: ...
    def read_at(self, offset: int, length: int) -> bytes: ...
    def read_into(self, offset: int, view: memoryview) -> int: ...
    def held_still(self) -> bool: ...


class ArchivePlace:
    """A bag in an archive; a Place. The archive stays open until close()."""

    def __init__(self, path: Path, kind: Literal["tar", "zip"]) -> None:
        """Read the list of contents. Raises OSError when the archive cannot be opened, ValueError."""
        self._file = _opened(path)
        self.local: Path | None = path
        self._begin(str(path), path.name, kind, FileSource(self._file))

    def _begin(self, shown: str, name: str, kind: Literal["tar", "zip"], source: ArchiveSource) -> None:
        self.shown = shown
        self.serialisation: str | None = TAR if kind == "tar" else ZIP
        self.name = _stem(name)
        self._members: dict[str, Member] = {}
        self._listing: Listing | None = None
        self._source = source
        try:
            self.contents = (read_tar if kind == "tar" else read_zip)(source)
        except OSError as err:
            what = f"The archive cannot be read: {reason(err)}."
            found = rules.UNREADABLE.found(what, readable(shown))
            self.contents = Contents(findings=(found,), usable=False)
        self.findings = (*self.contents.findings, *self._look_inside())

    def _look_inside(self) -> tuple[Finding, ...]:
        """What is wrong with how the bag lies in it; sets name, members and listing."""
        contents, shown = self.contents, readable(self.shown)
        if not contents.usable:
            return ()
        if not holds_bag(contents):
            if not contents.sound:
                return ()
            return (rules.NO_BAG_HERE.found("There is no package in this archive.", shown),)
        top, found = top_directory(contents)
        if top is None:
            return found
        if top != self.name:
            what = f"The archive is named {readable(self.name)!r}, the bag in it {readable(top)!r}."
            found = (archiverules.FILE_NAME.found(what, shown),)
        self.name = top
        self._members, self._listing = inside(contents, top)
        return found

    def listing(self) -> Listing | None:
        return self._listing

    def listing_until_damage(self) -> Listing | None:
        """What stands in a tar before the place from which it cannot be read on; it may be opened then.

        For who proves all of it by digests. None where nothing of the kind is known; never complete. A last
        member that ends with the archive is given the length it has.
        """
        if self.contents.usable or self.serialisation != TAR:
            return None
        top, _ = top_directory(self.contents)
        if top is None:
            return None
        members = tuple(
            replace(m, size=there, stored=there)
            if (there := min(m.stored, max(self._source.size - m.offset, 0))) < m.stored
            else m
            for m in self.contents.members
        )
        self.name = top
        self._members, listing = inside(replace(self.contents, members=members, complete=False), top)
        return listing

    @contextlib.contextmanager
    def open(self, path: str) -> Iterator[PlacedFile]:
        member = self._members.get(path)
        if member is None or member.kind != "file":
            raise CouldNotCheck(
                "unreadable",
                "There is no such file in the archive.",
                where=readable(path),
                todo="Look at the archive with a general tool.",
            )
        yield (StoredFile if member.method == "stored" else DeflatedFile)(self._source, member)

    def close(self) -> None:
        self._file.close()


def _stem(name: str) -> str:
    for ending in ARCHIVE_NAMES:
        if name.lower().endswith(ending):
            return name[: -len(ending)]
    return name


class _MemberStream(io.RawIOBase):
    """A member from its beginning to its end, its CRC-32 computed on the way."""

    def __init__(self, size: int, crc: int | None) -> None:
        super().__init__()
        self.known_size = size
        self.position = 0
        self._wanted, self._crc = crc, 0

    def readable(self) -> bool:
        return True

    def fileno(self) -> int:
        raise OSError("a member of an archive has no descriptor of its own")

    def readinto(self, buffer: Any) -> int:
        view = memoryview(buffer)
        count = self._fill(view)
        if self._wanted is not None:
            self._crc = zlib.crc32(view[:count], self._crc)
        self.position += count
        return count

    def _fill(self, view: memoryview) -> int:
        raise NotImplementedError

    def objection(self) -> str | None:
        if self._wanted is None or self.position != self.known_size or self._crc == self._wanted:
            return None
        return f"its CRC-32 is {self._crc:08x}, the archive says {self._wanted:08x}"


class _StoredStream(_MemberStream):
    def __init__(self, archive: ArchiveSource, member: Member) -> None:
        super().__init__(member.size, member.crc)
        self._archive, self._offset = archive, member.offset

    def _fill(self, view: memoryview) -> int:
        wanted = min(len(view), self.known_size - self.position)
        if wanted <= 0:
            return 0
        return self._archive.read_into(self._offset + self.position, view[:wanted])


class StoredFile:
    """A member that is a range of the archive; a PlacedFile."""

    def __init__(self, archive: ArchiveSource, member: Member) -> None:
        self._archive, self._offset = archive, member.offset
        self.size = member.size
        self._stream = _StoredStream(archive, member)

    @property
    def stream(self) -> BinaryIO:
        return cast("BinaryIO", self._stream)

    def read_at(self, offset: int, length: int) -> bytes:
        if offset < 0:
            return b""
        return self._archive.read_at(self._offset + offset, min(length, self.size - offset))

    def held_still(self) -> bool:
        return self._archive.held_still()

    def objection(self) -> str | None:
        return self._stream.objection()


class _Inflater:
    """Inflates a member piece by piece (RFC 1951), and can be copied at any place."""

    def __init__(self, archive: ArchiveSource, member: Member) -> None:
        self._archive, self._member = archive, member
        self._engine = zlib.decompressobj(-zlib.MAX_WBITS)
        self._waiting = b""
        self._taken = 0
        self.position = 0

    def copy(self) -> _Inflater:
        """The same place again. About 50 kB."""
        other = _Inflater(self._archive, self._member)
        other._engine = self._engine.copy()
        other._waiting, other._taken, other.position = self._waiting, self._taken, self.position
        return other

    def read(self, wanted: int) -> bytes:
        """Some bytes, at most that many; b"" at the end. Raises BrokenMember, OSError."""
        wanted = min(wanted, self._member.size - self.position)
        if wanted <= 0:
            if self._more(1):
                raise BrokenMember(f"it goes on beyond the {self._member.size} bytes it should have")
            if self._engine.unused_data or self._taken < self._member.stored or self._waiting:
                raise BrokenMember("bytes follow that belong to no file")
            return b""
        data = self._more(wanted)
        if not data:
            raise BrokenMember(f"it ends after {self.position} of {self._member.size} bytes")
        self.position += len(data)
        return data

    def _more(self, wanted: int) -> bytes:
        while not self._engine.eof:
            if not self._waiting and self._taken < self._member.stored:
                start = self._member.offset + self._taken
                length = min(_PIECE, self._member.stored - self._taken)
                self._waiting = self._archive.read_at(start, length)
                if not self._waiting:
                    raise BrokenMember("the archive became shorter")
                self._taken += len(self._waiting)
            nothing_left = not self._waiting
            try:
                data = self._engine.decompress(self._waiting, wanted)
            except zlib.error:
                raise BrokenMember(f"its compressed bytes are damaged after {self.position} bytes") from None
            self._waiting = self._engine.unconsumed_tail
            if data:
                return data
            if nothing_left and not self._engine.eof:
                raise BrokenMember("its compressed bytes have no end")
        return b""


class _InflatedStream(_MemberStream):
    def __init__(self, archive: ArchiveSource, member: Member) -> None:
        super().__init__(member.size, member.crc)
        self._inflater = _Inflater(archive, member)

    def _fill(self, view: memoryview) -> int:
        data = self._inflater.read(len(view))
        view[: len(data)] = data
        return len(data)


class DeflatedFile:
    """A deflated member; a PlacedFile. Reading by position begins at the nearest of a few kept places."""

    def __init__(self, archive: ArchiveSource, member: Member) -> None:
        self._archive, self._member = archive, member
        self.size = member.size
        self._stream = _InflatedStream(archive, member)
        self._between = max(_BETWEEN, member.size // _CHECKPOINTS)
        self._kept = [_Inflater(archive, member)]
        self._here = self._kept[0].copy()
        self._lock = threading.Lock()

    @property
    def stream(self) -> BinaryIO:
        return cast("BinaryIO", self._stream)

    def read_at(self, offset: int, length: int) -> bytes:
        if offset < 0 or length <= 0 or offset >= self.size:
            return b""
        with self._lock:
            self._go_to(offset)
            parts: list[bytes] = []
            left = min(length, self.size - offset)
            while left > 0:
                parts.append(self._step(left))
                left -= len(parts[-1])
            return b"".join(parts)

    def _go_to(self, offset: int) -> None:
        nearest = max((k for k in self._kept if k.position <= offset), key=lambda k: k.position)
        if not nearest.position <= self._here.position <= offset:
            self._here = nearest.copy()
        while self._here.position < offset:
            self._step(min(offset - self._here.position, 1 << 20, self._between))

    def _step(self, wanted: int) -> bytes:
        data = self._here.read(wanted)
        if self._here.position >= self._kept[-1].position + self._between:
            self._kept.append(self._here.copy())
        return data

    def held_still(self) -> bool:
        return self._archive.held_still()

    def objection(self) -> str | None:
        return self._stream.objection()
