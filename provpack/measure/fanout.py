"""One read, many sinks: every digest and every measurement sees the very same bytes, once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from provpack.measure.digests import Buffer

Task = Callable[[], None]
RunAll = Callable[[Sequence[Task]], None]


class Sink(Protocol):
    """Takes consecutive bytes of one stream."""

    def feed(self, data: Buffer) -> None:
        """Take the next bytes; they must not be kept, the buffer is used again."""


def run_serially(tasks: Sequence[Task]) -> None:
    """The plain scheduler; the edge passes one that uses both cores (hashlib and numpy let go of the
    interpreter lock)."""
    for task in tasks:
        task()


class Fanout:
    """Feeds each buffer to every sink of a group and returns when all have taken it.

    Sinks are given heaviest first, so that a scheduler with two workers ends both at the same time.
    """

    def __init__(self, sinks: Sequence[Sink], run_all: RunAll = run_serially) -> None:
        self._sinks = tuple(sinks)
        self._run_all = run_all

    def feed(self, data: Buffer, extra: Sequence[Task] = ()) -> None:
        """Give data to every sink, and run extra tasks (such as the write of the copy) beside them."""
        view = memoryview(data)
        self._run_all([*(_feeder(s, view) for s in self._sinks), *extra])


def _feeder(sink: Sink, view: memoryview) -> Task:
    return lambda: sink.feed(view)
