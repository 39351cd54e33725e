"""Where the file of a catalogue may lie, and which files beside it are ours to take away."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from provpack.catalogue.engines import is_ours
from provpack.errors import DestinationProblem
from provpack.package.bagpaths import readable

_PAGE = 4096
"""Bytes of a page of our SQLite files (SQLite manual, PRAGMA page_size: the default)."""
_HIGHEST = 64  # folders above that are looked at
ENDINGS = ("", "-wal", "-shm", "-journal")
"""What an SQLite file and those beside it are called (SQLite file format, section 1)."""


def refuse_in_package(folder: Path) -> None:
    """Raise DestinationProblem when a folder, which need not exist yet, is a package or lies in one."""
    real = Path(os.path.realpath(folder))
    for one in (real, *list(real.parents)[:_HIGHEST]):
        if os.path.lexists(one / "bagit.txt"):
            raise DestinationProblem(
                "destination-in-package",
                "The catalogue would be written into a package.",
                where=readable(str(one)),
                todo="Name a place outside it with --catalogue: a sealed package is never written into.",
            )


def remove_left_over(path: Path) -> str | None:
    """Take away what a killed rebuild left: a catalogue, a file of no bytes, or one whose beginning is all
    zeros; what that was is told, in a sentence. Nothing else: raises DestinationProblem for what somebody
    else put there. OSError passes through.

    A catalogue that is being built is not synced, so after a power cut its pages may be there and its head
    not. Nothing is lost with it: it holds nothing but what the next rebuild reads again.
    """
    try:
        info = path.lstat()
    except FileNotFoundError:
        return None
    if stat.S_ISDIR(info.st_mode):
        raise IsADirectoryError(21, "There is a folder of the name of the new catalogue", str(path))
    ours = stat.S_ISREG(info.st_mode) and (info.st_size == 0 or is_ours(path))
    damaged = not ours and stat.S_ISREG(info.st_mode) and info.st_nlink == 1 and _begins_with_zeros(path)
    if not ours and not damaged:
        raise DestinationProblem(
            "file-exists",
            "The new catalogue is built in a file of this name, and what lies there is none of ours. It was "
            "not touched.",
            where=readable(str(path)),
            todo="Move it away, or choose another place with --catalogue.",
        )
    path.unlink()
    if not damaged:
        return None
    return (
        f"{readable(path.name)}, which an interrupted rebuild left ({info.st_size} bytes, zeros where its "
        "head should be), was taken away."
    )


def _begins_with_zeros(path: Path) -> bool:
    """Whether the first page, or all of a shorter file, is nothing but zeros. OSError passes through."""
    with path.open("rb") as file:
        return not any(file.read(_PAGE))


def put_aside(place: Path) -> None:
    """Rename a damaged catalogue and what belongs to it, to a name with .damaged that nothing has yet."""
    tried = 1
    while True:
        ending = ".damaged" if tried == 1 else f".damaged-{tried}"
        aside = place.with_name(place.name + ending)
        if not any(os.path.lexists(f"{aside}{more}") for more in ENDINGS):
            break
        tried += 1
    for more in ENDINGS:
        part = place.with_name(place.name + more)
        if part.is_file():
            part.replace(f"{aside}{more}")
