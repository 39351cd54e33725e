"""What tells the package at a path from any other, and costs little to read: seen from two machines it shows
whether both see the same storage there."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from provpack.edge.hashing import digest_bytes
from provpack.edge.place import FolderPlace
from provpack.edge.reading import read_range, read_small
from provpack.errors import CouldNotCheck
from provpack.package.bagtext import MAX_TAG_FILE, manifest_kind

Landmarks = Mapping[str, str | None]
"""Name of a file -> SHA-256 (hex), None when it cannot be read here."""

_MOST: Final = 20
_ENDS: Final = 65536
_WHOLE = "the archive file"


def landmarks(path: Path) -> Landmarks:
    """bagit.txt and the tag manifests of a folder, its payload manifests where it has none; of an archive
    file its size and its two ends. Raises OSError, ValueError."""
    if not stat.S_ISDIR(path.stat().st_mode):
        return {_WHOLE: _ends(path)}
    kinds = {one.name: kind[0] for one in path.iterdir() if (kind := manifest_kind(one.name)) is not None}
    wanted = "tag" if "tag" in kinds.values() else "payload"
    place = FolderPlace(path)
    names = ["bagit.txt", *sorted(name for name, kind in kinds.items() if kind == wanted)[:_MOST]]
    return {name: _digest(place, name) for name in names if os.path.lexists(path / name)}


def differing(here: Landmarks, there: Landmarks) -> list[str]:
    """Names of what is not the same in both; what one of the two could not read shows nothing."""
    unread = {name for seen in (here, there) for name, digest in seen.items() if digest is None}
    return [n for n in sorted({*here, *there} - unread) if here.get(n) != there.get(n)]


def _digest(place: FolderPlace, name: str) -> str | None:
    try:
        return digest_bytes(read_small(place, name, MAX_TAG_FILE), ("sha256",))["sha256"]
    except (OSError, CouldNotCheck):
        return None


def _ends(path: Path) -> str | None:
    try:
        file = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except OSError:
        return None
    try:
        size = os.fstat(file).st_size
        ends = (read_range(file, 0, _ENDS), read_range(file, max(size - _ENDS, 0), _ENDS))
        return digest_bytes(b"%d " % size + b"".join(ends), ("sha256",))["sha256"]
    except OSError:
        return None
    finally:
        os.close(file)
