"""Operating-system calls of this process that fail at a chosen one of their number, below a folder."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

WRITING = ("open", "write", "fsync", "mkdir", "rename", "replace", "link", "ftruncate")


def path_of(target: Any) -> str:
    """The path a call is about, given as path or as open file."""
    if isinstance(target, int):
        try:
            return str(Path(f"/proc/self/fd/{target}").readlink())
        except OSError:
            return ""
    return os.fsdecode(target)


@dataclass
class Faults:
    """Which calls were made, and which one fails: number `at` (from 1), with errno `number`. lasting: all
    that write after it fail too, as on a disk that stays full; what only frees room never does."""

    root: Path
    at: int = 0
    number: int = 0
    lasting: bool = False
    log: list[str] = field(default_factory=list)

    def call(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def called(*args: Any, **named: Any) -> Any:
            path = path_of(args[0])
            if name == "open" and not args[1] & (os.O_CREAT | os.O_TRUNC):
                return real(*args, **named)
            if path.startswith(f"{self.root}{os.sep}") or path == str(self.root):
                self.log.append(f"{name} {path.removeprefix(str(self.root))}")
                count = len(self.log)
                if self.at and (
                    count == self.at or (self.lasting and count > self.at and name != "ftruncate")
                ):
                    raise OSError(self.number, os.strerror(self.number))
            return real(*args, **named)

        return called


@contextmanager
def faults(
    root: Path, *, at: int = 0, number: int = 0, lasting: bool = False, calls: tuple[str, ...] = WRITING
) -> Iterator[Faults]:
    """Inside the block the calls below the folder are counted, and fail as told."""
    made = Faults(root, at, number, lasting)
    real = {name: getattr(os, name) for name in calls}
    try:
        for name, call in real.items():
            setattr(os, name, made.call(name, call))
        yield made
    finally:
        for name, call in real.items():
            setattr(os, name, call)
