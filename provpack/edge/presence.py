"""Whether a package that was known at a path still lies there. Nothing is followed, nothing is read."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from pathlib import Path
from typing import Literal

from provpack.edge.tree import is_bag, reason

Absence = tuple[Literal["nothing", "file", "no-package", "unreadable", "impossible"], str]
"""Why there is none, and the same as a sentence."""


def absence(path: Path, *, archive: bool = False) -> Absence | None:
    """Why no package lies at this path, None when one does. archive: one in an archive file, not unpacked.

    A link is no package: what it leads to lies elsewhere. Raises nothing.
    """
    try:
        mode = os.lstat(path).st_mode
        if stat.S_ISLNK(mode):
            return "no-package", "A symbolic link stands there, and no package."
        if archive:
            return None if stat.S_ISREG(mode) else ("no-package", "No archive file stands there any more.")
        if not stat.S_ISDIR(mode):
            return "file", "A file stands there, and no package."
        if _is_file(path / "bagit.txt") or is_bag(names := _names(path)):
            return None
    except (FileNotFoundError, NotADirectoryError):
        return "nothing", "There is nothing at this path."
    except (OSError, ValueError) as err:
        if isinstance(err, OSError) and err.errno != errno.ENAMETOOLONG:
            return "unreadable", f"The path cannot be looked at: {reason(err)}."
        return "impossible", "There can be no such path here."
    return "no-package", f"{'A' if names else 'An empty'} folder stands there, and no package is in it."


def package_around(path: Path) -> Path | None:
    """The package folder in which this path lies, or to which a link there leads; None when there is none.

    Raises nothing; a folder that cannot be read is none.
    """
    for real in (Path(os.path.realpath(path)), Path(os.path.realpath(path.parent)) / path.name):
        for folder in real.parents:
            with contextlib.suppress(OSError, ValueError):
                if _is_file(folder / "bagit.txt") or is_bag(_names(folder)):
                    return folder
    return None


def _names(folder: Path) -> set[str]:
    """Raises OSError."""
    with os.scandir(folder) as scan:
        return {item.name for item in scan}


def _is_file(path: Path) -> bool:
    """Raises OSError, but not when it is not there."""
    try:
        return stat.S_ISREG(os.lstat(path).st_mode)
    except FileNotFoundError:
        return False
