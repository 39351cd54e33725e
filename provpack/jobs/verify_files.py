"""Read the files of one bag for their digests, several at a time, and notice when one changes meanwhile."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

from provpack.edge.hashing import hashlib_name
from provpack.edge.place import Place
from provpack.edge.reading import changed, read_digests
from provpack.errors import CouldNotCheck
from provpack.findings import Finding
from provpack.package import archiverules, rules
from provpack.package.bagcheck import Task
from provpack.package.bagpaths import position, readable

GAIN = 1.5
"""Time of SHA-512 and SHA-256 in turn against both on a thread each (measured: 1.5 to 1.55)."""


class Stopped(BaseException):
    """The run was interrupted; no result is made of what was read so far."""


@dataclass(slots=True)
class Hands:
    """What the threads that read one package share: how many they may be, who is told of bytes, the stop
    sign. is_alone: whether no other package is being read meanwhile."""

    workers: int
    told: Callable[[int], None]
    is_alone: Callable[[], bool]
    stop: threading.Event = field(default_factory=threading.Event)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def tell(self, amount: int) -> None:
        """Bytes were read. Raises Stopped after an interrupt."""
        if self.stop.is_set():
            raise Stopped
        with self._lock:
            self.told(amount)

    @property
    def alone(self) -> bool:
        """No other package is being read: this one may use every processor."""
        return self.is_alone()


@dataclass(slots=True)
class Reading:
    """Digests by path of what was read, and what could not be."""

    digests: dict[str, dict[str, str]] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    bytes_read: int = 0


def as_finding(err: CouldNotCheck, path: str) -> Finding:
    """The error as a finding about that file."""
    rule = {
        "changed": rules.CHANGED, "too-large": rules.TOO_LARGE, "broken": archiverules.DATA,
    }.get(err.code, rules.UNREADABLE)  # fmt: skip
    return rule.found(f"{readable(path)!r}: {err.what}", readable(path), position=position(path))


def read_all(place: Place, tasks: Sequence[Task], hands: Hands) -> Reading:
    """Digests of every task's file, with the algorithms expected of it.

    With the machine to itself, the few largest files are read one by one with their digests shared between
    threads, the rest several at a time with their digests in turn, whichever ends sooner. Otherwise one by
    one.
    """
    reading = Reading()
    lock = threading.Lock()

    def one(task: Task, threads: bool) -> None:
        # in one order always: findings follow it, and must not differ from process to process
        algorithms = sorted({e.algorithm for e in task.expected if hashlib_name(e.algorithm)})
        if not algorithms:
            return
        try:
            digests, count, against = read_digests(
                place, task.path, algorithms, threads=threads, told=hands.tell
            )
            if count != task.size:
                raise changed(task.path)
        except CouldNotCheck as err:
            with lock:
                reading.findings.append(as_finding(err, task.path))
            return
        with lock:
            reading.digests[task.path] = digests
            reading.bytes_read += count
            if against is not None:
                what = f"{readable(task.path)!r}: {against}."
                reading.findings.append(
                    archiverules.DATA.found(what, readable(task.path), position=position(task.path))
                )

    if not hands.alone or hands.workers < 2:
        for task in tasks:
            one(task, hands.alone)
        reading.findings.sort(key=lambda f: f.where)
        return reading
    by_size = sorted(tasks, key=lambda task: task.size, reverse=True)
    first = whole_machine_first([task.size for task in by_size], hands.workers)
    for task in by_size[:first]:
        one(task, True)
    _side_by_side([partial(one, task, False) for task in by_size[first:]], hands)
    reading.findings.sort(key=lambda f: f.where)
    return reading


def _side_by_side(works: Sequence[Callable[[], None]], hands: Hands) -> None:
    """Do all, several at a time; the first error is raised and stops the others.

    On threads that do not keep the program from ending: one may be stuck in a read for ever, and an executor
    would wait for it at exit.
    """
    waiting: deque[Callable[[], None]] = deque(works)
    errors: list[BaseException] = []

    def lane() -> None:
        try:
            while not errors:
                try:
                    work = waiting.popleft()
                except IndexError:
                    return
                work()
        except BaseException as err:
            errors.append(err)
            hands.stop.set()

    lanes = [
        threading.Thread(target=lane, name="provpack-read", daemon=True)
        for _ in range(min(hands.workers, len(works)))
    ]
    for thread in lanes:
        thread.start()
    for thread in lanes:
        thread.join()
    if errors:
        raise errors[0]


def whole_machine_first(sizes: Sequence[int], workers: int) -> int:
    """How many of the files, largest first, to read alone with the whole machine, for the least total time.

    sizes in bytes, descending. Reading alone takes 1 per byte, side by side GAIN per byte on each worker.
    """
    tries = min(len(sizes), 8)
    best, best_time = 0, float("inf")
    for first in range(tries + 1):
        loads = [0] * workers
        for size in sizes[first : first + 64]:
            loads[loads.index(min(loads))] += size
        rest = sum(sizes[first + 64 :]) / workers
        total = sum(sizes[:first]) + GAIN * (max(loads) + rest)
        if total < best_time:
            best, best_time = first, total
    return best
