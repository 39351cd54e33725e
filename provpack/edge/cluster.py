"""Work on a Dask cluster: the one door to `distributed` (extra `cluster`).

Results come from the workers as Python objects, so a scheduler must be as trustworthy as this machine. Of
what a worker did not finish, or nobody brought back, there is no result; the caller is told why.
"""

from __future__ import annotations

import contextlib
import logging
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import Any, Generic, TypeVar

import provpack
from provpack.edge.pace import Idle, within
from provpack.edge.workerpool import Lost
from provpack.errors import EnvironmentProblem

Item = TypeVar("Item")
Result = TypeVar("Result")
OnWorker = Callable[[Item, str], Result]
"""A picklable function of an item and of what the worker is called."""

_CONNECT = 8.0
_MUTE = "what is there takes the connection and says nothing"
_LOOK = 0.5
_FETCH = 60.0
_PER_THREAD = 2
"""Items handed out per thread of the cluster: one at work, one so that it need not wait for the next."""

_COUNT_EVERY = 5.0
_ANSWER = 15.0
"""Seconds for an answer about the workers; without one, nobody is taken to be there."""

_TRIES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class _Refused:
    """A worker with another version of this program."""

    version: str


@dataclass(slots=True)
class _Job(Generic[Item]):
    number: int
    item: Item
    tries: int = 0


class Cluster:
    """A scheduler by its address. It is connected to when it is first asked for something."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._client: Any = None

    def threads(self) -> int:
        """Threads of all its workers. Raises EnvironmentProblem when it cannot be reached, has no worker, or
        its workers have another version of this program."""
        with _quiet():
            return self._threads(self._connected())

    def run(
        self, work: OnWorker[Item, Result], items: Iterable[tuple[int, Item]], patience: float
    ) -> Generator[tuple[int, Item, Result | Lost]]:
        """(number, item, result or Lost) as they are done; the next item is taken only when there is room.

        What a worker that died had in hand is given to another by the scheduler. patience: seconds without
        any worker, after which nothing more is waited for. Closing the iterator leaves the cluster. Raises
        EnvironmentProblem as threads() does, before the first item is taken.
        """
        with _quiet():
            try:
                yield from _Run(self._connected(), self.address, work, patience).results(items)
            finally:
                self._leave()

    def _connected(self) -> Any:
        if self._client is not None:
            return self._client
        distributed = _library()
        try:
            _knock(self.address)
            client = _greeted(distributed.Client, self.address)
        except Exception as err:  # whoever answers there may say anything
            raise self._problem(
                "cluster-unreachable",
                f"The scheduler does not answer: {_said(err)}.",
                "Look at its address (tcp://host:8786) and whether it runs.",
            ) from None
        self._client = client
        try:
            self._judge(client)
        except BaseException:
            self._leave()
            raise
        return client

    def _judge(self, client: Any) -> None:
        threads = within(_ANSWER, lambda: self._threads(client))
        if threads is None:
            raise self._mute()
        if not threads:
            raise self._problem(
                "cluster-empty", "The scheduler has no workers.", "Start workers, then run this again."
            )

        def version() -> str:  # sent by value, so that a worker without this program can answer too
            try:
                from provpack import __version__
            except ImportError:
                return "none"
            return __version__

        answers: dict[str, Any] | None = within(_FETCH, lambda: client.run(version, on_error="return"))
        if answers is None:
            raise self._mute()
        other = {k: str(v) for k, v in answers.items() if v != provpack.__version__}
        if other:
            told = ", ".join(f"{worker} has {version}" for worker, version in sorted(other.items())[:5])
            raise self._problem(
                "cluster-version",
                f"Workers have another version of provpack than {provpack.__version__}: {told}.",
                "Install the same version on every worker, and start them anew.",
            )

    def _mute(self) -> EnvironmentProblem:
        return self._problem(
            "cluster-unreachable",
            "The scheduler, or a worker of it, took the question which version it has, and does not answer.",
            "Look whether they are stopped or overloaded; start them anew.",
        )

    def _problem(self, code: str, what: str, todo: str) -> EnvironmentProblem:
        return EnvironmentProblem(code, what, where=self.address, todo=todo)

    @staticmethod
    def _threads(client: Any) -> int:
        return sum(client.nthreads().values())

    def _leave(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            with contextlib.suppress(Exception):  # it may be gone already; nothing is to be said any more
                within(_CONNECT + 2.0, lambda: client.close(timeout=_CONNECT))


class _Run(Generic[Item, Result]):
    """One run: what is out, what came back."""

    def __init__(self, client: Any, address: str, work: OnWorker[Item, Result], patience: float) -> None:
        self._client = client
        self._address = address
        self._work = work
        self._patience = patience
        self._out: dict[str, tuple[_Job[Item], Any]] = {}
        self._back: SimpleQueue[str] = SimpleQueue()
        self._again: deque[_Job[Item]] = deque()
        self._threads = 1
        self._counted = 0.0
        self._deserted = Idle()
        self._asked: SimpleQueue[int | None] | None = None
        self._mute = Idle()
        self._name = f"provpack-{id(self):x}-{time.monotonic_ns():x}"

    def results(self, items: Iterable[tuple[int, Item]]) -> Iterator[tuple[int, Item, Result | Lost]]:
        waiting, exhausted = iter(items), False
        while True:
            lost = self._lost()
            if lost is not None:
                yield from self._give_up(waiting, lost)
                return
            while len(self._out) < _PER_THREAD * self._threads and self._client.status == "running":
                job = self._again.popleft() if self._again else None
                if job is None and not exhausted:
                    pair = next(waiting, None)
                    exhausted = pair is None
                    job = _Job(*pair) if pair is not None else None
                if job is None:
                    break
                self._hand_out(job)
            if exhausted and not self._out and not self._again:
                return
            for job, result in self._came_back():
                yield job.number, job.item, result

    def _hand_out(self, job: _Job[Item]) -> None:
        job.tries += 1
        key = f"{self._name}-{job.number}-{job.tries}"
        try:
            future = self._client.submit(
                _on_worker, provpack.__version__, self._work, job.item, key=key, pure=False
            )
        except Exception:  # the connection broke at this moment: it is looked after in the next round
            job.tries -= 1
            self._again.appendleft(job)
            time.sleep(_LOOK)
            return
        self._out[key] = (job, future)
        future.add_done_callback(lambda done: self._back.put(done.key))

    def _came_back(self) -> Iterator[tuple[_Job[Item], Result | Lost]]:
        try:
            key = self._back.get(timeout=_LOOK)
        except Empty:
            return
        job, future = self._out.pop(key)
        result = self._result(future)
        if result is None and job.tries < _TRIES:
            self._again.append(job)
        elif result is None:
            yield job, Lost(why=f"the scheduler {self._address} lost it twice", kind="nobody")
        else:
            yield job, result

    def _result(self, future: Any) -> Result | Lost | None:
        """What came of it; None when only the way back failed, so that it can be tried once more."""
        if future.status in ("cancelled", "lost"):
            return None
        try:
            value = future.result(timeout=min(_FETCH, self._patience))
        except Exception as err:
            name = err.__class__.__name__
            if name == "KilledWorker":
                return Lost(why="every worker that tried it ended before it was done")
            if name in ("CancelledError", "FutureCancelledError", "TimeoutError", "CommClosedError"):
                return None
            return Lost(why=f"the worker failed with {name}: {str(err)[:300]}", kind="failed")
        if isinstance(value, _Refused):
            why = f"a worker has provpack {value.version}, not {provpack.__version__}"
            return Lost(why=why, kind="nobody")
        result: Result = value
        return result

    def _lost(self) -> Lost | None:
        """Why nothing more is to be expected, if that is so."""
        if self._client.status not in ("running", "connecting"):
            why = f"the scheduler {self._address} does not answer any more"
            return Lost(why=why, kind="nobody")
        self._count()
        if self._threads:
            self._deserted.reset()
        elif self._deserted.look() >= self._patience:
            why = f"the scheduler {self._address} has had no workers for {self._patience:g} seconds"
            return Lost(why=why, kind="nobody")
        return None

    def _count(self) -> None:
        """How many threads there are, asked beside the run: a scheduler that is stopped, or behind a line
        that went dead, takes the question and never answers."""
        if self._asked is not None and not self._asked.empty():
            told, self._asked = self._asked.get(), None
            self._threads = self._threads if told is None else told
        elif self._asked is not None and self._mute.look() >= _ANSWER:
            self._threads = 0
        now = time.monotonic()
        if self._asked is None and self._client.status == "running" and now - self._counted >= _COUNT_EVERY:
            self._counted, self._asked, self._mute = now, SimpleQueue(), Idle()
            threading.Thread(
                target=_ask, args=(self._client, self._asked), name="provpack-count", daemon=True
            ).start()

    def _give_up(
        self, waiting: Iterator[tuple[int, Item]], lost: Lost
    ) -> Iterator[tuple[int, Item, Result | Lost]]:
        for job, _ in sorted(self._out.values(), key=lambda pair: pair[0].number):
            yield job.number, job.item, lost
        for job in self._again:
            yield job.number, job.item, lost
        for number, item in waiting:
            yield number, item, lost


def _ask(client: Any, answer: SimpleQueue[int | None]) -> None:
    try:
        answer.put(Cluster._threads(client))
    except Exception:  # asked again in a while
        answer.put(None)


def _on_worker(version: str, work: OnWorker[Item, Result], item: Item) -> Result | _Refused:
    if version != provpack.__version__:
        return _Refused(version=provpack.__version__)
    from distributed import get_worker

    here = get_worker()
    return work(
        item, f"worker {here.name}" if here.name == here.address else f"worker {here.name}, {here.address}"
    )


def _said(err: Exception) -> str:
    if isinstance(err, MemoryError):  # the length of a message, read where there is none
        return "what is there speaks another language"
    return str(err)[:200].rstrip(".") or err.__class__.__name__


def _knock(address: str) -> None:
    """Whether somebody speaks at an address of TCP, as a scheduler does to whoever connects (Dask waits for
    that without an end). Raises OSError, ValueError."""
    from distributed.comm.addressing import parse_address, parse_host_port

    protocol, rest = parse_address(address)
    if protocol not in ("tcp", "tls"):
        return
    host, port = parse_host_port(rest)
    with socket.create_connection((host, port), timeout=_CONNECT) as line:
        if protocol == "tcp":  # with TLS it is for us to begin
            line.settimeout(_CONNECT)
            try:
                said = line.recv(1)
            except TimeoutError:
                raise OSError(_MUTE) from None
            if not said:
                raise OSError("the connection was closed at once")


def _greeted(kind: Any, address: str) -> Any:
    """A client that is connected. Raises what that raises, and OSError when it does not come to an end."""
    client = kind.__new__(kind)

    def connect() -> bool:
        client.__init__(address, timeout=_CONNECT, set_as_default=False)
        return True

    try:
        if not within(_CONNECT + 2.0, connect):
            raise OSError(_MUTE)
    except BaseException:
        client.status = "closed"  # it was never open; else its end would wait for an answer, and complain
        raise
    return client


def _library() -> Any:
    try:
        import distributed
    except ImportError:
        raise EnvironmentProblem(
            "part-missing",
            "The part that speaks with a cluster is not installed.",
            where="distributed",
            todo='Install it: pip install "provpack[cluster]"; or leave out --scheduler.',
        ) from None
    return distributed


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """distributed writes to standard error what it thinks of lost workers; here that is in the results."""
    logger = logging.getLogger("distributed")
    before = logger.disabled, logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        logger.disabled, level = before
        logger.setLevel(level)
