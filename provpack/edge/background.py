"""One piece of work in a process of its own, so that what is at hand stays quick while it runs.

The process is started fresh (start method "spawn"), steps back behind everything else (nice), and is told
apart from this one by a single pipe: progress and the result come out, the wish to stop goes in. When the
pipe closes, for whatever reason, the parent is gone: the work is asked to stop, and soon afterwards the
process ends. Nobody here ever waits for it without an end.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pickle import PicklingError
from typing import Any, Final, Literal, Protocol

from provpack import errors
from provpack.edge.pace import Idle
from provpack.edge.workerpool import ending, see_ended, signals_held, signals_released
from provpack.errors import Bug, EnvironmentProblem, ProvpackError, UsageProblem

NICE: Final = 15
"""How far it steps back, of 19 at most (POSIX nice)."""

TELL_EVERY: Final = 0.1
"""Seconds between two messages of progress at least."""

GRACE: Final = 5.0
"""Seconds for work that is to stop: to take away what it has begun. Then its process is killed."""

PATIENCE: Final = 900.0
"""Seconds without any progress after which work is given up. Syncing a large file takes minutes at most."""

_START: Final = 120.0
"""Seconds within which the process must be up."""

_GOODBYE: Final = 2.0


class Progress(Protocol):
    """As jobs/progress.Progress."""

    def begin(self, label: str, total: int) -> None: ...
    def advance(self, amount: int) -> None: ...


Work = Callable[[Progress], Any]
"""A top-level function, or a functools.partial of one: it is sent to the process."""


class StopWork(BaseException):
    """Raised in the work, at its next word of progress, when it is to stop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How it ended. result: what the work gave, when done; problem: why not, when failed or stopped."""

    how: Literal["done", "failed", "stopped"]
    result: Any = None
    problem: ProvpackError | None = None


class Background:
    """work under way. told(label, done, total) and over(ended) are called from a thread of its own; over
    once, after the process has ended or was given up. Raises EnvironmentProblem when it cannot be started."""

    def __init__(
        self,
        work: Work,
        *,
        told: Callable[[str, int, int], None] = lambda label, done, total: None,
        over: Callable[[Ended], None] = lambda ended: None,
        patience: float = PATIENCE,
    ) -> None:
        self._told, self._over, self._patience = told, over, patience
        self._stopping, self._finished = threading.Event(), threading.Event()
        self._ended: Ended | None = None
        self._process, self._pipe = _start(work)
        self._listener = threading.Thread(target=self._listen, name="provpack-background", daemon=True)
        self._listener.start()

    @property
    def pid(self) -> int | None:
        """Of the process; None once it is over."""
        with contextlib.suppress(ValueError):  # closed
            return self._process.pid if not self._finished.is_set() else None
        return None

    def stop(self) -> None:
        """Ask it to stop; returns at once. Work that does not is killed after GRACE seconds."""
        self._stopping.set()

    def wait(self, seconds: float | None = None) -> Ended | None:
        """How it ended, once over() has come back; None when it has not after so many seconds. Not to be
        called from over()."""
        self._finished.wait(seconds)
        return self._ended

    def _listen(self) -> None:
        ended = Ended(how="failed", problem=_lost("it was lost sight of"))
        try:
            ended = self._hear()
        finally:
            see_ended(self._process, self._pipe, wait=_GOODBYE if ended.how == "done" else GRACE / 5)
            self._ended = ended
            try:
                self._over(ended)
            finally:
                self._finished.set()  # who waited finds what came of it told already

    def _hear(self) -> Ended:
        idle, grace = Idle(), Idle()
        asked, up = False, False
        try:
            while True:
                if self._stopping.is_set() and not asked:
                    asked = True
                    grace.reset()
                    self._pipe.send("stop")
                if self._pipe.poll(TELL_EVERY):
                    kind, *rest = self._pipe.recv()
                    idle.reset()
                    up = True
                    if kind == "progress":
                        self._told(*rest)
                    elif kind != "up":
                        return _ended(kind, *rest)
                if asked and grace.look() >= GRACE:
                    return _stopped()
                limit = self._patience if up else _START
                if idle.look() >= limit:
                    return Ended(
                        how="failed", problem=_lost(f"nothing was heard of it for {limit:g} seconds")
                    )
        except (EOFError, OSError):
            if asked:
                return _stopped()
            self._process.join(_GOODBYE)
            code = self._process.exitcode
            return Ended(how="failed", problem=_lost("its pipe broke" if code is None else ending(code)))


def _stopped() -> Ended:
    problem = UsageProblem(
        "work-stopped", "It was stopped before it was done.", where="the bench",
        todo="Start it again; what was finished before stays.",
    )  # fmt: skip
    return Ended(how="stopped", problem=problem)


def _lost(why: str) -> EnvironmentProblem:
    return EnvironmentProblem(
        "work-lost", f"The process that did this work ended before it was done: {why}.", where="this machine",
        todo="Look at free memory and at the disk, then start it again.",
    )  # fmt: skip


def _ended(kind: str, *rest: Any) -> Ended:
    if kind == "done":
        return Ended(how="done", result=rest[0])
    if kind == "stopped":
        return _stopped()
    name, code, what, where, todo = rest
    made = getattr(errors, name)(code, what, where=where, todo=todo)
    return Ended(how="failed", problem=made)


def _start(work: Work) -> tuple[Any, Connection]:
    context = multiprocessing.get_context("spawn")
    try:
        here, there = context.Pipe()
    except OSError as err:
        raise _no_start(str(err)) from None
    process = context.Process(target=_serve, args=(there, work), name="provpack-background", daemon=True)
    try:
        with signals_held():  # Ctrl-C on the terminal is meant for the parent, from the first moment
            process.start()
    except OSError as err:
        here.close()
        raise _no_start(str(err)) from None
    except BaseException:
        here.close()
        raise
    finally:
        there.close()
    return process, here


def _no_start(why: str) -> EnvironmentProblem:
    return EnvironmentProblem(
        "work-does-not-start", f"No process could be started for this work: {why}.", where="this machine",
        todo="Look at free memory and at the limit of processes, then start it again.",
    )  # fmt: skip


# --- in the process ---


class _Teller:
    """What the work says of its progress; the first thread passes it on, at its own pace."""

    def __init__(self) -> None:
        self.stop = threading.Event()
        self._lock = threading.Lock()
        self._now = ("", 0, 0)
        self._sent: tuple[str, int, int] | None = None

    def begin(self, label: str, total: int) -> None:
        self._look()
        with self._lock:
            self._now = (label, 0, total)

    def advance(self, amount: int) -> None:
        self._look()
        with self._lock:
            label, done, total = self._now
            self._now = (label, done + amount, total)

    def news(self) -> tuple[str, int, int] | None:
        """What has not been told yet."""
        with self._lock:
            if self._now == self._sent or not self._now[0]:
                return None
            self._sent = self._now
            return self._now

    def _look(self) -> None:
        if self.stop.is_set():
            raise StopWork


def _serve(pipe: Connection, work: Work) -> None:
    """The life of the process: its first thread talks with the parent, another one works. It ends by
    os._exit, for a thread that is stuck must not keep it."""
    teller, answers = _Teller(), list[tuple[Any, ...]]()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda number, frame: teller.stop.set())
    signals_released()
    if hasattr(os, "nice"):
        with contextlib.suppress(OSError):
            os.nice(NICE)  # threads started from here on have it too
    worker = threading.Thread(target=_work, args=(work, teller, answers), daemon=True)
    worker.start()
    try:
        pipe.send(("up",))
        while worker.is_alive():
            if pipe.poll(TELL_EVERY) and pipe.recv() == "stop":
                teller.stop.set()
            news = teller.news()
            if news is not None:
                pipe.send(("progress", *news))
            if teller.stop.is_set():
                worker.join(GRACE)
                if worker.is_alive():
                    os._exit(1)
        _answer(pipe, answers)
    except (EOFError, OSError):  # the parent is gone
        teller.stop.set()
        worker.join(GRACE)
    os._exit(0)


def _work(work: Work, teller: _Teller, answers: list[tuple[Any, ...]]) -> None:
    try:
        if not teller.stop.is_set():
            answers.append(("done", work(teller)))
        else:
            answers.append(("stopped",))
    except StopWork:
        answers.append(("stopped",))
    except ProvpackError as err:
        answers.append(("problem", _plain_class(err), err.code, err.what, err.where, err.todo))
    except BaseException as err:
        answers.append(_bug(f"{type(err).__name__}: {str(err)[:300]}"))


def _plain_class(err: ProvpackError) -> str:
    """The nearest class of provpack/errors.py: others may take more than its four members."""
    return next(c.__name__ for c in type(err).__mro__ if c.__module__ == errors.__name__)


def _bug(what: str) -> tuple[Any, ...]:
    todo = "The received files are untouched. Please report it."
    return ("problem", Bug.__name__, "bug", f"A mistake of ours, not of yours: {what}.", "the bench", todo)


def _answer(pipe: Connection, answers: list[tuple[Any, ...]]) -> None:
    try:
        pipe.send(answers[0] if answers else _bug("the work left no answer"))
    except (TypeError, AttributeError, ValueError, PicklingError) as err:
        pipe.send(_bug(f"its result cannot be sent ({err})"))
