"""A file of chained lines that is only ever appended to: what the custody ledger and the bench log share.

One JSON object per line, each with its number (`n`) and the SHA-512 of the line before it (`previous`: of the
bytes without the line end; 128 zeros for the first). An append is locked against other processes, in the
file, synced, before it returns; or it is not there: what could not be written whole is taken back. A torn
last line (power cut while appending) is completed if nothing of it is missing but its end, else set aside in
a file of its own (edge/chainedend.py).

How the file is called in messages, and the codes of its errors, come in as ChainWords.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import stat
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from provpack.edge.chainedend import ChainWords, last_line, mend_torn_end, number_of
from provpack.edge.commit import RealDisk, explain
from provpack.edge.lasting import sync
from provpack.edge.ledgerbirth import YOUNG, Newborn, alone_in
from provpack.edge.unbroken import unbroken
from provpack.errors import EnvironmentProblem, ProvpackError
from provpack.package.ledgerchain import NO_PREVIOUS, Entry, read_chain

_BLOCK = 1 << 20
_REPLACED_AT_MOST = 100
_PATIENCE = 5.0
"""Seconds that a reader waits for writers before it reads all the same."""
_FLAGS = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
_FLAGS |= getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
_LOCKED_BYTE = 1 << 40
"""Windows locks bytes against reading too: one that no file of ours ever reaches."""


# --- reading ---


def blocks(fd: int, size: int, start: int = 0) -> Iterator[bytes]:
    """The bytes from start to size of an open file, in blocks. Raises OSError."""
    at = start
    while at < size:
        os.lseek(fd, at, os.SEEK_SET)
        block = os.read(fd, min(_BLOCK, size - at))
        if not block:
            return
        at += len(block)
        yield block


def settled_size(fd: int) -> int:
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


def append_new(
    path: Path,
    make: Callable[[], Iterable[Mapping[str, Any]]],
    words: ChainWords,
    *,
    see: Callable[[Entry], None] | None = None,
    after: int | None = None,
    look: Callable[[int, bool], None] | None = None,
) -> list[dict[str, Any]]:
    """Append what make() returns after see() was shown every entry there is; nothing can come between.

    When make returns nothing, nothing is written. after: number of the last entry the caller knows (0: none);
    another one there is a refusal. look: called with the open file and whether the entries are written,
    before and after that; may refuse by raising. Raises EnvironmentProblem when the file cannot be written or
    its last line is not ours to follow, and whatever make, see and look raise.
    """
    try:
        if not os.path.lexists(path):
            first = _begin(path, make, words, after, look)
            if first is not None:
                return first
        with _opened(path, words) as fd:
            size = os.fstat(fd).st_size
            if size < YOUNG:
                with contextlib.suppress(ProvpackError):
                    RealDisk().sync_folder(path.parent)
            if see is not None:
                show = see
                read_chain(lambda: blocks(fd, size), each=lambda line, entry: show(entry))
            return _put(fd, path, list(make()), words, after, look)
    except OSError as err:
        raise explained(err, path, f"append to the {words.name}", words) from None


def _begin(
    path: Path,
    make: Callable[[], Iterable[Mapping[str, Any]]],
    words: ChainWords,
    after: int | None,
    look: Callable[[int, bool], None] | None,
) -> list[dict[str, Any]] | None:
    """The first lines of a new file; None when somebody else has begun it in the meantime."""
    with alone_in(path.parent) as alone:
        if os.path.lexists(path):
            return None
        new = list(make())
        if not new:
            return []
        newborn = Newborn(path)
        try:
            with unbroken(), newborn as fd, _locked(fd, path, words):
                written = _put(fd, path, new, words, after, look)
                newborn.name(alone=alone)
                return written
        except FileExistsError:
            how = "made by somebody else just when it was to be begun"
            raise _replaced(how, path, words) from None
        except OSError as err:
            raise explained(err, path, f"begin the {words.name}", words) from None


def _put(
    fd: int,
    path: Path,
    new: Sequence[Mapping[str, Any]],
    words: ChainWords,
    after: int | None,
    look: Callable[[int, bool], None] | None,
) -> list[dict[str, Any]]:
    if look is not None:
        look(fd, False)
    written = _write(fd, path, new, words, after) if new else []
    if look is not None:
        look(fd, True)
    return written


def explained(err: OSError, path: Path, doing: str, words: ChainWords) -> ProvpackError:
    """An error of the system as one of ours, with what to do about it for this kind of file."""
    told = explain(err, path, doing)
    return type(told)(told.code, told.what, where=told.where, todo=words.todo.get(told.code, told.todo))


def line_of(entry: Mapping[str, Any]) -> bytes:
    """The bytes of an entry in the file, without the line end: UTF-8; a line with half characters, as a
    stranger may write them, is all escapes: the same JSON."""
    text = json.dumps(entry, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    try:
        return text.encode("utf-8")
    except UnicodeEncodeError:
        return json.dumps(entry, sort_keys=True, separators=(",", ":")).encode("ascii")


def _write(
    fd: int, path: Path, entries: Sequence[Mapping[str, Any]], words: ChainWords, after: int | None
) -> list[dict[str, Any]]:
    before = os.fstat(fd).st_size
    size, missing_end = mend_torn_end(fd, before, path, words)
    last = missing_end if missing_end is not None else last_line(fd, size, path, words)
    number, previous = 0, NO_PREVIOUS
    if last is not None:
        number, previous = number_of(last, path, words), hashlib.sha512(last).hexdigest()
    if after is not None and number != after:
        raise EnvironmentProblem(
            f"{words.code}-moved-on",
            f"The {words.name} has {number} entries by now, not {after}.",
            where=str(path),
            todo="Look at what was added meanwhile; then do it again.",
        )
    out: list[dict[str, Any]] = []
    data = bytearray(b"\n" if missing_end is not None else b"")
    for entry in entries:
        number += 1
        full = {**entry, "n": number, "previous": previous}
        line = line_of(full)
        previous = hashlib.sha512(line).hexdigest()
        data += line + b"\n"
        out.append(full)
    try:
        os.lseek(fd, 0, os.SEEK_END)
        view = memoryview(data)
        while view:
            view = view[os.write(fd, view) :]
        sync(fd)
    except BaseException:
        # Disk full, a failed sync, a signal: what was not acknowledged must not be there half.
        with contextlib.suppress(OSError):
            os.ftruncate(fd, size)
        raise
    return out


@contextlib.contextmanager
def _opened(path: Path, words: ChainWords) -> Iterator[int]:
    """The file open and locked for us alone, still the one that bears the name.

    While we waited for the lock the file may have been moved away and another put in its place.
    """
    for _turn in range(_REPLACED_AT_MOST):
        try:
            fd = os.open(path, _FLAGS)
        except OSError as err:
            raise explained(err, path, f"open the {words.name}", words) from None
        try:
            _regular_only(fd, path, words)
            with _locked(fd, path, words):
                if _still_there(fd, path):
                    gone = None if os.fstat(fd).st_size else words.history_gone(path, False)
                    if gone is not None:
                        raise EnvironmentProblem(
                            f"{words.code}-broken", gone, where=str(path), todo=words.compare
                        )
                    yield fd
                    return
        finally:
            os.close(fd)
    raise _replaced("replaced again and again while an entry was to be appended", path, words)


def _replaced(how: str, path: Path, words: ChainWords) -> EnvironmentProblem:
    return EnvironmentProblem(
        f"{words.code}-replaced",
        f"The {words.name} was {how}.",
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


def _regular_only(fd: int, path: Path, words: ChainWords) -> None:
    if not stat.S_ISREG(os.fstat(fd).st_mode):
        raise not_a_file(path, words)


def not_a_file(path: Path, words: ChainWords) -> EnvironmentProblem:
    """The refusal of something else in the place of the file."""
    return EnvironmentProblem(
        f"{words.code}-not-a-file",
        f"What lies in the place of the {words.name} is not a regular file.",
        where=str(path),
        todo=words.in_its_place,
    )


@contextlib.contextmanager
def _locked(fd: int, path: Path, words: ChainWords) -> Iterator[None]:
    """Hold the file for ourselves: other processes wait (POSIX) or are refused (Windows)."""
    if os.name == "nt":
        import msvcrt

        lock = getattr(msvcrt, "locking")  # noqa: B009 - absent from the type stubs elsewhere
        os.lseek(fd, _LOCKED_BYTE, os.SEEK_SET)
        try:
            lock(fd, getattr(msvcrt, "LK_LOCK"), 1)  # noqa: B009 - tries for ten seconds
        except OSError:
            raise _busy(path, words, 10) from None
        os.lseek(fd, 0, os.SEEK_SET)
        try:
            yield
        finally:
            os.lseek(fd, _LOCKED_BYTE, os.SEEK_SET)
            lock(fd, getattr(msvcrt, "LK_UNLCK"), 1)  # noqa: B009
    else:
        import fcntl

        if words.patience is None:
            fcntl.flock(fd, fcntl.LOCK_EX)
        else:
            _lock_within(fd, words.patience, path, words)
        try:
            yield
        finally:
            fcntl.flock(fd, fcntl.LOCK_UN)


def _lock_within(fd: int, patience: float, path: Path, words: ChainWords) -> None:
    import fcntl

    until = time.monotonic() + patience
    while True:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except BlockingIOError:
            if time.monotonic() >= until:
                raise _busy(path, words, patience) from None
        time.sleep(0.002)


def _busy(path: Path, words: ChainWords, seconds: float) -> EnvironmentProblem:
    return EnvironmentProblem(
        f"{words.code}-busy",
        f"Another program has held the {words.name} for {seconds:g} seconds.",
        where=str(path),
        todo="End that program, or let it go on; then do it again. Nothing was written.",
    )
