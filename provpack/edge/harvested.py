"""What the catalogue asks a disk before it reads anything: has a package changed, and where are ledgers?"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

from provpack.edge.ledger import LEDGER_NAME
from provpack.edge.tree import LEFTOVER, MAX_DEPTH, MAX_ENTRIES
from provpack.package import layout

MAX_STAMPED = 100_000
"""Entries of a payload that are counted for a stamp at most."""


def real_path(path: Path | str) -> Path:
    """The absolute path with links resolved, so that a package has one place however it was reached."""
    return Path(os.path.realpath(path))


def nothing_at(path: Path) -> bool:
    """Whether surely nothing is at this path; False when it cannot be looked at."""
    try:
        path.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return True
    except (OSError, ValueError):
        return False
    return False


def folder_stamp(folder: Path) -> str:
    """Changes when a tag file or the record of the bag in this folder is replaced or rewritten, or when the
    payload files become more or fewer, or larger or smaller altogether; "" when the folder cannot be looked
    at.

    From names, sizes and times of modification and change; nothing is opened. That the payload was damaged
    and kept its size does not show here: finding that out is what `verify` is for.
    """
    try:
        with os.scandir(folder) as scan:
            told = [
                (entry.name, _looks(entry.stat(follow_symlinks=False)))
                for entry in scan
                if not entry.is_dir(follow_symlinks=False)
            ]
        told.append(("", _looks(folder.lstat())))
    except OSError:
        return ""
    with contextlib.suppress(OSError):
        told.append((layout.RECORD, _looks((folder / layout.RECORD).lstat())))
    told.append(("data/", _payload(folder / "data")))
    return _digest(told)


def _payload(data: Path) -> str:
    """How many files lie beneath the data folder, their bytes altogether, and what could not be read. Links
    are not followed; what comes after MAX_STAMPED entries is not looked at. Costs 0.07 ms for a package of 17
    files on a local disk (measured: 500 stamps in 58 ms, 25 ms without it)."""
    files = size = blind = looked = 0
    waiting = [(str(data), 0)]
    while waiting:
        folder, depth = waiting.pop()
        try:
            with os.scandir(folder) as scan:
                for entry in scan:
                    looked += 1
                    if looked > MAX_STAMPED:
                        return f"more {files} {size} {blind}"
                    if entry.is_dir(follow_symlinks=False):
                        if depth < MAX_DEPTH:
                            waiting.append((entry.path, depth + 1))
                        continue
                    files += 1
                    size += entry.stat(follow_symlinks=False).st_size
        except OSError:
            blind += 1
    return f"{files} {size} {blind}"


def file_stamp(path: Path) -> str:
    """Changes when an archive is replaced or written to; "" when it cannot be looked at."""
    try:
        return _digest([(path.name, _looks(path.lstat()))])
    except OSError:
        return ""


def _looks(info: os.stat_result) -> str:
    return f"{stat.S_IFMT(info.st_mode)} {info.st_size} {info.st_mtime_ns} {info.st_ctime_ns}"


def _digest(told: list[tuple[str, str]]) -> str:
    text = "\n".join(f"{name}\t{looks}" for name, looks in sorted(told))
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:32]


def is_ledger_file(path: Path) -> bool:
    """Whether a regular file is there, which can be read as a ledger; a link, a pipe or a folder cannot."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def ledgers_beneath(root: Path, is_package: Callable[[Path], bool]) -> Iterator[Path]:
    """Whatever bears the name of a custody ledger at or beneath a folder, outside of packages: a file, or
    something in its place (see is_ledger_file). Links are not followed; raises nothing."""
    waiting = [(root, 0)]
    looked = 0
    while waiting and looked < MAX_ENTRIES:
        folder, depth = waiting.pop()
        looked += 1
        if is_package(folder):
            continue
        with contextlib.suppress(OSError), os.scandir(folder) as scan:
            for entry in scan:
                if entry.name == LEDGER_NAME:
                    yield Path(entry.path)
                elif entry.is_dir(follow_symlinks=False) and depth < MAX_DEPTH and LEFTOVER not in entry.name:
                    waiting.append((Path(entry.path), depth + 1))
