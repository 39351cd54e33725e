"""The end of a ledger file, seen from the last byte: the last line, and what stands behind it.

For edge/ledger.py, which holds the file open and locked while it asks.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Sequence
from pathlib import Path

from provpack.edge.commit import RealDisk
from provpack.errors import EnvironmentProblem
from provpack.package.bagpaths import readable
from provpack.package.ledgerchain import NO_PREVIOUS, entry_of, follows
from provpack.package.ledgertorn import LONGEST_LINE, may_be_torn

COMPARE = (
    "Run `provpack custody` on this folder and compare the ledger with a copy kept elsewhere (second copy, "
    "backup, the last hash on a delivery note or receipt). Put the whole copy in its place; if there is "
    "none, keep this file under another name, and the next entry starts a new ledger."
)
"""What to do about a ledger that nothing may be appended to."""
ASIDE = ".torn-"
"""Stands between the name of a ledger and a digest in the name of a torn end that was set aside."""


def packages_beside(path: Path) -> list[str]:
    """Names of the sealed packages (folders with a bagit.txt) in the folder of a ledger, sorted."""
    with contextlib.suppress(OSError):
        return sorted(p.parent.name for p in path.parent.glob("*/bagit.txt") if not p.parent.is_symlink())
    return []


def history_gone(packages: Sequence[str]) -> str:
    """What is wrong with a ledger without an entry beside these packages."""
    first, more = readable(packages[0]), len(packages) - 1
    they = f"{first} and {more} more lie" if more else f"{first} lies"
    return f"The ledger has no entry, but {they} beside it: its history is gone."


def mend_torn_end(fd: int, size: int, path: Path) -> tuple[int, bytes | None]:
    """What to do with bytes after the last line end: (bytes of the file that stay, the line to be ended).

    A whole entry that follows from the line before lacks only its line end. The beginning of one is moved
    into a file of its own. Raises EnvironmentProblem for what no append leaves behind.
    """
    torn = tail_after_newline(fd, size, path) if size else b""
    if not torn:
        return size, None
    left = size - len(torn)
    last = last_line(fd, left, path)
    before = entry_of(last) if last is not None else None
    number = 0 if last is None else before["n"] if before is not None else number_of(last, path)
    digest = NO_PREVIOUS if last is None else hashlib.sha512(last).hexdigest()
    if follows(entry_of(torn), number, digest):
        return size, torn
    if not may_be_torn(torn, number, digest):
        what = f"The custody ledger ends in {len(torn)} bytes that no append cut short leaves behind."
        raise EnvironmentProblem("ledger-broken", what, where=str(path), todo=COMPARE)
    beside = packages_beside(path) if last is None else []
    if len(beside) > 1:  # one package may stand there before the first append ever
        raise EnvironmentProblem("ledger-broken", history_gone(beside), where=str(path), todo=COMPARE)
    aside = path.with_name(f"{path.name}{ASIDE}{hashlib.sha256(torn).hexdigest()[:12]}")
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    with open(os.open(aside, flags, 0o644), "wb") as f:  # noqa: PTH123 - wraps a descriptor
        f.write(torn)
        f.flush()
        os.fsync(f.fileno())
    RealDisk().sync_folder(path.parent)
    os.ftruncate(fd, left)
    return left, None


def tail_after_newline(fd: int, size: int, path: Path) -> bytes:
    """The bytes after the last line end of the first `size` bytes."""
    tail = b""
    at = size
    while at > 0 and b"\n" not in tail:
        if len(tail) > LONGEST_LINE:
            raise EnvironmentProblem(
                "ledger-line-too-long",
                f"The last line of the custody ledger is longer than {LONGEST_LINE} bytes.",
                where=str(path),
                todo=COMPARE,
            )
        step = min(65536, at)
        at -= step
        os.lseek(fd, at, os.SEEK_SET)
        tail = os.read(fd, step) + tail
    return tail.rpartition(b"\n")[2]


def last_line(fd: int, size: int, path: Path) -> bytes | None:
    """The last line, without its end, of `size` bytes that end with a line end; None when there is none."""
    return tail_after_newline(fd, size - 1, path) if size else None


def number_of(line: bytes, path: Path) -> int:
    """The number of an entry. Raises EnvironmentProblem when it has none."""
    try:
        number = json.loads(line)["n"]
    except (ValueError, KeyError, TypeError, RecursionError):
        number = None
    if type(number) is not int or number < 1:
        raise EnvironmentProblem(
            "ledger-unreadable",
            "The last line of the custody ledger cannot be read, so nothing can be chained to it.",
            where=str(path),
            todo=COMPARE,
        )
    return number
