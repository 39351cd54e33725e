"""The crew of threads in this process: for few units, of which a single large one may use every processor."""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator, Iterable
from queue import SimpleQueue

from provpack.jobs.unitcheck import CheckSpec, check_found, make_tools
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify_find import Found
from provpack.jobs.verify_meaning import Helpers

_GOODBYE = 2.0
"""Seconds that a thread is waited for when the run ends early; it may be stuck in a read for ever."""


class ThreadCrew:
    """helpers: instead of those the spec asks for, for callers with their own."""

    def __init__(self, workers: int, helpers: Helpers | None = None) -> None:
        self._workers = workers
        self._helpers = helpers

    def hands(self, count: int) -> int:
        return max(min(self._workers, count), 1)

    def run(
        self, units: Iterable[tuple[int, Found]], count: int, spec: CheckSpec, told: Callable[[int], None]
    ) -> Generator[tuple[int, UnitResult]]:
        stop, lock = threading.Event(), threading.Lock()
        inbox: SimpleQueue[tuple[int, Found] | None] = SimpleQueue()
        outbox: SimpleQueue[tuple[int, UnitResult | BaseException]] = SimpleQueue()
        waiting, handed, running = iter(units), 0, 0

        def heard(amount: int) -> None:
            if amount:
                with lock:
                    told(amount)

        def lane() -> None:
            tools = make_tools(
                spec, workers=self._workers, alone=lambda: running <= 1 and handed >= count,
                helpers=self._helpers,
            )  # fmt: skip
            while (job := inbox.get()) is not None:
                try:
                    outbox.put((job[0], check_found(job[1], tools, heard, stop)))
                except BaseException as err:  # handed to the thread that waits
                    outbox.put((job[0], err))

        def feed() -> None:
            nonlocal handed, running
            job = next(waiting, None)
            if job is None:
                handed = max(handed, count)  # no more will come: the last one is alone
                return
            handed, running = handed + 1, running + 1
            inbox.put(job)

        threads = [
            threading.Thread(target=lane, name="provpack-verify", daemon=True)
            for _ in range(self.hands(count))
        ]
        for thread in threads:
            thread.start()
        try:
            for _ in threads:
                feed()
            while running:
                number, outcome = outbox.get()
                running -= 1
                if isinstance(outcome, BaseException):
                    raise outcome
                feed()
                yield number, outcome
        finally:
            stop.set()
            for _ in threads:
                inbox.put(None)
            for thread in threads:
                thread.join(_GOODBYE)
