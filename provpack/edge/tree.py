"""Look at a folder tree, and open files in it, without ever following a symbolic link.

Links are not followed in any component beneath the root, not even when one is put there while we look:
on POSIX every step goes through a directory descriptor and O_NOFOLLOW. Elsewhere each component is looked
at first (which leaves a moment between looking and opening).
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from provpack.errors import CouldNotCheck
from provpack.package.bagpaths import Entry, Kind, Listing, is_system_file, readable

MAX_ENTRIES = 2_000_000
"""Entries listed at most."""

MAX_DEPTH = 128
"""Folders within folders that are descended at most."""

LEFTOVER = ".partial-"
"""In the name of a staging folder."""

_AT = os.open in os.supports_dir_fd and hasattr(os, "O_NOFOLLOW") and os.scandir in os.supports_fd
_DIR_FLAGS = os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_CLOEXEC", 0)
_FILE_FLAGS = (
    os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
)
_NOFOLLOW = getattr(os, "O_NOFOLLOW", 0)


def reason(err: OSError) -> str:
    """The system's own sentence, without the path (which is said elsewhere)."""
    return err.strerror or str(err) or err.__class__.__name__


def list_tree(root: Path, *, max_entries: int = MAX_ENTRIES, max_depth: int = MAX_DEPTH) -> Listing:
    """Everything beneath root, sorted by path. Raises nothing.

    What cannot be read is an entry of kind `unreadable` (path "" for the root itself); folders deeper than
    max_depth are such entries too. Listing stops at max_entries, and says so with complete=False.
    """
    entries: dict[str, Entry] = {}
    waiting = [""]
    while waiting:
        folder = waiting.pop()
        try:
            with _scan(root, folder) as scan:
                for item in scan:
                    if len(entries) >= max_entries:
                        return Listing(entries=_sorted(entries), complete=False)
                    path = f"{folder}/{item.name}" if folder else item.name
                    entry = _entry(path, item)
                    if entry.kind == "directory" and path.count("/") + 1 >= max_depth:
                        entry = Entry(path=path, kind="unreadable", problem="nested too deeply to be read")
                    if entry.kind == "directory":
                        waiting.append(path)
                    entries[path] = entry
        except (OSError, ValueError) as err:
            problem = reason(err) if isinstance(err, OSError) else str(err)
            entries[folder] = Entry(path=folder, kind="unreadable", problem=problem)
    return Listing(entries=_sorted(entries))


def _sorted(entries: dict[str, Entry]) -> tuple[Entry, ...]:
    return tuple(entries[path] for path in sorted(entries))


def _entry(path: str, item: os.DirEntry[str]) -> Entry:
    try:
        info = item.stat(follow_symlinks=False)
    except OSError as err:
        return Entry(path=path, kind="unreadable", problem=reason(err))
    return Entry(path=path, kind=_kind(info), size=info.st_size if stat.S_ISREG(info.st_mode) else 0)


def _kind(info: os.stat_result) -> Kind:
    if stat.S_ISLNK(info.st_mode) or _is_junction(info):
        return "symlink"
    if stat.S_ISDIR(info.st_mode):
        return "directory"
    return "file" if stat.S_ISREG(info.st_mode) else "other"


def _is_junction(info: os.stat_result) -> bool:
    """A Windows reparse point that leads elsewhere (mount points are not symbolic links to Python)."""
    return bool(getattr(info, "st_reparse_tag", 0) == 0xA0000003)


@contextlib.contextmanager
def _scan(root: Path, folder: str) -> Iterator[Iterator[os.DirEntry[str]]]:
    if _AT:
        fd = _open_beneath(root, folder, _DIR_FLAGS)
        try:
            with os.scandir(fd) as scan:
                yield scan
        finally:
            os.close(fd)
    else:
        target = _checked(root, folder) if folder else root
        with os.scandir(target) as scan:
            yield scan


def _parts(path: str) -> list[str]:
    parts = path.split("/") if path else []
    if any(part in ("", ".", "..") or "\0" in part for part in parts):
        raise ValueError("not a plain path beneath the root")
    return parts


def _open_beneath(root: Path, path: str, flags: int) -> int:
    """A descriptor for path beneath root, no link followed below the root. Raises OSError, ValueError."""
    parts = _parts(path)
    fd = os.open(root, _DIR_FLAGS if parts else flags)
    for index, part in enumerate(parts):
        last = index == len(parts) - 1
        try:
            below = os.open(part, (flags if last else _DIR_FLAGS) | _NOFOLLOW, dir_fd=fd)
        finally:
            os.close(fd)
        fd = below
    return fd


def _checked(root: Path, path: str) -> Path:
    """The path beneath root after each component was seen not to be a link. Raises OSError, ValueError."""
    here = root
    for part in _parts(path):
        if (os.sep != "/" and os.sep in part) or (os.altsep and os.altsep in part) or ":" in part:
            raise ValueError("not a plain path beneath the root")
        here = here / part
        if _kind(here.lstat()) == "symlink":
            raise OSError(f"a link stands in the way: {readable(part)}")
    return here


def open_regular(root: Path, path: str) -> BinaryIO:
    """Open the regular file at path (`/`-separated) beneath root for reading, unbuffered.

    Raises CouldNotCheck when it cannot be opened, is no regular file, or a link stands anywhere in its path.
    """
    try:
        fd = _open_beneath(root, path, _FILE_FLAGS) if _AT else os.open(_checked(root, path), _FILE_FLAGS)
    except (OSError, ValueError) as err:
        why = reason(err) if isinstance(err, OSError) else str(err)
        raise _refused(path, f"The file cannot be opened: {why}.") from None
    if not stat.S_ISREG(os.fstat(fd).st_mode):
        os.close(fd)
        raise _refused(path, "This is no regular file any more.")
    return open(fd, "rb", buffering=0)  # noqa: PTH123 - wraps a descriptor


def _refused(path: str, what: str) -> CouldNotCheck:
    return CouldNotCheck(
        "unreadable",
        what,
        where=readable(path),
        todo="Look at permissions, cables and the disk's own error log, then check again.",
    )


def read_limited(file: BinaryIO, path: str, limit: int) -> bytes:
    """The rest of an open file, if it has at most limit bytes. Raises CouldNotCheck."""
    parts: list[bytes] = []
    left = limit + 1
    try:
        while left > 0 and (part := file.read(min(left, 1 << 20))):
            parts.append(part)
            left -= len(part)
    except OSError as err:
        if err.errno is None:
            raise  # not the system's: the reader of an archive tells what is wrong with it
        raise _refused(path, f"The file cannot be read: {reason(err)}.") from None
    if left <= 0:
        raise CouldNotCheck(
            "too-large",
            f"The file has more than {limit} bytes, which is all that is read of such a file.",
            where=readable(path),
            todo="Check it with another tool; this one refuses to load it for safety.",
        )
    return b"".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """Bags found beneath a folder, sorted, and what kept us from looking everywhere."""

    bags: tuple[Path, ...]
    unreadable: tuple[tuple[Path, str], ...] = ()
    leftovers: tuple[Path, ...] = ()
    links: tuple[Path, ...] = ()
    archives: tuple[Path, ...] = ()


ARCHIVE_NAMES = (".tar", ".zip", ".tgz", ".tar.gz", ".tar.bz2", ".tar.xz", ".tar.zst")
"""Endings, whatever their case, of files that may be archives of a bag."""


def find_bags(root: Path, *, max_folders: int = MAX_ENTRIES, max_depth: int = MAX_DEPTH) -> Search:
    """The bags at or beneath root; a bag inside a bag is not looked for. Raises nothing.

    A bag is a folder with a bagit.txt, or one with a data folder and a payload manifest (its declaration is
    then missing). Links are not followed, staging folders of interrupted runs are passed over; both are told.
    So are files named like archives, unopened; what lies in a bag is its payload and not looked at.
    """
    bags: list[Path] = []
    unreadable: list[tuple[Path, str]] = []
    leftovers: list[Path] = []
    links: list[Path] = []
    archives: list[Path] = []
    waiting = [(root, 0)]
    looked = 0
    while waiting:
        folder, depth = waiting.pop()
        looked += 1
        if looked > max_folders or depth > max_depth:
            unreadable.append((folder, "there are more folders here than are searched"))
            if looked > max_folders:
                break
            continue
        try:
            with os.scandir(folder) as scan:
                items = sorted(scan, key=lambda item: item.name)
            if is_bag({item.name for item in items}):
                bags.append(folder)
                continue
            while items:  # each is let go at once, for it keeps what was learnt of it; last first
                item = items.pop()
                kind = _entry(item.name, item).kind
                if kind == "symlink":
                    links.append(folder / item.name)
                elif kind == "directory" and LEFTOVER in item.name:
                    leftovers.append(folder / item.name)
                elif kind == "directory":
                    waiting.append((folder / item.name, depth + 1))
                elif kind == "file" and _like_archive(item.name):
                    (leftovers if LEFTOVER in item.name else archives).append(folder / item.name)
        except OSError as err:
            unreadable.append((folder, reason(err)))
    return Search(
        bags=tuple(sorted(bags)),
        unreadable=tuple(sorted(unreadable)),
        leftovers=tuple(sorted(leftovers)),
        links=tuple(sorted(links)),
        archives=tuple(sorted(archives)),
    )


def _like_archive(name: str) -> bool:
    """Named like an archive, and none of the shadows that operating systems leave beside files."""
    return name.lower().endswith(ARCHIVE_NAMES) and not is_system_file(name)


def is_bag(names: Collection[str]) -> bool:
    """Whether a folder with these names in it is a bag."""
    manifest = any(name.startswith("manifest-") and name.endswith(".txt") for name in names)
    return "bagit.txt" in names or ("data" in names and manifest)
