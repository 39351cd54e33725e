"""A received file: opened read-only, never through a symbolic link, and watched for changes."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from types import TracebackType

from provpack.edge.commit import explain
from provpack.errors import InputProblem


def _regular_only(info: os.stat_result, path: Path) -> None:
    if stat.S_ISDIR(info.st_mode):
        raise InputProblem(
            "not-a-regular-file",
            "This is a folder; one file is read here.",
            where=str(path),
            todo="Name the file itself. A package is looked at with `provpack verify` or `provpack report`, "
            "a job with `provpack check`.",
        )
    if not stat.S_ISREG(info.st_mode):
        raise InputProblem(
            "not-a-regular-file",
            "This is not a regular file (but a link or device), so it is not read.",
            where=str(path),
            todo="Name the file itself.",
        )


class ReceivedFile:
    """A regular file open for reading at any offset; also a chunks.source.ByteSource.

    Raises InputProblem for what is not a regular file, EnvironmentProblem when the system refuses.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        # O_NONBLOCK: a pipe put in the file's place after the look at it must not hold us up.
        flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        flags |= getattr(os, "O_NONBLOCK", 0)
        try:
            _regular_only(os.lstat(path), path)
            self._fd = os.open(path, flags)
        except FileNotFoundError:
            raise InputProblem(
                "file-missing",
                "There is no such file.",
                where=str(path),
                todo="Mend the path, or bring the file back.",
            ) from None
        except OSError as err:
            raise explain(err, path, "open the file for reading") from None
        try:
            _regular_only(os.fstat(self._fd), path)
        except InputProblem:
            os.close(self._fd)
            raise
        self._before = self._state()

    def _state(self) -> tuple[int, int, int]:
        s = os.fstat(self._fd)
        return s.st_size, s.st_mtime_ns, s.st_ino

    @property
    def size(self) -> int:
        """Bytes at the time of opening."""
        return self._before[0]

    def read_at(self, offset: int, length: int) -> bytes:
        """Up to length bytes from offset; short only at the end of the file."""
        buffer = bytearray(max(0, min(length, self.size - offset)))
        return bytes(buffer[: self.read_into(offset, memoryview(buffer))])

    def read_into(self, offset: int, view: memoryview) -> int:
        """Fill view from offset and return the number of bytes read; short only at the end of the file."""
        done = 0
        try:
            if hasattr(os, "preadv"):
                while done < len(view):
                    n = os.preadv(self._fd, [view[done:]], offset + done)
                    if n == 0:
                        break
                    done += n
            else:
                os.lseek(self._fd, offset, os.SEEK_SET)
                while done < len(view):
                    piece = os.read(self._fd, len(view) - done)
                    if not piece:
                        break
                    view[done : done + len(piece)] = piece
                    done += len(piece)
        except OSError as err:
            raise explain(err, self.path, f"read the file at byte {offset + done}") from None
        return done

    def check_unchanged(self) -> None:
        """Raise InputProblem when size or time of change differ from when the file was opened."""
        if self._state() != self._before:
            raise InputProblem(
                "file-changed",
                "The file was changed while it was being read; nothing made from it is kept.",
                where=str(self.path),
                todo="Wait until the capture program has closed the file, then run the same command again.",
            )

    def close(self) -> None:
        """Close; twice is allowed."""
        if self._fd >= 0:
            fd, self._fd = self._fd, -1
            os.close(fd)

    def __enter__(self) -> ReceivedFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def file_shorter(where: str, at: int, called: str = "The file") -> InputProblem:
    """The error for a file that ended before its time. at: the byte where it did; called: what it is."""
    return InputProblem(
        "file-shorter",
        f"{called} ended at byte {at} while it was being read; it was longer when it was opened.",
        where=where,
        todo="Wait until whatever writes it has finished, and check the disk it lies on; then run the same "
        "command again.",
    )
