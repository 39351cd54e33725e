"""The port through which everything is written: stage, sync, rename.

Order of a package, and what a crash leaves after each step:
    1  staging folder `.partial-...` beside the destination   nothing, or a leftover that `wrap` names
    2  every file written and synced                          a leftover
    3  every folder synced, deepest first                     a leftover
    4  rename of the staging folder to the final name         the commit: from here the package is whole
    5  parent folder synced                                   the package; after a power cut perhaps
                                                              again the leftover, equally whole
    6  ledger line                                            a good package that the ledger does not know
A failed sync is final for that staging folder: it is never retried, because the kernel may have
dropped the pages it could not write (common practice, no source).
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol, runtime_checkable

from provpack.edge.lasting import sync, sync_folder
from provpack.errors import DestinationProblem, EnvironmentProblem, ProvpackError

PARTIAL_PREFIX = ".partial-"
_HELD_OPEN = (32, 33)
_TOO_LONG = 206
"""Error codes of Windows: sharing and lock violation, file name too long (by number from memory)."""


class Writer(Protocol):
    """One new file, written once from front to end."""

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """Append all of data."""

    def sync(self) -> None:
        """Return when the file's bytes are on the medium."""

    def close(self) -> None:
        """Close; twice is allowed."""


class Disk(Protocol):
    """The operations a destination is built with. Paths are absolute."""

    def exists(self, path: Path) -> bool: ...
    def is_folder(self, path: Path) -> bool: ...
    def make_folder(self, path: Path) -> None: ...
    def create(self, path: Path) -> Writer: ...
    def sync_folder(self, path: Path) -> None: ...
    def rename(self, old: Path, new: Path) -> None: ...
    def discard(self, path: Path) -> None: ...


def explain(err: OSError, path: Path | str, doing: str) -> ProvpackError:
    """An operating-system error as one of ours, saying what to do."""
    where = str(path)
    if getattr(err, "winerror", None) in _HELD_OPEN:  # Windows: sharing or lock violation
        return EnvironmentProblem(
            "file-in-use",
            f"Another program has it open: could not {doing}.",
            where=where,
            todo="Close the program that has it open (a virus scanner, an editor, a search index), then run "
            "the same command again.",
        )
    if err.errno in (errno.ENOSPC, errno.EDQUOT):
        return EnvironmentProblem(
            "disk-full",
            f"The disk or quota is full: could not {doing}.",
            where=where,
            todo="Free some space or choose another destination with --to, then run the same command again.",
        )
    if err.errno in (errno.EACCES, errno.EPERM):
        return EnvironmentProblem(
            "no-permission",
            f"No permission to {doing}.",
            where=where,
            todo="Check who owns the folder and its permissions, then run the same command again.",
        )
    if err.errno == errno.EROFS:
        return EnvironmentProblem(
            "read-only",
            f"The medium is read-only: could not {doing}.",
            where=where,
            todo="Choose a destination that can be written with --to.",
        )
    if err.errno == errno.EFBIG:
        return EnvironmentProblem(
            "file-too-large-here",
            f"The file system, or a limit of this process, allows no such large file: could not {doing}.",
            where=where,
            todo="Choose a destination on another file system (FAT32 ends at 4 GiB), or raise the limit.",
        )
    if err.errno == errno.ENAMETOOLONG or getattr(err, "winerror", None) == _TOO_LONG:
        return EnvironmentProblem(
            "name-too-long",
            f"The path is longer than this system allows: could not {doing}.",
            where=where,
            todo="Choose a shorter path.",
        )
    if err.errno == errno.ENOTDIR:
        return DestinationProblem(
            "no-parent-folder",
            f"A part of the path is no folder: could not {doing}.",
            where=where,
            todo="Mend the path.",
        )
    if err.errno in (errno.EEXIST, errno.ENOTEMPTY):
        return DestinationProblem(
            "destination-exists",
            f"Something already exists: could not {doing}.",
            where=where,
            todo="A sealed package is never overwritten. Move it away or choose another destination.",
        )
    return EnvironmentProblem(
        "system-error",
        f"Could not {doing}: {err.strerror or err}.",
        where=where,
        todo="Check the disk and its connection, then run the same command again.",
    )


def folder_names(path: Path) -> list[str]:
    """Names in a folder, sorted."""
    try:
        return sorted(p.name for p in path.iterdir())
    except OSError as err:
        raise explain(err, path, "list the folder") from None


class _FileWriter:
    """A new file that starts its write-back early, so that the final sync is short."""

    _STRIDE = 32 * 1024 * 1024

    def __init__(self, path: Path) -> None:
        self._path = path
        self._written = 0
        self._started = 0
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
            self._fd = os.open(path, flags, 0o644)
        except OSError as err:
            raise explain(err, path, "create the file") from None

    def write(self, data: bytes | bytearray | memoryview) -> None:
        view = memoryview(data)
        try:
            while view:
                n = os.write(self._fd, view)
                self._written += n
                view = view[n:]
            if self._written - self._started >= self._STRIDE:
                self._start_write_back()
        except OSError as err:
            raise explain(err, self._path, "write the file") from None

    def _start_write_back(self) -> None:
        # Linux starts writing dirty pages when told they will not be needed; elsewhere nothing happens.
        if hasattr(os, "posix_fadvise"):
            with contextlib.suppress(OSError):
                os.posix_fadvise(
                    self._fd, self._started, self._written - self._started, os.POSIX_FADV_DONTNEED
                )
        self._started = self._written

    def sync(self) -> None:
        try:
            sync(self._fd)
        except OSError as err:
            raise explain(err, self._path, "sync the file to the medium") from None

    def close(self) -> None:
        if self._fd >= 0:
            fd, self._fd = self._fd, -1
            try:
                os.close(fd)
            except OSError as err:
                raise explain(err, self._path, "close the file") from None


@runtime_checkable
class TellsUnsynced(Protocol):
    """A disk that remembers which folders it was asked to sync and cannot."""

    @property
    def unsynced(self) -> Sequence[Path]: ...


class RealDisk:
    """The local file system. unsynced: folders whose entries it was asked to sync and cannot."""

    def __init__(self) -> None:
        self.unsynced: list[Path] = []

    def exists(self, path: Path) -> bool:
        return os.path.lexists(path)

    def is_folder(self, path: Path) -> bool:
        return os.path.isdir(path)  # noqa: PTH112 - answers, where Path.is_dir raises for a path too long

    def make_folder(self, path: Path) -> None:
        try:
            path.mkdir()
        except OSError as err:
            raise explain(err, path, "create the folder") from None

    def create(self, path: Path) -> Writer:
        return _FileWriter(path)

    def sync_folder(self, path: Path) -> None:
        """Sync the entries of a folder. Systems that cannot sync a folder (network shares) are let pass and
        remembered; the README says what that means for a power cut."""
        try:
            if not sync_folder(path):
                self.unsynced.append(path)
        except OSError as err:
            self.unsynced.append(path)
            raise explain(err, path, "sync the folder to the medium") from None

    def rename(self, old: Path, new: Path) -> None:
        # A rename onto an EMPTY folder succeeds on POSIX, hence the question first.
        if os.path.lexists(new):
            raise explain(FileExistsError(errno.EEXIST, "exists"), new, "rename the finished package")
        try:
            old.rename(new)
        except OSError as err:
            raise explain(err, new, "rename the finished package") from None

    def discard(self, path: Path) -> None:
        """Remove a staging folder of our own, as far as possible."""
        if not path.name.startswith(PARTIAL_PREFIX):
            return
        try:
            shutil.rmtree(path, ignore_errors=True)
        except BaseException:  # a signal in the midst of it: it is done all the same, and then obeyed
            shutil.rmtree(path, ignore_errors=True)
            raise
