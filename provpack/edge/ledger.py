"""The custody ledger: one JSON object per line, appended for ever, each holding the SHA-512 of the line
before it (the bytes without the line end; 128 zeros for the first).

Removing, changing or reordering any line but the last breaks the chain; the last is witnessed by the
copy handed to the client. A torn last line (power cut while appending) is set aside in a file of its
own, never dropped.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import stat
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from provpack.edge.commit import explain
from provpack.errors import EnvironmentProblem

LEDGER_NAME = "custody-ledger.jsonl"
NO_PREVIOUS = "0" * 128
LONGEST_LINE = 1024 * 1024
"""Bytes; our lines have about a thousand."""


def find_ledger(start: Path) -> Path | None:
    """The ledger in the folder of `start` or in the folder above it, if there is one."""
    here = start if start.is_dir() else start.parent
    for folder in (here, here.parent):
        candidate = folder / LEDGER_NAME
        if candidate.is_file() and not candidate.is_symlink():
            return candidate
    return None


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


def append(path: Path, entry: Mapping[str, Any]) -> dict[str, Any]:
    """Append one entry and return it with `n` and `previous` filled in. Synced before it returns.

    Raises EnvironmentProblem when the ledger cannot be written or its last line is not ours to follow.
    """
    try:
        flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
        fd = os.open(path, flags | getattr(os, "O_BINARY", 0), 0o644)
    except OSError as err:
        raise explain(err, path, "open the custody ledger") from None
    try:
        _regular_only(fd, path)
        with _locked(fd):
            size = _set_torn_line_aside(fd, path)
            last = _last_line(fd, size, path)
            number, previous = 1, NO_PREVIOUS
            if last is not None:
                number, previous = _number(last, path) + 1, hashlib.sha512(last).hexdigest()
            full = {**entry, "n": number, "previous": previous}
            line = json.dumps(full, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
            os.lseek(fd, 0, os.SEEK_END)
            view = memoryview(line.encode("utf-8") + b"\n")
            while view:
                view = view[os.write(fd, view) :]
            os.fsync(fd)
            return full
    except OSError as err:
        raise explain(err, path, "append to the custody ledger") from None
    finally:
        os.close(fd)


def read_entries(path: Path) -> list[dict[str, Any]]:
    """All entries, after the whole chain was checked. Raises EnvironmentProblem at the first break."""
    try:
        data = path.read_bytes()
    except OSError as err:
        raise explain(err, path, "read the custody ledger") from None
    entries: list[dict[str, Any]] = []
    previous = NO_PREVIOUS
    for number, line in enumerate(data.split(b"\n")[:-1], start=1):
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError):
            entry = None
        if not isinstance(entry, dict) or entry.get("n") != number or entry.get("previous") != previous:
            raise EnvironmentProblem(
                "ledger-broken",
                f"Line {number} of the custody ledger does not follow from the line before it.",
                where=f"{path}, line {number}",
                todo="Compare it with a copy kept elsewhere; a line was changed, removed or moved.",
            )
        entries.append(entry)
        previous = hashlib.sha512(line).hexdigest()
    return entries


def _set_torn_line_aside(fd: int, path: Path) -> int:
    """Move bytes after the last line end into a file of their own; returns the size that is left."""
    size = os.lseek(fd, 0, os.SEEK_END)
    if size == 0:
        return 0
    torn = _tail_after_newline(fd, size, path)
    if not torn:
        return size
    aside = path.with_name(f"{path.name}.torn-{hashlib.sha256(torn).hexdigest()[:12]}")
    with aside.open("wb") as f:
        f.write(torn)
        f.flush()
        os.fsync(f.fileno())
    os.ftruncate(fd, size - len(torn))
    return size - len(torn)


def _tail_after_newline(fd: int, size: int, path: Path) -> bytes:
    tail = b""
    at = size
    while at > 0 and b"\n" not in tail:
        if len(tail) > LONGEST_LINE:
            raise EnvironmentProblem(
                "ledger-line-too-long",
                f"The last line of the custody ledger is longer than {LONGEST_LINE} bytes.",
                where=str(path),
                todo="This is no ledger of ours: move the file away, or compare it with another copy.",
            )
        step = min(65536, at)
        at -= step
        os.lseek(fd, at, os.SEEK_SET)
        tail = os.read(fd, step) + tail
    return tail.rpartition(b"\n")[2]


def _last_line(fd: int, size: int, path: Path) -> bytes | None:
    return _tail_after_newline(fd, size - 1, path) if size else None


def _number(line: bytes, path: Path) -> int:
    try:
        number = json.loads(line)["n"]
    except (ValueError, KeyError, TypeError, RecursionError):
        number = None
    if not isinstance(number, int):
        raise EnvironmentProblem(
            "ledger-unreadable",
            "The last line of the custody ledger cannot be read, so nothing can be chained to it.",
            where=str(path),
            todo="Keep the file, compare it with another copy, and start a new ledger beside it if need be.",
        )
    return number
