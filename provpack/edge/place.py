"""Where a bag lies: in a folder, or in an archive that is read in place. Both answer the same questions."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import BinaryIO, Protocol

from provpack.edge.reading import FileSource
from provpack.edge.tree import list_tree, open_regular
from provpack.findings import Finding
from provpack.package.bagpaths import Listing


class PlacedFile(Protocol):
    """One regular file of a bag, open for reading: a byte source, and a stream for digests."""

    @property
    def size(self) -> int:
        """Length in bytes when it was opened."""
        ...

    @property
    def stream(self) -> BinaryIO:
        """The file from its beginning, for one reader. A file of its own has a fileno()."""
        ...

    def read_at(self, offset: int, length: int) -> bytes:
        """Up to length bytes from offset, fewer at the end. Raises OSError."""
        ...

    def held_still(self) -> bool:
        """Whether nobody wrote to the file, or the archive around it, since it was opened. Raises OSError."""
        ...

    def objection(self) -> str | None:
        """What is wrong with the file apart from its digests, once the stream was read to its end."""
        ...


class Place(Protocol):
    """A bag as a set of named files, read-only. Several files may be open at once, also in threads."""

    @property
    def shown(self) -> str:
        """What a person calls it: the path of the folder or archive file, or its address elsewhere."""
        ...

    @property
    def local(self) -> Path | None:
        """The folder or archive file on a file system of this machine; None for what lies elsewhere."""
        ...

    @property
    def name(self) -> str:
        """Name of the bag's base directory."""
        ...

    @property
    def serialisation(self) -> str | None:
        """Media type of the archive, None for a folder."""
        ...

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is wrong with the archive as such."""
        ...

    def listing(self) -> Listing | None:
        """Everything in it, paths from the base directory; None when nothing can be said of the bag."""
        ...

    def open(self, path: str) -> AbstractContextManager[PlacedFile]:
        """Open a regular file. Raises CouldNotCheck."""
        ...

    def close(self) -> None:
        """Let go of what is held open."""
        ...


class FolderPlace:
    """A bag in a folder."""

    serialisation: str | None = None
    findings: tuple[Finding, ...] = ()

    def __init__(self, root: Path) -> None:
        self.shown = str(root)
        self.local: Path | None = root
        self.root = root
        self.name = _base_name(root)

    def listing(self) -> Listing | None:
        return list_tree(self.root)

    @contextlib.contextmanager
    def open(self, path: str) -> Iterator[PlacedFile]:
        with open_regular(self.root, path) as file:
            yield FileSource(file)

    def close(self) -> None:
        """Nothing is held open."""


def _base_name(root: Path) -> str:
    """The folder's own name, also for `.` and `..`."""
    if root.name not in ("", "..", "."):
        return root.name
    try:
        return root.resolve().name
    except (OSError, RuntimeError):
        return ""
