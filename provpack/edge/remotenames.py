"""Names of objects as the tree of a bag: object storage has no folders, and its names may be anything."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from provpack.edge.tree import MAX_DEPTH
from provpack.package.bagpaths import Entry, Listing

ThingKind = Literal["file", "directory", "symlink", "other", "unreadable"]

_IDENTITIES = (
    "ETag", "etag", "md5Hash", "content_md5", "Content-MD5", "generation", "LastModified", "last_modified",
    "Last-Modified", "mtime", "modified", "updated", "modify", "created",
)  # fmt: skip
"""What drivers call the identity of an object's content, the surest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Thing:
    """An object or folder elsewhere.

    path: beneath the place that was asked about, `/`-separated, "" for that place itself. name: as the
    driver wants to have it. size in bytes, None when the server does not tell. stamp: changes when the
    content does, as far as the server tells; "" when it tells nothing.
    """

    path: str
    name: str
    kind: ThingKind = "file"
    size: int | None = None
    stamp: str = ""
    problem: str = ""

    def unreadable(self, problem: str) -> Thing:
        """The same, as something that cannot be read, and why."""
        return replace(self, kind="unreadable", problem=problem)


def stamp_of(info: Mapping[str, Any]) -> str:
    """What tells one content of an object from another, "" when nothing does."""
    for key in _IDENTITIES:
        if info.get(key):
            return f"{key.lower().replace('-', '').replace('_', '')} {info[key]}"
    return ""


def size_of(info: Mapping[str, Any]) -> int | None:
    """The size in bytes, None when it is not told or is no size."""
    size = info.get("size")
    return size if isinstance(size, int) and size >= 0 else None


def thing_of(info: Mapping[str, Any], root: str) -> Thing | None:
    """One line of a driver's list of what lies beneath root; None for what does not."""
    name = str(info.get("name", ""))
    above, plain = root.lstrip("/"), name.removeprefix("/")
    if plain.rstrip("/") == above.rstrip("/"):
        path = ""
    elif not above:
        path = plain
    elif plain.startswith(f"{above}/"):
        path = plain[len(above) + 1 :]
    else:
        return None
    kind = info.get("type")
    found: ThingKind = "directory" if kind == "directory" else "file" if kind == "file" else "other"
    if info.get("islink") or kind == "link":
        found = "symlink"
    size = size_of(info) if found == "file" else 0
    return Thing(path=path, name=name, kind=found, size=size, stamp=stamp_of(info))


def listing_of(things: Iterable[Thing], most: int) -> tuple[Listing, dict[str, Thing]]:
    """Everything as the tree of a bag, and the readable files by path; at most so many entries.

    What cannot be a file in a tree (an empty or climbing component, a name that is file and folder at once,
    an object whose name ends like a folder's and which holds bytes, one name twice) is `unreadable`, so
    that nothing is called good that cannot be fetched and kept as a bag.
    """
    entries: dict[str, Entry] = {}
    files: dict[str, Thing] = {}
    for thing in things:
        if len(entries) >= most:
            return _listing(entries, complete=False), files
        marker = thing.path.endswith("/")
        path = thing.path.rstrip("/") if marker and not thing.size else thing.path
        if not path:
            continue
        problem = thing.problem or _unfit(path)
        if not problem and marker and thing.size:
            problem = "its name ends like a folder's, but it holds bytes"
        kind = "directory" if marker else thing.kind
        if not problem and kind == "file" and thing.size is None:
            problem = "the server does not tell how large it is"
        if not problem and kind == "file" and path in files:
            problem = "the server has two objects of this name"
        if problem:
            entries[path] = Entry(path=path, kind="unreadable", problem=problem)
            files.pop(path, None)
            continue
        folders = path.split("/")[:-1] if kind != "directory" else path.split("/")
        for depth in range(1, len(folders) + 1):
            _folder(entries, files, "/".join(folders[:depth]))
        if kind == "directory":
            continue
        if path in entries:
            entries[path] = _both(path)
            files.pop(path, None)
            continue
        entries[path] = Entry(path=path, kind=kind, size=thing.size or 0)
        if kind == "file":
            files[path] = thing
    return _listing(entries, complete=True), files


def _folder(entries: dict[str, Entry], files: dict[str, Thing], path: str) -> None:
    known = entries.get(path)
    if known is None:
        entries[path] = Entry(path=path, kind="directory")
    elif known.kind not in ("directory", "unreadable"):
        entries[path] = _both(path)
        files.pop(path, None)


def _both(path: str) -> Entry:
    return Entry(path=path, kind="unreadable", problem="it is an object and a folder at once")


def _unfit(path: str) -> str:
    """Why a name can be no path in a tree, "" when it can."""
    parts = path.split("/")
    if any(part in ("", ".", "..") for part in parts):
        return "its name has an empty or climbing part, so it can be no file in a folder"
    if "\0" in path:
        return "its name holds a NUL character"
    return "it is nested too deeply to be read" if len(parts) > MAX_DEPTH else ""


def _listing(entries: dict[str, Entry], *, complete: bool) -> Listing:
    return Listing(entries=tuple(entries[path] for path in sorted(entries)), complete=complete)
