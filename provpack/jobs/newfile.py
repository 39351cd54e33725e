"""A new text file beside everything else: whole under its name or not there, never over anything, never
inside a package. Written piece by piece, so that a table of a million rows needs no memory."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from provpack.edge.commit import PARTIAL_PREFIX, Disk
from provpack.errors import DestinationProblem
from provpack.package.bagpaths import readable

_HIGHEST = 64  # folders above a destination that are looked at
_PIECE = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class NewFile:
    """target: where it will stand. mark: makes the name of the staging folder one of its own. option: how the
    command line names it."""

    target: Path
    disk: Disk
    mark: str
    option: str

    def refuse(self) -> None:
        """Raise DestinationProblem for a place that will not do, before anything else is begun."""
        if self.disk.exists(self.target):
            raise DestinationProblem(
                "file-exists", "Something of this name exists already, and nothing is overwritten.",
                where=readable(str(self.target)),
                todo=f"Name a file that does not exist yet with {self.option}, or move the old one away.",
            )  # fmt: skip
        if self.disk.exists(self.target.parent) and not self.disk.is_folder(self.target.parent):
            raise DestinationProblem(
                "destination-not-a-folder", "This is a file, and a folder is needed.",
                where=readable(str(self.target.parent)),
                todo=f"Name a folder with {self.option}, or a path in one.",
            )  # fmt: skip
        if not self.disk.is_folder(self.target.parent):
            raise DestinationProblem(
                "no-such-folder", "The folder for the file does not exist.",
                where=readable(str(self.target.parent)),
                todo=f"Create it, or name another one with {self.option}.",
            )  # fmt: skip
        real = Path(os.path.realpath(self.target.parent))
        for folder in (real, *list(real.parents)[:_HIGHEST]):
            if self.disk.exists(folder / "bagit.txt"):
                raise DestinationProblem(
                    "destination-in-package", "The file would be written into a package.",
                    where=readable(str(folder)),
                    todo="Name a file outside it: a sealed package is never written into.",
                )  # fmt: skip

    def write(self, pieces: Iterable[str]) -> None:
        """Write as UTF-8, sync, rename; what was begun is taken away on any error."""
        stage = self.target.parent / f"{PARTIAL_PREFIX}{self.mark}"
        try:
            self.disk.make_folder(stage)
            writer = self.disk.create(stage / self.target.name)
            try:
                held = bytearray()
                for piece in pieces:
                    held += piece.encode("utf-8", "backslashreplace")
                    if len(held) >= _PIECE:
                        writer.write(held)
                        held = bytearray()
                writer.write(held)
                writer.sync()
            finally:
                writer.close()
            self.disk.rename(stage / self.target.name, self.target)
            self.disk.sync_folder(self.target.parent)
            self.disk.discard(stage)
        except BaseException:  # also a signal that came just when it was to be taken away
            self.disk.discard(stage)
            raise
