"""Files of a folder of our own making (the demo): created new, nothing overwritten."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from provpack.edge.commit import explain
from provpack.errors import DestinationProblem


class NewFolder:
    """A folder that did not exist before. Raises DestinationProblem when it did."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            path.mkdir(parents=True)
        except FileExistsError:
            raise DestinationProblem(
                "folder-exists",
                "The folder exists already, and nothing in it is overwritten.",
                where=str(path),
                todo="Name a folder that does not exist yet.",
            ) from None
        except OSError as err:
            raise explain(err, path, "create the folder") from None

    def below(self, name: str) -> Callable[[str, Iterable[bytes]], None]:
        """A writer of new files in a sub-folder: relative name (`/`-separated), bytes in pieces."""

        def write(relative: str, pieces: Iterable[bytes]) -> None:
            target = self.path / name / relative
            try:
                target.parent.mkdir(parents=True, exist_ok=True)
                with target.open("xb") as file:
                    for piece in pieces:
                        file.write(piece)
            except OSError as err:
                raise explain(err, target, "write the file") from None

        return write
