"""Write one archive, front to end, through the commit port. Nothing is read back, no member is read twice.

Every byte written also goes to the sinks, so a digest of the whole archive costs no second read.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence

from provpack.edge.commit import Writer
from provpack.errors import Bug, CouldNotCheck
from provpack.measure.digests import Buffer
from provpack.measure.fanout import Sink
from provpack.package.archivebytes import (
    ZIP_CRC_FIRST,
    Form,
    ZipEntry,
    new_folders,
    tar_header,
    tar_padding,
    tar_trailer,
    zip_central,
    zip_descriptor,
    zip_end,
    zip_local,
    zip_name,
)
from provpack.package.bagpaths import readable


class ArchiveMaker:
    """Writes one archive with one top directory; `size` is the bytes written so far.

    The caller sorts the paths: the archive keeps their order. Folders are entered before their first file.
    """

    def __init__(self, writer: Writer, form: Form, top: str, *, sinks: Sequence[Sink] = ()) -> None:
        if "/" in _checked(top):
            raise _slip("The top directory is one name.", top)
        self._writer = writer
        self._form: Form = form
        self._top = top
        self._sinks = tuple(sinks)
        self._folders: dict[str, None] = {}
        self._files: set[str] = set()
        self._entries: list[ZipEntry] = []
        self._closed = False
        self.size = 0

    def add(self, path: str, size: int, parts: Iterable[Buffer]) -> None:
        """Append the file at path (relative to the top directory), whose parts together have size bytes.

        Raises CouldNotCheck (code changed) when they have not; the archive is then of no use.
        """
        if self._closed or path in self._files:
            raise Bug(
                "archive-order", "A file was added twice, or too late.", where=path, todo="Report this."
            )
        self._files.add(_checked(path))
        whole = f"{self._top}/{path}"
        for folder in new_folders(whole, self._folders):
            self._folders[folder] = None
            self._folder(folder)
        if self._form == "tar":
            self._put(tar_header(whole, size))
            self._put_all(path, size, parts)
            self._put(bytes(tar_padding(size)))
        else:
            self._add_zip(whole, path, size, parts)

    def close(self) -> None:
        """Write what stands at the end. The writer is left open, neither synced nor closed."""
        if self._closed:
            return
        self._closed = True
        if not self._folders:
            self._folder(f"{self._top}/")
        if self._form == "tar":
            self._put(tar_trailer(self.size))
            return
        start = self.size
        for entry in self._entries:
            self._put(zip_central(entry))
        self._put(zip_end(len(self._entries), start, self.size - start))

    def _folder(self, name: str) -> None:
        if self._form == "tar":
            self._put(tar_header(name, 0, folder=True))
            return
        entry = ZipEntry(name=zip_name(name), size=0, crc=0, offset=self.size, folder=True)
        self._entries.append(entry)
        self._put(zip_local(entry))

    def _add_zip(self, whole: str, path: str, size: int, parts: Iterable[Buffer]) -> None:
        name, offset, crc = zip_name(whole), self.size, 0
        if size <= ZIP_CRC_FIRST:
            held = [bytes(part) for part in _measured(path, size, parts)]
            for part in held:
                crc = zlib.crc32(part, crc)
            entry = ZipEntry(name=name, size=size, crc=crc, offset=offset)
            self._put(zip_local(entry))
            for part in held:
                self._put(part)
        else:
            self._put(zip_local(ZipEntry(name=name, size=size, crc=0, offset=offset)))
            crc = self._put_all(path, size, parts)
            entry = ZipEntry(name=name, size=size, crc=crc, offset=offset)
            self._put(zip_descriptor(entry))
        self._entries.append(entry)

    def _put_all(self, path: str, size: int, parts: Iterable[Buffer]) -> int:
        """Write every part; the CRC-32 of all of them (0 for tar, which has none)."""
        crc = 0
        for part in _measured(path, size, parts):
            if self._form == "zip":
                crc = zlib.crc32(part, crc)
            self._put(part)
        return crc

    def _put(self, data: Buffer) -> None:
        if not len(data):
            return
        self._writer.write(data)
        self.size += len(data)
        for sink in self._sinks:
            sink.feed(data)


def archive_size(form: Form, top: str, files: Sequence[tuple[str, int]]) -> int:
    """Bytes of the archive of these files (path relative to top, size), exactly, before one is written."""
    where = directory = count = 0
    for name, size, folder in _in_written_order(top, files):
        if form == "tar":
            where += len(tar_header(name, size, folder=folder)) + size + tar_padding(size)
            continue
        entry = ZipEntry(name=zip_name(name), size=size, crc=0, offset=where, folder=folder)
        where += len(zip_local(entry)) + size + len(zip_descriptor(entry))
        directory += len(zip_central(entry))
        count += 1
    if form == "tar":
        return where + len(tar_trailer(where))
    return where + directory + len(zip_end(count, where, directory))


def _in_written_order(top: str, files: Sequence[tuple[str, int]]) -> Iterable[tuple[str, int, bool]]:
    """(whole path, size, whether a folder): folders before their first file, files as given."""
    known: dict[str, None] = {}
    for path, size in files:
        for above in new_folders(f"{top}/{path}", known):
            known[above] = None
            yield above, 0, True
        yield f"{top}/{path}", size, False
    if not known:
        yield f"{top}/", 0, True


def _measured(path: str, size: int, parts: Iterable[Buffer]) -> Iterable[Buffer]:
    """The parts, which must have size bytes together."""
    left = size
    for part in parts:
        left -= len(part)
        if left < 0:
            break
        yield part
    if left:
        raise CouldNotCheck(
            "changed",
            f"The file has {'more' if left < 0 else 'fewer'} bytes than the {size} it was listed with.",
            where=readable(path),
            todo="Run it again when nothing else is writing to the folder; look at the disk's error log.",
        )


def _checked(path: str) -> str:
    """A plain relative path; a slip of ours otherwise."""
    if "\0" in path or any(part in ("", ".", "..") for part in path.split("/")):
        raise _slip("This is no plain relative path.", path)
    return path


def _slip(what: str, path: str) -> Bug:
    return Bug("archive-maker", what, where=readable(path), todo="Report this.")
