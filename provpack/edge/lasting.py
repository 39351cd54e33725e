"""The door through which bytes reach the medium: where systems differ, it is here and nowhere else.

macOS: fsync ends at the drive's own cache; only F_FULLFSYNC goes through it (fcntl(2) and fsync(2) of that
system, from memory). Windows: os.fsync commits the file, and a folder cannot be opened to be synced.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

_NOT_HERE = frozenset(
    getattr(errno, name)
    for name in ("EINVAL", "ENOTSUP", "EOPNOTSUPP", "ENOTTY", "ENOSYS")
    if hasattr(errno, name)
)


def sync(fd: int) -> None:
    """Return when what was written to the file is on the medium. Raises OSError."""
    full = _full_sync()
    if full is not None:
        import fcntl

        try:
            fcntl.fcntl(fd, full)
            return
        except OSError as err:
            if err.errno not in _NOT_HERE:  # a network or foreign file system may not know it
                raise
    os.fsync(fd)


def sync_folder(path: Path) -> bool:
    """Sync the entries of a folder; False where the system cannot sync a folder, as on some network shares.
    Raises OSError."""
    if os.name == "nt":
        return True  # there is nothing to call: names are the file system's own business
    fd = os.open(path, os.O_RDONLY)
    try:
        sync(fd)
    except OSError as err:
        if err.errno not in _NOT_HERE:
            raise
        return False
    finally:
        os.close(fd)
    return True


def _full_sync() -> int | None:
    try:
        import fcntl
    except ImportError:
        return None
    found = getattr(fcntl, "F_FULLFSYNC", None)
    return found if isinstance(found, int) else None
