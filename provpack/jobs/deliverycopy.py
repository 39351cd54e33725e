"""Copy a package into a delivery, or into an archive there: every byte read once, checked on the way.

The digests of the manifests are computed from the very bytes that are written, so a package that was damaged
at home is noticed before it leaves, and no second read is needed to know that what leaves is what was sealed.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path, PurePosixPath
from typing import BinaryIO, Literal, Protocol

from provpack.edge.archivewrite import ArchiveMaker
from provpack.edge.commit import PARTIAL_PREFIX, Disk
from provpack.edge.hashing import hashlib_name
from provpack.edge.reading import changed
from provpack.edge.tree import open_regular, reason
from provpack.errors import CouldNotCheck
from provpack.findings import Finding
from provpack.jobs import deliveryrules as rules
from provpack.jobs.deliverylook import Looked
from provpack.jobs.verify_files import as_finding
from provpack.measure.digests import DigestSink
from provpack.package import layout
from provpack.package.bagcheck import Expected, Task, check_fixity
from provpack.package.bagpaths import position, readable

PIECE = 1024 * 1024
"""Bytes per read; as large as what a buffer of the page cache is read ahead by."""

_AHEAD = 6
"""Pieces that may wait for their digest."""

Form = Literal["folder", "tar", "zip"]
FORMS: tuple[Form, ...] = ("folder", "tar", "zip")
KEPT_REPORT = 64 * 1024 * 1024


class Lane:
    """Work carried out in order on a thread of its own, a few pieces behind at most."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="provpack-digest")
        self._waiting: deque[Future[None]] = deque()

    def put(self, sink: DigestSink, data: bytes) -> None:
        if len(self._waiting) >= _AHEAD:
            self._waiting.popleft().result()
        self._waiting.append(self._pool.submit(sink.feed, data))

    def drain(self) -> None:
        while self._waiting:
            self._waiting.popleft().result()

    def close(self) -> None:
        self._pool.shutdown(cancel_futures=True)


class Target(Protocol):
    """Where one package goes."""

    def add(self, path: str, size: int, parts: Iterator[bytes]) -> None: ...
    def finish(self) -> str | None:
        """Sync everything; returns the SHA-512 of the archive, None for a folder."""

    def abandon(self) -> None: ...


class FolderTarget:
    """A package folder written file by file."""

    def __init__(self, disk: Disk, folder: Path) -> None:
        self._disk, self._folder = disk, folder
        self._folders: list[PurePosixPath] = []
        disk.make_folder(folder)

    def add(self, path: str, size: int, parts: Iterator[bytes]) -> None:
        for parent in reversed(PurePosixPath(path).parents[:-1]):
            if parent not in self._folders:
                self._disk.make_folder(self._folder / parent)
                self._folders.append(parent)
        writer = self._disk.create(self._folder / path)
        try:
            for part in parts:
                writer.write(part)
            writer.sync()
        finally:
            writer.close()

    def finish(self) -> str | None:
        for folder in sorted(self._folders, key=lambda f: len(f.parts), reverse=True):
            self._disk.sync_folder(self._folder / folder)
        self._disk.sync_folder(self._folder)
        return None

    def abandon(self) -> None:
        """Nothing is open; the folder is discarded by whoever made it."""


class ArchiveTarget:
    """A package as one archive, its SHA-512 computed while it is written."""

    def __init__(self, disk: Disk, path: Path, form: Literal["tar", "zip"], top: str) -> None:
        self._writer = disk.create(path)
        self._sink = DigestSink("sha512")
        self._maker = ArchiveMaker(self._writer, form, top, sinks=[self._sink])

    def add(self, path: str, size: int, parts: Iterator[bytes]) -> None:
        self._maker.add(path, size, parts)

    def finish(self) -> str | None:
        self._maker.close()
        self._writer.sync()
        self._writer.close()
        return self._sink.finish().hexdigest

    def abandon(self) -> None:
        self._writer.close()


class Copier:
    """Copies packages one after the other; close() ends its threads."""

    def __init__(self, disk: Disk, told: Callable[[int], None]) -> None:
        self._disk, self._told = disk, told
        self._lanes = {"sha512": Lane(), "sha256": Lane()}
        self.report: bytes | None = None
        """The page of the package copied last."""

    def close(self) -> None:
        for lane in self._lanes.values():
            lane.close()

    def copy(
        self, looked: Looked, packages: Path, form: Form, place: str
    ) -> tuple[str | None, list[Finding]]:
        """(SHA-512 of the archive, findings) of the package as it was copied to packages/place.

        With an error among the findings nothing is there. Raises what the destination raises.
        """
        stage = packages / f"{PARTIAL_PREFIX}{looked.name}"
        found: list[Finding] = []
        self.report = None
        target: Target | None = None
        try:
            self._disk.make_folder(stage)
            target = self._target(stage / place, form, looked.name)
            expected = looked.expected()
            try:
                for path, size in sorted(looked.files.items(), key=lambda item: item[0].encode()):
                    self._one(looked, path, size, expected.get(path, ()), target, found)
            except CouldNotCheck as err:
                found.append(as_finding(err, err.where))
            if any(f.severity == "error" for f in found):
                target.abandon()
                self._disk.discard(stage)
                return None, found
            digest = target.finish()
            self._disk.sync_folder(stage)
            self._disk.rename(stage / place, packages / place)
        except BaseException:
            if target is not None:
                target.abandon()
            raise
        self._disk.discard(stage)
        return digest, found

    def _target(self, path: Path, form: Form, top: str) -> Target:
        if form == "folder":
            return FolderTarget(self._disk, path)
        return ArchiveTarget(self._disk, path, form, top)

    def _one(
        self, looked: Looked, path: str, size: int, expected: tuple[Expected, ...], target: Target,
        found: list[Finding],
    ) -> None:  # fmt: skip
        """Copy one file and compare it; a difference is found, and the copying of the rest goes on."""
        wanted = {"sha512"} | {e.algorithm for e in expected if hashlib_name(e.algorithm)}
        sinks = {name: DigestSink(hashlib_name(name) or name) for name in sorted(wanted)}
        kept: list[bytes] | None = [] if path == layout.REPORT and size <= KEPT_REPORT else None
        with open_regular(looked.root, path) as file:
            target.add(path, size, self._parts(file, path, size, sinks, kept))
        self._drain()
        digests = {name: sink.finish().hexdigest for name, sink in sinks.items()}
        found += check_fixity(Task(path=path, size=size, expected=expected), digests)
        before = looked.read.get(path)
        if before is not None and before != digests["sha512"]:
            what = f"'{readable(path)}' is not what it was a moment ago."
            found.append(rules.CHANGED.found(what, readable(path), position=position(path)))
        if kept is not None:
            self.report = b"".join(kept)

    def _parts(
        self, file: BinaryIO, path: str, size: int, sinks: dict[str, DigestSink], kept: list[bytes] | None
    ) -> Iterator[bytes]:
        """The pieces of a file, digested beside whatever is done with them. Raises CouldNotCheck."""
        done = 0
        try:
            before = os.fstat(file.fileno())
            while part := file.read(min(PIECE, size - done + 1)):
                done += len(part)
                if done > size:
                    raise changed(path)
                for name, sink in sinks.items():
                    if size < PIECE or name not in self._lanes:
                        sink.feed(part)
                    else:
                        self._lanes[name].put(sink, part)
                if kept is not None:
                    kept.append(part)
                self._told(len(part))
                yield part
            after = os.fstat(file.fileno())
        except OSError as err:
            raise CouldNotCheck(
                "unreadable", f"Reading stopped after {done} bytes: {reason(err)}.", where=readable(path),
                todo="Look at cables and the disk's own error log, then check again.",
            ) from None  # fmt: skip
        if done != size or before.st_mtime_ns != after.st_mtime_ns:
            raise changed(path)

    def _drain(self) -> None:
        for lane in self._lanes.values():
            lane.drain()
