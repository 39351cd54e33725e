"""A real file system watched from outside: what a power cut may leave at each moment of a real command.

Every call of the program that changes something, or syncs it, is noted together with what then lies below a
folder. A power cut at such a moment may lose or keep each unsynced thing independently of every other: the
data of a file page by page, each entry of a folder (a name made, renamed, removed). POSIX promises no more
(fsync, rename: no order between files and folders without a sync). Nothing of the program's own ports is
replaced, so that what bypasses them is seen too. What SQLite writes is seen when Python syncs it.
"""

from __future__ import annotations

import os
import random
import stat
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

PAGE = 4096
_CALLS = (
    "open", "write", "pwrite", "fsync", "fdatasync", "ftruncate", "truncate", "rename", "replace", "mkdir",
    "unlink", "remove", "rmdir", "link",
)  # fmt: skip
_CHANGES = os.O_CREAT | os.O_TRUNC


@dataclass(frozen=True)
class Moment:
    """What lay there before a call, and what of it was safe.

    names: per folder the values each name had since the folder's last sync (None: not there), the first is
    the safe one. data: per file what is safe of it (None: nothing) and what was written. said: how often the
    program had acknowledged something until then.
    """

    what: str
    top: int
    names: dict[int, dict[str, tuple[int | None, ...]]]
    data: dict[int, tuple[bytes | None, bytes]]
    said: int = 0

    @property
    def certain(self) -> bool:
        """Whether a power cut here would lose nothing."""
        every = (v for names in self.names.values() for v in names.values())
        return all(len(v) == 1 for v in every) and all(a == b for a, b in self.data.values())

    def after(self, target: Path, choose: Callable[[int], int]) -> Path:
        """Write into a new folder what the restart may find. choose(n): a number below n for each open
        question; 0 always takes what is safe, n - 1 what was there last."""
        self._restore(self.top, target, choose)
        return target

    def _restore(self, folder: int, target: Path, choose: Callable[[int], int]) -> None:
        target.mkdir()
        for name, values in sorted(self.names[folder].items()):
            kept = values[choose(len(values))] if len(values) > 1 else values[0]
            if kept is None:
                continue
            if kept in self.names:
                self._restore(kept, target / name, choose)
            else:
                (target / name).write_bytes(_mixed(*self.data[kept], choose))


def _mixed(safe: bytes | None, live: bytes, choose: Callable[[int], int]) -> bytes:
    """Each unsynced page old, new, or (beyond what was safe) zeros; the length old, new or between."""
    old = safe or b""
    if old == live:
        return live
    first, last = sorted((len(old), len(live)))
    between = {at for at in range(first // PAGE * PAGE, last, PAGE) if at > first}
    sizes = sorted({first, (first + last) // 2, *between, last}, reverse=len(live) < len(old))
    size = sizes[choose(len(sizes))]
    out = bytearray()
    for at in range(0, size, PAGE):
        end = min(at + PAGE, size)
        one, other = (part[at:end].ljust(end - at, b"\0") for part in (old, live))
        out += one if one == other else (one, other)[choose(2)]
    return bytes(out)


def lost(_many: int) -> int:
    """Whatever is not safe is lost."""
    return 0


def kept(many: int) -> int:
    """Nothing is lost."""
    return many - 1


def diced(dice: random.Random) -> Callable[[int], int]:
    """Each thing at random."""
    return dice.randrange


@dataclass
class Watch:
    """Notes a moment before each changing call, and one at the end. Use watching()."""

    root: Path
    moments: list[Moment] = field(default_factory=list)
    said: int = 0
    _names: dict[int, dict[str, list[int | None]]] = field(default_factory=dict)
    _safe: dict[int, bytes | None] = field(default_factory=dict)
    _held: dict[int, int] = field(default_factory=dict)
    _real: dict[str, Callable[..., Any]] = field(default_factory=dict)
    _lock: threading.RLock = field(default_factory=threading.RLock)

    def acknowledged(self) -> None:
        """The program said that something is done: from now on it must survive."""
        with self._lock:
            self.said += 1
            self.note(f"acknowledged {self.said}")

    def note(self, what: str) -> None:
        """Look at everything below the root; remember it when anything changed."""
        live: dict[int, dict[str, int]] = {}
        data: dict[int, tuple[bytes | None, bytes]] = {}
        top = self._scan(self.root, live, data)
        for folder, there in live.items():
            values = self._names[folder]
            for name in {*values, *there}:
                past = values.setdefault(name, [None])
                if past[-1] != there.get(name):
                    past.append(there.get(name))
        frozen = {
            folder: {name: tuple(v) for name, v in names.items() if v != [None]}
            for folder, names in self._names.items()
        }
        known = {i for names in frozen.values() for v in names.values() for i in v if i is not None}
        for node in known - set(data) - set(live) - set(frozen):
            data[node] = (
                self._safe.get(node),
                self._read(node),
            )  # no longer named, but a cut may bring it back
        moment = Moment(what=what, top=top, names=frozen, data=data, said=self.said)
        last = self.moments[-1] if self.moments else None
        if last is None or (last.names, last.data, last.said) != (moment.names, moment.data, moment.said):
            self.moments.append(moment)

    def _scan(
        self, folder: Path, live: dict[int, dict[str, int]], data: dict[int, tuple[bytes | None, bytes]]
    ) -> int:
        number = self._known(folder)
        there = live[number] = {}
        self._names.setdefault(number, {})
        for name in os.listdir(folder):  # noqa: PTH208 - names only
            path = folder / name
            if stat.S_ISDIR(path.lstat().st_mode):
                there[name] = self._scan(path, live, data)
            else:
                node = there[name] = self._known(path)
                data[node] = (self._safe.get(node), self._read(node))
        return number

    def _known(self, path: Path) -> int:
        """The number of a file or folder, kept open so that the number is not used again."""
        node = path.lstat().st_ino
        if node not in self._held:
            self._held[node] = self._real["open"](path, os.O_RDONLY)
        return node

    def _read(self, node: int) -> bytes:
        fd = self._held[node]
        return os.pread(fd, os.fstat(fd).st_size, 0)

    def begin(self) -> None:
        """What lies there already is safe."""
        self.note("before")
        self.moments.clear()
        for names in self._names.values():
            for name, values in names.items():
                names[name] = values[-1:]
        for node in self._held:
            if node not in self._names:
                self._safe[node] = self._read(node)
        self.note("before")

    def synced(self, fd: int) -> None:
        """A sync came back."""
        node = os.fstat(fd).st_ino
        if node not in self._held:
            return  # not below the root, or gone again
        if node in self._names:
            self.note("")
            for name, values in self._names[node].items():
                self._names[node][name] = values[-1:]
        else:
            self._safe[node] = self._read(node)

    def close(self) -> None:
        for fd in self._held.values():
            os.close(fd)

    def watched(self, name: str) -> Callable[..., Any]:
        """The call, noted before it is carried out."""
        real = self._real[name] = getattr(os, name)

        def call(*args: Any, **named: Any) -> Any:
            if name == "open" and not args[1] & _CHANGES:
                return real(*args, **named)
            with self._lock:
                self.note(f"{name} {args[0]}")
                result = real(*args, **named)
                if name in ("fsync", "fdatasync"):
                    self.note("")
                    self.synced(args[0])
                return result

        return call


@contextmanager
def watching(root: Path) -> Iterator[Watch]:
    """Inside the block every changing call of this process is watched below the folder."""
    watch = Watch(root)
    calls = {name: watch.watched(name) for name in _CALLS}
    watch.begin()
    try:
        for name, call in calls.items():
            setattr(os, name, call)
        yield watch
        watch.note("end")
    finally:
        for name in _CALLS:
            setattr(os, name, watch._real[name])
        watch.close()


def states(
    moments: list[Moment], folder: Path, dice: random.Random, *, each: int
) -> Iterator[tuple[Moment, Path]]:
    """For each moment what a cut may leave: all that is not synced lost, nothing lost, `each` at random."""
    for n, moment in enumerate(moments):
        ways = [lost] if moment.certain else [lost, kept, *(diced(dice) for _ in range(each))]
        for m, choose in enumerate(ways):
            yield moment, moment.after(folder / f"{n}-{m}", choose)
