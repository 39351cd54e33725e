"""A photo on its way into the job folder: staged, synced, then put under a name that nothing has yet.

It lies in `photos/` under a hidden name until it is whole, so that nobody reads half a photo; a file that
is there is never replaced. What a crash leaves is a hidden file of our own, taken away later.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
import stat
import time
from collections.abc import Iterator
from pathlib import Path

from provpack.edge.commit import RealDisk, Writer, explain
from provpack.errors import EnvironmentProblem, InputProblem

PHOTO_FOLDER = "photos"
STAGED = ".arriving-"
_LEFT_BEHIND = 3600.0
"""Seconds after which a staged file belongs to nobody any more."""
_TRIES = 1000
_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)
_STAGED_NAME = re.compile(re.escape(STAGED) + r"[0-9a-f]{16}")
_TODO_FULL = "Free some space on that disk, then send the photo again."


class Arriving:
    """One photo being written. Either keep() or drop() ends it; drop() after keep() does nothing."""

    def __init__(self, job: Path) -> None:
        """Make the staged file. Raises EnvironmentProblem; InputProblem when photos/ is no folder."""
        self.folder = job / PHOTO_FOLDER
        self._disk = RealDisk()
        _own_folder(self.folder, self._disk, job)
        self._staged = self.folder / f"{STAGED}{secrets.token_hex(8)}"
        self._writer: Writer | None = None
        with _said_for_photos():
            self._writer = self._disk.create(self._staged)

    def write(self, data: bytes) -> None:
        """Append. Raises EnvironmentProblem."""
        assert self._writer is not None
        with _said_for_photos():
            self._writer.write(data)

    def keep(self, prefix: str, name: str) -> str:
        """Sync it and name it `<prefix>-<n>-<name>` with the first n no photo of that prefix has; gives the
        name relative to the job folder. When this returns the photo and its name are on the medium."""
        assert self._writer is not None
        with _said_for_photos():
            self._writer.sync()
            self._writer.close()
            first = self._next_number(prefix)
            for number in range(first, first + _TRIES):
                target = self.folder / f"{prefix}-{number}-{name}"
                if os.path.lexists(target) or not self._named(target):
                    continue
                try:
                    self._disk.sync_folder(self.folder)
                except EnvironmentProblem:
                    with contextlib.suppress(OSError):
                        target.unlink()
                    raise
                self._writer = None
                return f"{PHOTO_FOLDER}/{target.name}"
        raise EnvironmentProblem(
            "bench-photo-names", "There is no free name left for this photo.", where=str(self.folder),
            todo="Give the photo another name, then send it again.",
        )  # fmt: skip

    def _next_number(self, prefix: str) -> int:
        numbered = re.compile(re.escape(prefix) + r"-([1-9][0-9]{0,8})-")
        try:
            names = [entry.name for entry in os.scandir(self.folder)]
        except OSError as err:
            raise explain(err, self.folder, "list the folder for photos") from None
        return max((int(m[1]) for name in names if (m := numbered.match(name))), default=0) + 1

    def _named(self, target: Path) -> bool:
        """Give the staged file its name; False when somebody took that name meanwhile."""
        try:
            # A rename would replace what is there; a second name for the same file cannot.
            if os.link in os.supports_follow_symlinks:
                os.link(self._staged, target, follow_symlinks=False)
            else:  # Windows; the staged file is ours and no link
                os.link(self._staged, target)
        except FileExistsError:
            return False
        except OSError as err:
            if err.errno not in _NO_LINKS:
                raise explain(err, target, "give the photo its name") from None
            return self._renamed(target)
        with contextlib.suppress(OSError):  # a second, hidden name that sweep() takes away
            self._staged.unlink()
        return True

    def _renamed(self, target: Path) -> bool:
        """On file systems without second names: the name is reserved by an empty file, which is replaced."""
        try:
            os.close(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644))
        except FileExistsError:
            return False
        except OSError as err:
            raise explain(err, target, "give the photo its name") from None
        try:
            self._staged.replace(target)
        except OSError as err:
            with contextlib.suppress(OSError):
                target.unlink()
            raise explain(err, target, "give the photo its name") from None
        return True

    def drop(self) -> None:
        """Take the staged file away, if it still is one."""
        if self._writer is not None:
            writer, self._writer = self._writer, None
            with contextlib.suppress(EnvironmentProblem):
                writer.close()
            with contextlib.suppress(OSError):
                self._staged.unlink()


def take_away(job: Path, relative: str) -> None:
    """Remove a photo that keep() has just named and that nothing refers to. Raises nothing."""
    with contextlib.suppress(OSError):
        (job / relative).unlink()


def sweep(job: Path) -> None:
    """Take away what crashes left in photos/ longer than an hour ago. Raises nothing."""
    folder = job / PHOTO_FOLDER
    with contextlib.suppress(OSError):
        if not stat.S_ISDIR(folder.lstat().st_mode):
            return
        for entry in os.scandir(folder):
            if _STAGED_NAME.fullmatch(entry.name) and entry.is_file(follow_symlinks=False):
                with contextlib.suppress(OSError):
                    if time.time() - entry.stat(follow_symlinks=False).st_mtime > _LEFT_BEHIND:
                        os.unlink(entry.path)  # noqa: PTH108 - what scandir gave


def _own_folder(folder: Path, disk: RealDisk, job: Path) -> None:
    """photos/ is there and is a folder itself, no link to one elsewhere."""
    if not os.path.lexists(folder):
        with _said_for_photos():
            try:
                folder.mkdir(exist_ok=True)
            except OSError as err:
                raise explain(err, folder, "create the folder for photos") from None
            disk.sync_folder(job)
    try:
        mode = folder.lstat().st_mode
    except OSError as err:
        raise explain(err, folder, "look at the folder for photos") from None
    if not stat.S_ISDIR(mode):
        raise InputProblem(
            "bench-photo-folder",
            f"'{PHOTO_FOLDER}' in the job folder is a link or a file, no folder; nothing is written there.",
            where=str(folder),
            todo=f"Rename it, then send the photo again: a folder '{PHOTO_FOLDER}' is made.",
        )


@contextlib.contextmanager
def _said_for_photos() -> Iterator[None]:
    """The same problem, told to somebody who sends a photo."""
    try:
        yield
    except EnvironmentProblem as err:
        if err.code == "disk-full":
            raise EnvironmentProblem(err.code, err.what, where=err.where, todo=_TODO_FULL) from None
        raise
