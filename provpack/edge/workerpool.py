"""Worker processes that may die or hang without taking the run with them.

Each worker is a fresh process (start method "spawn") with one pipe of its own; nothing is shared, so nothing
can be left locked by one that dies. The parent alone decides: who is silent for too long is killed and not
waited for, because a process that is stuck in a read from a dead mount cannot be ended. A worker ends by
itself as soon as the parent's end of its pipe is closed, by the end of the parent too.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import dataclass, field
from multiprocessing import connection, process, resource_tracker
from multiprocessing.connection import Connection
from pickle import PicklingError
from queue import SimpleQueue
from typing import Any, Generic, Literal, TypeVar

from provpack.edge.pace import Idle
from provpack.errors import EnvironmentProblem

Item = TypeVar("Item")
Result = TypeVar("Result")
Told = Callable[[int], None]
Work = Callable[[Item, Told], Result]
MakeWork = Callable[[Callable[[], bool]], Work[Item, Result]]
"""Called once in each worker, with a question that says whether its item is the last one of the run."""

_TELL_EVERY = 0.1
_LOOK = 1.0
_START = 120.0
"""Seconds within which a worker must be up."""

_STARTS = 8
"""So many workers in a row that do not even come up, and no more are started."""

_GOODBYE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """There is no result. why: how it ended, in words. kind: the worker died, nothing was heard for as long
    as allowed, the work failed (a slip of ours), or nobody was there to do it."""

    why: str
    kind: Literal["died", "hung", "failed", "nobody"] = "died"

    @property
    def hung(self) -> bool:
        """Nothing was heard for as long as allowed."""
        return self.kind == "hung"


@dataclass(slots=True)
class _Job(Generic[Item]):
    number: int
    item: Item
    tries: int = 0
    told_alone: bool = False


@dataclass(slots=True)
class _Worker(Generic[Item]):
    process: Any
    pipe: Connection
    up: bool = False
    job: _Job[Item] | None = None
    idle: Idle = field(default_factory=Idle)


class WorkerPool(Generic[Item, Result]):
    """size: processes at most. patience: seconds of silence after which an item is given up.

    make, items and results are sent through pipes. run() gives (number, item, result or Lost) as they are
    done and takes the next item only when a worker is free; an item whose worker died is tried once more in
    a fresh one. told is called with bytes, from the thread that runs this. Closing the iterator kills the
    workers. Raises EnvironmentProblem when not one worker comes up.
    """

    def __init__(self, make: MakeWork[Item, Result], size: int, patience: float) -> None:
        self._make = make
        self._size = size
        self._patience = patience
        self._workers: list[_Worker[Item]] = []
        self._killed: list[_Worker[Item]] = []
        self._again: deque[_Job[Item]] = deque()
        self._failed_starts = 0
        self._ever_up = False

    def run(
        self, items: Iterable[tuple[int, Item]], count: int, told: Told
    ) -> Generator[tuple[int, Item, Result | Lost]]:
        """count: how many items there are at most."""
        waiting, handed = iter(items), 0
        done: list[tuple[_Job[Item], Result | Lost]] = []

        def more() -> _Job[Item] | None:
            nonlocal handed
            if self._again:
                return self._again.popleft()
            pair = next(waiting, None)
            handed = count if pair is None else handed + 1
            return _Job(*pair) if pair is not None else None

        try:
            while True:
                self._fill_up(min(self._size, count - handed + len(self._again) + self._busy()))
                if not self._workers and (handed < count or self._again):
                    while (job := more()) is not None:
                        done.append(
                            (job, Lost(why="no worker process can be started any more", kind="nobody"))
                        )
                for worker in self._workers:
                    if worker.up and worker.job is None and (handed < count or self._again):
                        job = more()
                        if job is not None:
                            self._hand(worker, job)
                self._tell_the_last(handed >= count)
                for job, result in done:
                    yield job.number, job.item, result
                done.clear()
                if handed >= count and not self._again and not self._busy():
                    return
                self._listen(done, told)
        finally:
            self._end()

    def _busy(self) -> int:
        return sum(worker.job is not None for worker in self._workers)

    def _fill_up(self, wanted: int) -> None:
        while len(self._workers) < wanted and self._failed_starts < _STARTS:
            try:
                self._workers.append(_start(self._make))
            except OSError:
                self._failed_starts += 1
        if not self._workers and not self._ever_up and self._failed_starts >= _STARTS:
            raise EnvironmentProblem(
                "workers-do-not-start",
                "No worker process could be started.",
                where="this machine",
                todo="Look at free memory and at the limit of processes, or use --workers 1.",
            )

    def _hand(self, worker: _Worker[Item], job: _Job[Item]) -> None:
        job.tries += 1
        job.told_alone = False
        worker.job = job
        worker.idle.reset()
        with contextlib.suppress(OSError):  # it died meanwhile: its pipe says so at the next look
            worker.pipe.send(("item", job.item))

    def _tell_the_last(self, all_handed: bool) -> None:
        busy = [worker for worker in self._workers if worker.job is not None]
        if not all_handed or self._again or len(busy) != 1:
            return
        job = busy[0].job
        if job is not None and not job.told_alone:
            job.told_alone = True
            with contextlib.suppress(OSError):
                busy[0].pipe.send(("alone", None))

    def _listen(self, done: list[tuple[_Job[Item], Result | Lost]], told: Told) -> None:
        """Wait for what the workers say, and look after those that say nothing."""
        look = min(_LOOK, max(self._patience / 4, 0.01))
        for pipe in connection.wait([worker.pipe for worker in self._workers], look):
            worker = next(worker for worker in self._workers if worker.pipe is pipe)
            try:
                while worker.pipe.poll():
                    self._hear(worker, worker.pipe.recv(), done, told)
            except (OSError, EOFError):
                self._died(worker, done)
        for worker in list(self._workers):
            limit = self._patience if worker.job is not None else _START if not worker.up else None
            if limit is not None and worker.idle.look() >= limit:
                self._workers.remove(worker)
                self._killed.append(worker)
                worker.pipe.close()
                worker.process.kill()
                if worker.job is not None:
                    done.append((worker.job, Lost(why=f"silent for {limit:g} seconds", kind="hung")))
                else:
                    self._failed_starts += 1

    def _hear(
        self,
        worker: _Worker[Item],
        message: tuple[str, Any, int],
        done: list[tuple[_Job[Item], Result | Lost]],
        told: Told,
    ) -> None:
        kind, value, amount = message
        worker.idle.reset()
        if amount:
            told(amount)
        if kind == "up":
            worker.up = self._ever_up = True
            self._failed_starts = 0
        elif kind in ("done", "failed") and worker.job is not None:
            done.append((worker.job, value if kind == "done" else Lost(why=value, kind="failed")))
            worker.job = None

    def _died(self, worker: _Worker[Item], done: list[tuple[_Job[Item], Result | Lost]]) -> None:
        self._workers.remove(worker)
        worker.process.join(_GOODBYE)
        code = worker.process.exitcode
        how = "its pipe broke" if code is None else ending(code)
        see_ended(worker.process, worker.pipe, wait=_GOODBYE)
        job = worker.job
        if job is None:
            self._failed_starts += not worker.up
        elif job.tries < 2:
            self._again.append(job)
        else:
            done.append((job, Lost(why=f"{how}, at the second attempt too")))

    def _end(self) -> None:
        for worker in self._workers:
            if worker.job is not None or not worker.up:
                worker.process.kill()
            worker.pipe.close()
        for worker in (*self._workers, *self._killed):
            see_ended(worker.process, worker.pipe, wait=_GOODBYE)
        self._workers.clear()
        self._killed.clear()


def ending(code: int) -> str:
    """A process's exit code in words; negative ones are signals."""
    if code >= 0:
        return f"exit code {code}"
    try:
        return f"signal {-code}, {signal.Signals(-code).name}"
    except ValueError:
        return f"signal {-code}"


def _start(make: Callable[..., Any]) -> _Worker[Any]:
    """A new worker. Raises OSError."""
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    worker = context.Process(target=_serve, args=(there, make), name="provpack-worker", daemon=True)
    try:
        # From its first moment a worker must not notice Ctrl-C on the terminal, which is meant for the
        # parent; what is blocked here stays blocked there until it says otherwise. The tracker that this
        # start method needs unblocks signals when it starts, so it must be up before.
        with signals_held():
            worker.start()
    except BaseException:
        here.close()
        raise
    finally:
        there.close()
    return _Worker(process=worker, pipe=here)


@contextlib.contextmanager
def signals_held() -> Iterator[None]:
    """Ctrl-C and SIGTERM wait until the block is left; a process started in it has them blocked at first."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def signals_released() -> None:
    """The other end of signals_held, in the process that was started in it."""
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT, signal.SIGTERM})


def see_ended(worker: Any, pipe: Connection, *, wait: float) -> None:
    """See that a process ends, and do not wait for it longer than twice so many seconds."""
    pipe.close()
    worker.join(wait)
    if worker.exitcode is None:
        worker.kill()
        worker.join(wait)
    if worker.exitcode is not None:
        worker.close()
        return
    # At the end of the program multiprocessing would wait for all it knows, without end for one that is
    # stuck in the kernel.
    getattr(process, "_children", set()).discard(worker)


def _serve(pipe: Connection, make: MakeWork[Item, Result]) -> None:
    """The life of a worker: items in, results out. The first thread only listens, so that it notices the end
    of the parent whatever the other one is stuck in."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    signals_released()
    inbox: SimpleQueue[Item] = SimpleQueue()
    last = threading.Event()
    threading.Thread(target=_work, args=(pipe, make, inbox, last), daemon=True).start()
    try:
        while True:
            kind, value = pipe.recv()
            if kind == "alone":
                last.set()
            else:
                last.clear()
                inbox.put(value)
    except (OSError, EOFError):
        os._exit(0)


def _work(
    pipe: Connection, make: MakeWork[Item, Result], inbox: SimpleQueue[Item], last: threading.Event
) -> None:
    read, said = 0, 0.0

    def told(amount: int) -> None:
        nonlocal read, said
        read += amount
        now = time.monotonic()
        if now - said >= _TELL_EVERY:
            amount, read, said = read, 0, now
            pipe.send(("read", None, amount))

    try:
        work = make(last.is_set)
        pipe.send(("up", None, 0))
        while True:
            item = inbox.get()
            answer: tuple[str, Any, int]
            try:
                answer = ("done", work(item, told), read)
            except Exception as err:
                answer = ("failed", f"{err.__class__.__name__}: {str(err)[:300]}", read)
            read = 0
            try:
                pipe.send(answer)
            except (TypeError, AttributeError, ValueError, PicklingError) as err:
                pipe.send(("failed", f"its result cannot be sent: {err}", answer[2]))
    except OSError:  # nobody listens any more
        os._exit(0)
    except BaseException:
        # Without work there is no use in this process; the parent sees it end.
        os._exit(70)
