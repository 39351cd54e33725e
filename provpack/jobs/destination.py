"""Where the packages of a job go: beside it when nobody says otherwise, and never into it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from provpack.edge.commit import Disk
from provpack.errors import DestinationProblem

BESIDE: Final = "-packages"
"""Added to the name of the job folder."""
_LONGEST_NAME: Final = 255
"""Bytes of a name that common file systems hold (POSIX NAME_MAX of ext4, XFS, APFS, tmpfs)."""


def beside(job: Path) -> Path | None:
    """The folder beside the real job folder that its packages go to; None when nothing can lie there: the
    job folder is the top of a file system tree, or its name leaves no room for a longer one."""
    real = Path(os.path.realpath(job))
    name = f"{real.name}{BESIDE}"
    if real.parent == real or len(os.fsencode(name)) > _LONGEST_NAME:
        return None
    return real.parent / name


def default_for(job: Path) -> Path:
    """The same, where it can be used. Raises DestinationProblem that says to give --to where it cannot."""
    found = beside(job)
    if found is None:
        raise DestinationProblem(
            "no-place-beside-job",
            "There is no place for a folder of packages beside this job folder.",
            where=str(job),
            todo="Say where the packages are to go: --to DIR.",
        )
    if not os.path.lexists(found) and not os.access(found.parent, os.W_OK | os.X_OK):
        raise DestinationProblem(
            "no-place-beside-job",
            f"The packages would go to {found.name} beside the job folder, but nothing may be written there.",
            where=str(found.parent),
            todo="Say where the packages are to go: --to DIR.",
        )
    return found


def look_at(job: Path, destination: Path, disk: Disk) -> bool:
    """Whether the destination is there. Raises DestinationProblem when packages can never go there."""
    real, target = Path(os.path.realpath(job)), Path(os.path.realpath(destination))
    if target == real or real in target.parents:
        raise DestinationProblem(
            "destination-in-job-folder",
            "The destination lies inside the job folder, in which nothing is ever written.",
            where=str(destination),
            todo="Name a folder outside the job folder after --to.",
        )
    if not disk.exists(destination):
        if not disk.is_folder(destination.parent):
            raise DestinationProblem(
                "no-parent-folder",
                "The folder that is to hold the destination does not exist.",
                where=str(destination.parent),
                todo="Create it, or mend the path after --to.",
            )
        return False
    if not disk.is_folder(destination):
        raise DestinationProblem(
            "destination-not-a-folder",
            "The destination is there already, but it is not a folder.",
            where=str(destination),
            todo="Name a folder after --to, or one that does not exist yet.",
        )
    return True
