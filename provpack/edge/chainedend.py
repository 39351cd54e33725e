"""The end of a file of chained lines, seen from the last byte: the last line, and what stands behind it.

For edge/chainedfile.py, which holds the file open and locked while it asks.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from provpack.edge.commit import RealDisk
from provpack.edge.lasting import sync
from provpack.errors import EnvironmentProblem
from provpack.package.figures import counted
from provpack.package.ledgerchain import NO_PREVIOUS, entry_of, follows
from provpack.package.ledgertorn import LONGEST_LINE, may_be_torn

ASIDE = ".torn-"
"""Stands between the name of a file and a digest in the name of a torn end that was set aside."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainWords:
    """How one kind of chained file is spoken of.

    name: after "the". code: error codes begin with it. compare: what to do about a file that nothing may be
    appended to. in_its_place: what to do about something else in its place. todo: code of an error of the
    system -> what to do, where that differs. patience: seconds to wait for the lock, None: without end.
    history_gone: (path, whether a torn first line stands there) -> why a file without an entry has lost its
    history, None when it may just be new.
    """

    name: str
    code: str
    compare: str
    in_its_place: str
    todo: Mapping[str, str] = field(default_factory=dict)
    patience: float | None = None
    history_gone: Callable[[Path, bool], str | None] = lambda path, torn: None


def set_aside(path: Path) -> list[tuple[str, int]]:
    """(name, bytes) of the torn ends that were set aside beside a chained file, sorted by name."""
    with contextlib.suppress(OSError):
        names = [p for p in path.parent.iterdir() if p.name.startswith(f"{path.name}{ASIDE}")]
        return sorted((p.name, p.lstat().st_size) for p in names)
    return []


def mend_torn_end(fd: int, size: int, path: Path, words: ChainWords) -> tuple[int, bytes | None]:
    """What to do with bytes after the last line end: (bytes of the file that stay, the line to be ended).

    A whole entry that follows from the line before lacks only its line end. The beginning of one is moved
    into a file of its own. Raises EnvironmentProblem for what no append leaves behind.
    """
    torn = tail_after_newline(fd, size, path, words) if size else b""
    if not torn:
        return size, None
    left = size - len(torn)
    last = last_line(fd, left, path, words)
    before = entry_of(last) if last is not None else None
    number = 0 if last is None else before["n"] if before is not None else number_of(last, path, words)
    digest = NO_PREVIOUS if last is None else hashlib.sha512(last).hexdigest()
    if follows(entry_of(torn), number, digest):
        return size, torn
    gone = None
    if not may_be_torn(torn, number, digest):
        gone = f"The {words.name} ends in {counted(len(torn), 'byte')} that are no entry, nor its beginning."
    elif last is None:
        gone = words.history_gone(path, True)
    if gone is not None:
        raise EnvironmentProblem(f"{words.code}-broken", gone, where=str(path), todo=words.compare)
    aside = path.with_name(f"{path.name}{ASIDE}{hashlib.sha256(torn).hexdigest()[:12]}")
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    with open(os.open(aside, flags, 0o644), "wb") as f:  # noqa: PTH123 - wraps a descriptor
        f.write(torn)
        f.flush()
        sync(f.fileno())
    RealDisk().sync_folder(path.parent)
    os.ftruncate(fd, left)
    return left, None


def tail_after_newline(fd: int, size: int, path: Path, words: ChainWords) -> bytes:
    """The bytes after the last line end of the first `size` bytes."""
    tail = b""
    at = size
    while at > 0 and b"\n" not in tail:
        if len(tail) > LONGEST_LINE:
            raise EnvironmentProblem(
                f"{words.code}-line-too-long",
                f"The last line of the {words.name} is longer than {LONGEST_LINE} bytes.",
                where=str(path),
                todo=words.compare,
            )
        step = min(65536, at)
        at -= step
        os.lseek(fd, at, os.SEEK_SET)
        tail = os.read(fd, step) + tail
    return tail.rpartition(b"\n")[2]


def last_line(fd: int, size: int, path: Path, words: ChainWords) -> bytes | None:
    """The last line, without its end, of `size` bytes that end with a line end; None when there is none."""
    return tail_after_newline(fd, size - 1, path, words) if size else None


def number_of(line: bytes, path: Path, words: ChainWords) -> int:
    """The number of an entry. Raises EnvironmentProblem when it has none."""
    try:
        number = json.loads(line)["n"]
    except (ValueError, KeyError, TypeError, RecursionError):
        number = None
    if type(number) is not int or number < 1:
        raise EnvironmentProblem(
            f"{words.code}-unreadable",
            f"The last line of the {words.name} cannot be read, so nothing can be chained to it.",
            where=str(path),
            todo=words.compare,
        )
    return number
