"""The custody ledger: one JSON object per line, appended for ever, each holding the SHA-512 of the line
before it (the bytes without the line end; 128 zeros for the first).

Removing, changing or reordering any line but the last breaks the chain; the last is witnessed by the copy
of its hash handed to the client (package/ledgerchain.py reads and explains). A torn last line (power cut
while appending) is completed if nothing of it is missing but its end, else set aside in a file of its own,
never dropped. Bytes that no append leaves behind are left alone, and nothing is appended after them; nor to
an empty file beside packages, whose history is gone. What could not be written whole is taken back: an append
is in the file, synced, or it is not.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import stat
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from provpack.edge.commit import RealDisk, explain
from provpack.edge.ledgerbirth import YOUNG, Newborn, alone_in
from provpack.edge.ledgerend import (
    ASIDE,
    COMPARE,
    history_gone,
    last_line,
    mend_torn_end,
    number_of,
    packages_beside,
    tail_after_newline,
)
from provpack.edge.tree import open_regular
from provpack.errors import CouldNotCheck, EnvironmentProblem, ProvpackError
from provpack.package.ledgerchain import (
    NO_PREVIOUS,
    Break,
    Chain,
    Entry,
    Witness,
    read_chain,
)

LEDGER_NAME = "custody-ledger.jsonl"
_BLOCK = 1 << 20
_REPLACED_AT_MOST = 100
_PATIENCE = 5.0
"""Seconds that a reader waits for writers before it reads all the same."""
_FLAGS = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
_FLAGS |= getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
_TODO = {
    "disk-full": "Free some space there, then run the same command again.",
    "read-only": "Make the medium writable, or copy the whole folder to one that is; then run it again.",
    "no-permission": "Check who owns the ledger and its folder, and their permissions; then run it again.",
    "file-too-large-here": "Raise the limit, or move the whole folder to another file system; then again.",
}
"""The command that appends may have no choice of destination: the ledger lies where it lies."""


def find_ledger(start: Path) -> Path | None:
    """The ledger in the folder of `start` or in the folder above it, if there is one."""
    here = start if start.is_dir() else start.parent
    for folder in (here, here.parent):
        candidate = folder / LEDGER_NAME
        if candidate.is_file() and not candidate.is_symlink():
            return candidate
    return None


def unfit_ledger(start: Path) -> tuple[Path, str] | None:
    """What stands under the ledger's name where find_ledger looks, nearer than any ledger, and what it is;
    None when that is a regular file or nothing. It is neither read nor written."""
    here = start if start.is_dir() else start.parent
    for folder in (here, here.parent):
        candidate = folder / LEDGER_NAME
        try:
            mode = os.lstat(candidate).st_mode
        except (OSError, ValueError):
            continue
        if stat.S_ISREG(mode):
            return None
        return candidate, "link" if stat.S_ISLNK(mode) else "folder" if stat.S_ISDIR(mode) else "special file"
    return None


# --- reading ---


def read_ledger(
    path: Path,
    *,
    witnesses: Sequence[Witness] = (),
    keep: bool = False,
    each: Callable[[int, Entry], None] | None = None,
) -> Chain:
    """Read the ledger as it is now; see package.ledgerchain.read_chain. Never raises for what it holds.

    Lines that are appended meanwhile are not read. Raises CouldNotCheck when the file cannot be read.
    """
    with open_regular(path.parent, path.name) as file:
        size = _settled_size(file.fileno())
        try:
            blocks = partial(_blocks, file.fileno(), size)
            chain = read_chain(blocks, witnesses=witnesses, keep=keep, each=each)
        except OSError as err:
            raise CouldNotCheck(
                "unreadable",
                f"The custody ledger cannot be read: {err.strerror or err}.",
                where=str(path),
                todo="Look at the disk and its connection, or take the second copy.",
            ) from None
    if chain.lines or chain.breaks:
        return chain
    beside = packages_beside(path)
    if len(beside) <= (1 if chain.torn else 0):  # the first append ever may have been cut short
        return chain
    gone = Break(kind="cut_off", entries=None, lines=(), what=history_gone(beside))
    return replace(chain, breaks=(gone,))


def set_aside(path: Path) -> list[tuple[str, int]]:
    """(name, bytes) of the torn ends that were set aside beside a ledger, sorted by name."""
    with contextlib.suppress(OSError):
        names = [p for p in path.parent.iterdir() if p.name.startswith(f"{path.name}{ASIDE}")]
        return sorted((p.name, p.lstat().st_size) for p in names)
    return []


def read_entries(path: Path) -> list[dict[str, Any]]:
    """All entries, after the whole chain was checked. Raises EnvironmentProblem naming the first break."""
    try:
        chain = read_ledger(path, keep=True)
    except CouldNotCheck as err:
        raise EnvironmentProblem(err.code, err.what, where=err.where, todo=err.todo) from None
    if chain.breaks:
        first = chain.breaks[0]
        more = f" ({len(chain.breaks) - 1} more)" if len(chain.breaks) > 1 else ""
        raise EnvironmentProblem(
            "ledger-broken",
            f"{first.what}{more}",
            where=f"{path}, line {first.lines[0]}" if first.lines else str(path),
            todo="Compare it with a copy kept elsewhere; a line was changed, removed or moved.",
        )
    return [dict(entry) for entry in chain.entries]


def head(path: Path) -> tuple[int, str] | None:
    """Number and SHA-512 of the last entry, for a delivery note; None when there is no ledger or no entry.

    Only the end of the file is read; whether the chain holds is not looked at. A torn end is not counted.
    Raises CouldNotCheck or EnvironmentProblem when the last line cannot be read as an entry.
    """
    if not os.path.lexists(path):
        return None
    with open_regular(path.parent, path.name) as file:
        fd = file.fileno()
        try:
            size = _settled_size(fd)
            size -= len(tail_after_newline(fd, size, path)) if size else 0
            last = last_line(fd, size, path)
        except OSError as err:
            raise explain(err, path, "read the custody ledger") from None
    return None if last is None else (number_of(last, path), hashlib.sha512(last).hexdigest())


def _blocks(fd: int, size: int) -> Iterator[bytes]:
    at = 0
    while at < size:
        os.lseek(fd, at, os.SEEK_SET)
        block = os.read(fd, min(_BLOCK, size - at))
        if not block:
            return
        at += len(block)
        yield block


def _settled_size(fd: int) -> int:
    """Bytes in the file at a moment when nobody is in the midst of an append, if such a moment comes."""
    if os.name != "nt":
        import fcntl

        until = time.monotonic() + _PATIENCE
        while time.monotonic() < until:
            try:
                fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                time.sleep(0.01)
                continue
            except OSError:  # a file system without locks: read what is there
                break
            try:
                return os.fstat(fd).st_size
            finally:
                fcntl.flock(fd, fcntl.LOCK_UN)
    return os.fstat(fd).st_size


# --- appending ---


def append(path: Path, entry: Mapping[str, Any]) -> dict[str, Any]:
    """Append one entry and return it with `n` and `previous` filled in. Synced before it returns.

    Raises EnvironmentProblem when the ledger cannot be written or its last line is not ours to follow.
    """
    return append_many(path, (entry,))[0]


def append_many(path: Path, entries: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Append several entries under one lock and one sync: all of them, or none. Raises as append does."""
    return append_new(path, lambda: entries)


def append_new(
    path: Path, make: Callable[[], Iterable[Mapping[str, Any]]], *, see: Callable[[Entry], None] | None = None
) -> list[dict[str, Any]]:
    """Append what make() returns after see() was shown every entry there is; nothing can come between.

    When make returns nothing, nothing is written. Raises as append does, and whatever make and see raise.
    """
    try:
        if not os.path.lexists(path):
            first = _begin(path, make)
            if first is not None:
                return first
        with _opened(path) as fd:
            size = os.fstat(fd).st_size
            if size < YOUNG:
                with contextlib.suppress(ProvpackError):
                    RealDisk().sync_folder(path.parent)
            if see is not None:
                show = see
                read_chain(lambda: _blocks(fd, size), each=lambda line, entry: show(entry))
            new = list(make())
            return _write(fd, path, new) if new else []
    except OSError as err:
        raise _explained(err, path, "append to the custody ledger") from None


def _begin(path: Path, make: Callable[[], Iterable[Mapping[str, Any]]]) -> list[dict[str, Any]] | None:
    """The first lines of a new ledger; None when somebody else has begun it in the meantime."""
    with alone_in(path.parent) as alone:
        if os.path.lexists(path):
            return None
        new = list(make())
        if not new:
            return []
        newborn = Newborn(path)
        try:
            with newborn as fd, _locked(fd):
                written = _write(fd, path, new)
                newborn.name(alone=alone)
                return written
        except FileExistsError:
            raise _replaced("made by somebody else just when it was to be begun", path) from None
        except OSError as err:
            raise _explained(err, path, "begin the custody ledger") from None


def _explained(err: OSError, path: Path, doing: str) -> ProvpackError:
    told = explain(err, path, doing)
    return type(told)(told.code, told.what, where=told.where, todo=_TODO.get(told.code, told.todo))


def _write(fd: int, path: Path, entries: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    before = os.fstat(fd).st_size
    size, missing_end = mend_torn_end(fd, before, path)
    last = missing_end if missing_end is not None else last_line(fd, size, path)
    number, previous = 0, NO_PREVIOUS
    if last is not None:
        number, previous = number_of(last, path), hashlib.sha512(last).hexdigest()
    out: list[dict[str, Any]] = []
    data = bytearray(b"\n" if missing_end is not None else b"")
    for entry in entries:
        number += 1
        full = {**entry, "n": number, "previous": previous}
        line = json.dumps(full, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode("utf-8")
        previous = hashlib.sha512(line).hexdigest()
        data += line + b"\n"
        out.append(full)
    try:
        os.lseek(fd, 0, os.SEEK_END)
        view = memoryview(data)
        while view:
            view = view[os.write(fd, view) :]
        os.fsync(fd)
    except BaseException:
        # Disk full, a failed sync, a signal: what was not acknowledged must not be there half.
        with contextlib.suppress(OSError):
            os.ftruncate(fd, size)
        raise
    return out


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[int]:
    """The ledger open and locked for us alone, still the file that bears the name.

    While we waited for the lock the file may have been moved away and another put in its place.
    """
    for _turn in range(_REPLACED_AT_MOST):
        try:
            fd = os.open(path, _FLAGS)
        except OSError as err:
            raise _explained(err, path, "open the custody ledger") from None
        try:
            _regular_only(fd, path)
            with _locked(fd):
                if _still_there(fd, path):
                    emptied = [] if os.fstat(fd).st_size else packages_beside(path)
                    if emptied:
                        raise EnvironmentProblem(
                            "ledger-broken", history_gone(emptied), where=str(path), todo=COMPARE
                        )
                    yield fd
                    return
        finally:
            os.close(fd)
    raise _replaced("replaced again and again while an entry was to be appended", path)


def _replaced(how: str, path: Path) -> EnvironmentProblem:
    return EnvironmentProblem(
        "ledger-replaced",
        f"The custody ledger was {how}.",
        where=str(path),
        todo="Find out which program moves the file; then run the same command again.",
    )


def _still_there(fd: int, path: Path) -> bool:
    if os.name == "nt":  # an open file cannot be replaced there
        return True
    try:
        named = path.stat(follow_symlinks=False)
    except FileNotFoundError:
        return False
    held = os.fstat(fd)
    return (named.st_dev, named.st_ino) == (held.st_dev, held.st_ino)


def _regular_only(fd: int, path: Path) -> None:
    if not stat.S_ISREG(os.fstat(fd).st_mode):
        raise EnvironmentProblem(
            "ledger-not-a-file",
            "What lies in the place of the custody ledger is not a regular file.",
            where=str(path),
            todo="Move it away; the next entry starts a new ledger.",
        )


@contextlib.contextmanager
def _locked(fd: int) -> Iterator[None]:
    """Hold the file for ourselves: other processes wait (POSIX) or are refused (Windows)."""
    if os.name == "nt":
        import msvcrt

        lock = getattr(msvcrt, "locking")  # noqa: B009 - absent from the type stubs elsewhere
        lock(fd, getattr(msvcrt, "LK_LOCK"), 1)  # noqa: B009
        try:
            yield
        finally:
            os.lseek(fd, 0, os.SEEK_SET)
            lock(fd, getattr(msvcrt, "LK_UNLCK"), 1)  # noqa: B009
    else:
        import fcntl

        fcntl.flock(fd, fcntl.LOCK_EX)
        try:
            yield
        finally:
            fcntl.flock(fd, fcntl.LOCK_UN)
