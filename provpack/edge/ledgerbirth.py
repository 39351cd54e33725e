"""The beginning of a ledger: it gets its name only with its first lines in it, written and synced.

So no crash leaves an empty ledger: one beside packages has lost its history (edge/ledgerend.py), and a
process killed before its first line must not look like that. For edge/ledger.py.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

from provpack.edge.commit import PARTIAL_PREFIX, RealDisk

NEWBORN = f"{PARTIAL_PREFIX}ledger-"
"""What the staging folder of a ledger without a line is called, with more behind it."""
YOUNG = 64 * 1024
"""Bytes up to which a ledger's name is synced with each append: who gave it may have been killed before."""


@contextlib.contextmanager
def alone_in(folder: Path) -> Iterator[bool]:
    """Hold the folder against others who begin a ledger there; False where a folder cannot be locked.

    The lock is on the folder itself, so that nothing lies there that was not there before.
    """
    fd = -1
    try:
        if os.name != "nt":
            import fcntl

            with contextlib.suppress(OSError):
                fd = os.open(folder, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0))
                fcntl.flock(fd, fcntl.LOCK_EX)
                yield True
                return
        yield False
    finally:
        if fd >= 0:
            os.close(fd)


class Newborn:
    """A ledger without a name yet, in a staging folder that `audit` and `wrap` tell of if a crash leaves it.

    Use as a context manager, within edge.unbroken; what was not given its name is taken away.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._stage = path.parent / f"{NEWBORN}{secrets.token_hex(4)}"
        self._named = False

    def __enter__(self) -> int:
        """Returns the open file. Raises OSError."""
        self._stage.mkdir()
        try:
            flags = os.O_RDWR | os.O_CREAT | os.O_EXCL
            flags |= getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
            self._fd = os.open(self._stage / self._path.name, flags, 0o644)
        except BaseException:
            self._clear()
            raise
        return self._fd

    def __exit__(self, *_: object) -> None:
        os.close(self._fd)
        self._clear()

    def name(self, *, alone: bool) -> None:
        """Give it its name, for good. Raises OSError (FileExistsError: there is one by now), then without."""
        staged = self._stage / self._path.name
        if alone and os.path.lexists(self._path):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))
        if alone:
            staged.rename(self._path)
        else:
            os.link(staged, self._path)
        try:
            RealDisk().sync_folder(self._path.parent)
        except BaseException:
            self._path.unlink()
            raise

    def _clear(self) -> None:
        with contextlib.suppress(OSError):
            (self._stage / self._path.name).unlink(missing_ok=True)
            self._stage.rmdir()
