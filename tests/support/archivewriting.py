"""Writers that only keep, or only count, and packages put into archives by our own writer."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Literal

from provpack.edge.archivewrite import ArchiveMaker, archive_size
from provpack.measure.digests import Buffer
from provpack.measure.fanout import Sink

Form = Literal["tar", "zip"]


class Kept:
    """A writer into memory."""

    def __init__(self) -> None:
        self.data = bytearray()

    def write(self, data: Buffer) -> None:
        self.data += data

    def sync(self) -> None:
        raise AssertionError("the maker does not sync")

    def close(self) -> None:
        raise AssertionError("the maker does not close")


class Sparse(Kept):
    """A writer into a sparse file: runs of zeros become holes."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._file = path.open("wb")
        self.size = 0

    def write(self, data: Buffer) -> None:
        if len(data) < 4096 or any(bytes(data[:4096])):
            self._file.seek(self.size)
            self._file.write(data)
        self.size += len(data)

    def finish(self) -> None:
        self._file.truncate(self.size)
        self._file.close()


def zeros(size: int, piece: int = 64 * 1024 * 1024) -> Iterator[Buffer]:
    """That many zero bytes, from one buffer."""
    buffer = memoryview(bytes(min(size, piece)))
    for at in range(0, size, piece):
        yield buffer[: min(piece, size - at)]


def made(
    form: Form,
    top: str,
    files: Iterable[tuple[str, bytes]],
    *,
    sinks: Sequence[Sink] = (),
    piece: int = 50_000,
) -> bytes:
    """The archive of these files, in pieces; its size was known before."""
    listed, writer = list(files), Kept()
    maker = ArchiveMaker(writer, form, top, sinks=sinks)
    for path, data in listed:
        maker.add(path, len(data), (data[n : n + piece] for n in range(0, len(data), piece)))
    maker.close()
    assert len(writer.data) == maker.size == archive_size(form, top, [(p, len(d)) for p, d in listed])
    return bytes(writer.data)


def files_of(root: Path) -> list[tuple[str, bytes]]:
    """(path from the root, bytes), sorted by path."""
    files = [p for p in root.rglob("*") if p.is_file()]
    return sorted((p.relative_to(root).as_posix(), p.read_bytes()) for p in files)


def packed(root: Path, form: Form, into: Path) -> Path:
    """The package at root as `<into>/<name>.<form>`."""
    path = into / f"{root.name}.{form}"
    path.write_bytes(made(form, root.name, files_of(root)))
    return path
