"""Files that stay with the studio: in a folder of their own that only its owner can open."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

from provpack.edge.commit import RealDisk, explain
from provpack.edge.lasting import sync
from provpack.package.heldback import SALT_BYTES


def new_salt() -> bytes:
    """Secret random bytes from the system."""
    return secrets.token_bytes(SALT_BYTES)


def write_private(folder: Path, name: str, data: bytes) -> None:
    """A new file, synced, in a folder made if need be; what could not be written whole is taken away again.

    Raises EnvironmentProblem, DestinationProblem.
    """
    target = folder / name
    try:
        with contextlib.suppress(FileExistsError):
            folder.mkdir(mode=0o700)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0)
        fd = os.open(target, flags | getattr(os, "O_BINARY", 0), 0o600)
        try:
            try:
                view = memoryview(data)
                while view:
                    view = view[os.write(fd, view) :]
                sync(fd)
            finally:
                os.close(fd)
            # A package must not outlast a power cut without its proof: the names of file and folder too.
            RealDisk().sync_folder(folder)
            RealDisk().sync_folder(folder.parent)
        except BaseException:
            with contextlib.suppress(OSError):
                target.unlink()
            raise
    except OSError as err:
        raise explain(err, target, "write what stays with the studio") from None
