"""Read files that must hold still: digests with a look before and after, positioned reads, processors."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection
from pathlib import Path
from typing import BinaryIO

from provpack.edge.hashing import digest_file
from provpack.edge.tree import open_regular, reason
from provpack.errors import CouldNotCheck
from provpack.package.bagpaths import readable


def cores() -> int:
    """Processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(len(os.sched_getaffinity(0)), 1)
    return os.cpu_count() or 1


class FileSource:
    """A byte source over an open regular file, safe to use from several threads."""

    def __init__(self, file: BinaryIO) -> None:
        self._fd = file.fileno()
        self._size = os.fstat(self._fd).st_size
        self._lock = threading.Lock()

    @property
    def size(self) -> int:
        """Length in bytes when it was opened."""
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        """Up to length bytes from offset; never allocates beyond the file's end. Raises OSError."""
        wanted = min(length, max(self._size - offset, 0))
        if offset < 0 or wanted <= 0:
            return b""
        if hasattr(os, "pread"):
            return os.pread(self._fd, wanted, offset)
        with self._lock:
            os.lseek(self._fd, offset, os.SEEK_SET)
            return os.read(self._fd, wanted)


def read_digests(
    root: Path, path: str, algorithms: Collection[str], *, threads: bool, told: Callable[[int], None]
) -> tuple[dict[str, str], int]:
    """(digests by algorithm, bytes) of one file beneath root.

    Raises CouldNotCheck, with code `changed` when size or time of change moved while the file was read.
    """
    count = 0

    def counted(amount: int) -> None:
        nonlocal count
        count += amount
        told(amount)

    with open_regular(root, path) as file:
        try:
            before = os.fstat(file.fileno())
            digests = digest_file(file, algorithms, threads=threads, progress=counted)
            after = os.fstat(file.fileno())
        except OSError as err:
            raise CouldNotCheck(
                "unreadable",
                f"Reading stopped after {count} bytes: {reason(err)}.",
                where=readable(path),
                todo="Look at cables and the disk's own error log, then check again.",
            ) from None
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns) or count != before.st_size:
        raise changed(path)
    return digests, count


def changed(path: str) -> CouldNotCheck:
    """The error for a file that did not hold still."""
    return CouldNotCheck(
        "changed",
        "The file was changed while it was being read, so its digest says nothing.",
        where=readable(path),
        todo="Run the check again when nothing else is writing to the folder.",
    )
