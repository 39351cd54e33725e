"""Read files that must hold still: digests with a look before and after, positioned reads, processors."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection
from typing import TYPE_CHECKING, BinaryIO

from provpack.edge.hashing import digest_file
from provpack.edge.tree import read_limited, reason
from provpack.errors import CouldNotCheck
from provpack.package.bagpaths import readable

if TYPE_CHECKING:
    from provpack.edge.place import Place


def cores() -> int:
    """Processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(len(os.sched_getaffinity(0)), 1)
    return os.cpu_count() or 1


class FileSource:
    """A byte source over an open regular file, safe to use from several threads; a PlacedFile."""

    def __init__(self, file: BinaryIO) -> None:
        self.stream = file
        self._fd = file.fileno()
        before = os.fstat(self._fd)
        self._size = before.st_size
        self._before = before.st_size, before.st_mtime_ns

    @property
    def size(self) -> int:
        """Length in bytes when it was opened."""
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        """Up to length bytes from offset; never allocates beyond the file's end. Raises OSError."""
        return read_range(self._fd, offset, min(length, self._size - offset))

    def read_into(self, offset: int, view: memoryview) -> int:
        """Fill the view from offset on; how many bytes there were. Raises OSError."""
        if hasattr(os, "preadv"):
            return os.preadv(self._fd, [view], offset)
        data = read_range(self._fd, offset, len(view))
        view[: len(data)] = data
        return len(data)

    def held_still(self) -> bool:
        """Whether size and time of change are what they were when it was opened. Raises OSError."""
        now = os.fstat(self._fd)
        return (now.st_size, now.st_mtime_ns) == self._before

    def objection(self) -> str | None:
        """A plain file has nothing to be held against but its digests."""
        return None


_SEEKING = threading.Lock()


def read_range(fd: int, offset: int, length: int) -> bytes:
    """Up to length bytes of an open file from offset, without moving its position. Raises OSError."""
    if offset < 0 or length <= 0:
        return b""
    if hasattr(os, "pread"):
        return os.pread(fd, length, offset)
    with _SEEKING:
        os.lseek(fd, offset, os.SEEK_SET)
        return os.read(fd, length)


class BrokenMember(OSError):
    """A member of an archive does not unpack to what the archive says of it."""


def read_small(place: Place, path: str, limit: int) -> bytes:
    """The whole file, if it has at most limit bytes. Raises CouldNotCheck (too-large, unreadable, broken)."""
    with place.open(path) as file:
        try:
            data = read_limited(file.stream, path, limit)
        except BrokenMember as err:
            raise _broken(path, str(err)) from None
        against = file.objection()
    if against is not None:
        raise _broken(path, against)
    return data


def read_digests(
    place: Place, path: str, algorithms: Collection[str], *, threads: bool, told: Callable[[int], None]
) -> tuple[dict[str, str], int, str | None]:
    """(digests by algorithm, bytes, what else is wrong with it) of one file of a bag.

    Raises CouldNotCheck, with code `changed` when the file was written to while it was read, `broken` when
    it does not unpack.
    """
    count = 0

    def counted(amount: int) -> None:
        nonlocal count
        count += amount
        told(amount)

    with place.open(path) as file:
        try:
            digests = digest_file(file.stream, algorithms, threads=threads, progress=counted)
            still = file.held_still()
        except BrokenMember as err:
            raise _broken(path, str(err)) from None
        except OSError as err:
            raise CouldNotCheck(
                "unreadable",
                f"Reading stopped after {count} bytes: {reason(err)}.",
                where=readable(path),
                todo="Look at cables and the disk's own error log, then check again.",
            ) from None
        if not still or count != file.size:
            raise changed(path)
        return digests, count, file.objection()


def _broken(path: str, why: str) -> CouldNotCheck:
    return CouldNotCheck(
        "broken",
        f"This file of the archive does not unpack: {why}.",
        where=readable(path),
        todo="Compare with the second copy; fetch the archive again.",
    )


def changed(path: str) -> CouldNotCheck:
    """The error for a file that did not hold still."""
    return CouldNotCheck(
        "changed",
        "The file was changed while it was being read, so its digest says nothing.",
        where=readable(path),
        todo="Run the check again when nothing else is writing to the folder.",
    )
