"""Disks that fail: one that stops after N operations, one that loses what was not synced."""

from __future__ import annotations

import errno
import random
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from provpack.edge.commit import Disk, RealDisk, Writer, explain


class PowerCut(BaseException):
    """The machine stops here: not an Exception, so that no tidy-up code runs as if nothing had happened."""


class Meter:
    """Counts operations and stops at the one numbered `stop_at`, before it is carried out."""

    def __init__(self, stop_at: int | None = None, error: OSError | None = None) -> None:
        self.stop_at = stop_at
        self.error = error
        self.count = 0
        self.log: list[str] = []

    def tick(self, what: str) -> None:
        self.count += 1
        self.log.append(what)
        if self.stop_at is not None and self.count >= self.stop_at:
            if self.error is not None:
                raise explain(self.error, what, "write (made to fail)")
            raise PowerCut(what)


class _MeteredWriter:
    def __init__(self, inner: Writer, meter: Meter, name: str) -> None:
        self._inner, self._meter, self._name = inner, meter, name

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self._meter.tick(f"write {self._name}")
        self._inner.write(data)

    def sync(self) -> None:
        self._meter.tick(f"sync {self._name}")
        self._inner.sync()

    def close(self) -> None:
        self._inner.close()


class MeteredDisk:
    """Any disk, with every operation counted."""

    def __init__(self, inner: Disk, meter: Meter) -> None:
        self._inner, self._meter = inner, meter

    def exists(self, path: Path) -> bool:
        return self._inner.exists(path)

    def is_folder(self, path: Path) -> bool:
        return self._inner.is_folder(path)

    def make_folder(self, path: Path) -> None:
        self._meter.tick(f"mkdir {path.name}")
        self._inner.make_folder(path)

    def create(self, path: Path) -> Writer:
        self._meter.tick(f"create {path.name}")
        return _MeteredWriter(self._inner.create(path), self._meter, path.name)

    def sync_folder(self, path: Path) -> None:
        self._meter.tick(f"sync folder {path.name}")
        self._inner.sync_folder(path)

    def rename(self, old: Path, new: Path) -> None:
        self._meter.tick(f"rename to {new.name}")
        self._inner.rename(old, new)

    def discard(self, path: Path) -> None:
        if self._meter.stop_at is None or self._meter.count < self._meter.stop_at or self._meter.error:
            self._inner.discard(path)


@dataclass
class _File:
    live: bytearray = field(default_factory=bytearray)
    durable: bytes | None = None


@dataclass
class _Folder:
    live: dict[str, _File | _Folder] = field(default_factory=dict)
    durable: dict[str, _File | _Folder] = field(default_factory=dict)


class _MemoryWriter:
    def __init__(self, node: _File) -> None:
        self._node = node

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self._node.live += bytes(data)

    def sync(self) -> None:
        self._node.durable = bytes(self._node.live)

    def close(self) -> None:
        """Closing makes nothing durable."""


class LosingDisk:
    """A file system in memory that, at a power cut, may lose anything not synced: the bytes of a file
    without its sync, and the entries of a folder (names created, renamed) without the folder's sync.
    Each unsynced thing is lost or kept independently, as real file systems may do."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._top = _Folder()

    def _folder(self, path: Path) -> _Folder:
        node: _File | _Folder = self._top
        for part in path.relative_to(self._root).parts:
            assert isinstance(node, _Folder)
            node = node.live[part]
        assert isinstance(node, _Folder)
        return node

    def exists(self, path: Path) -> bool:
        try:
            return path == self._root or path.name in self._folder(path.parent).live
        except KeyError:
            return False

    def is_folder(self, path: Path) -> bool:
        return self.exists(path) and (
            path == self._root or isinstance(self._folder(path.parent).live[path.name], _Folder)
        )

    def make_folder(self, path: Path) -> None:
        parent = self._folder(path.parent)
        if path.name in parent.live:
            raise explain(OSError(errno.EEXIST, "exists"), path, "create the folder")
        parent.live[path.name] = _Folder()

    def create(self, path: Path) -> Writer:
        parent = self._folder(path.parent)
        assert path.name not in parent.live
        node = _File()
        parent.live[path.name] = node
        return _MemoryWriter(node)

    def sync_folder(self, path: Path) -> None:
        folder = self._folder(path)
        folder.durable = dict(folder.live)

    def rename(self, old: Path, new: Path) -> None:
        source, target = self._folder(old.parent), self._folder(new.parent)
        assert new.name not in target.live
        target.live[new.name] = source.live.pop(old.name)

    def discard(self, path: Path) -> None:
        self._folder(path.parent).live.pop(path.name, None)

    def after_power_cut(self, target: Path, dice: random.Random) -> None:
        """Write what a machine might find after the restart into the (real) folder target."""
        self._restore(self._top, target, dice)

    def _restore(self, folder: _Folder, target: Path, dice: random.Random) -> None:
        target.mkdir(exist_ok=True)
        for name in sorted({*folder.live, *folder.durable}):
            old, new = folder.durable.get(name), folder.live.get(name)
            node = old if old is new else dice.choice([old, new])
            if isinstance(node, _Folder):
                self._restore(node, target / name, dice)
            elif isinstance(node, _File):
                live = bytes(node.live)
                if node.durable == live or dice.random() < 0.5:
                    data = node.durable or b""
                else:
                    data = live[: dice.randint(len(node.durable or b""), len(live))]
                (target / name).write_bytes(data)


@contextmanager
def stopped(
    disk: Disk | None = None, at: int | None = None, error: OSError | None = None
) -> Iterator[tuple[MeteredDisk, Meter]]:
    """A metered disk; a power cut inside the block ends the block quietly."""
    meter = Meter(at, error)
    with suppress(PowerCut):
        yield MeteredDisk(disk or RealDisk(), meter), meter
