"""Where the file of a catalogue may lie, and which files beside it are ours to take away."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from provpack.catalogue.engines import is_ours
from provpack.errors import DestinationProblem
from provpack.package.bagpaths import readable

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


def remove_left_over(path: Path) -> None:
    """Take away what a killed rebuild left: a catalogue, or a file of no bytes. Nothing else: raises
    DestinationProblem for a file of somebody else. OSError passes through."""
    try:
        info = path.lstat()
    except FileNotFoundError:
        return
    if stat.S_ISDIR(info.st_mode):
        raise IsADirectoryError(21, "There is a folder of the name of the new catalogue", str(path))
    if not stat.S_ISREG(info.st_mode) or (info.st_size > 0 and not is_ours(path)):
        raise DestinationProblem(
            "file-exists",
            "The new catalogue is built in a file of this name, and what lies there is none of ours. It was "
            "not touched.",
            where=readable(str(path)),
            todo="Move it away, or choose another place with --catalogue.",
        )
    path.unlink()


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
