"""Read the files of one bag for their digests, several at a time, and notice when one changes meanwhile."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

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
    """What the threads of one run share: how many packages are left, who is told of bytes, the stop sign."""

    workers: int
    told: Callable[[int], None]
    units_left: int
    stop: threading.Event = field(default_factory=threading.Event)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def tell(self, amount: int) -> None:
        """Bytes were read. Raises Stopped after an interrupt."""
        if self.stop.is_set():
            raise Stopped
        with self._lock:
            self.told(amount)

    def unit_done(self) -> None:
        with self._lock:
            self.units_left -= 1

    @property
    def alone(self) -> bool:
        """No other package is being read: this one may use every processor."""
        return self.units_left <= 1


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
        algorithms = {e.algorithm for e in task.expected if hashlib_name(e.algorithm)}
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
        return reading
    by_size = sorted(tasks, key=lambda task: task.size, reverse=True)
    first = whole_machine_first([task.size for task in by_size], hands.workers)
    for task in by_size[:first]:
        one(task, True)
    if by_size[first:]:
        with ThreadPoolExecutor(hands.workers, thread_name_prefix="provpack-read") as pool:
            futures = [pool.submit(one, task, False) for task in by_size[first:]]
            try:
                for future in futures:
                    future.result()
            except BaseException:
                hands.stop.set()
                raise
    reading.findings.sort(key=lambda f: f.where)
    return reading


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
