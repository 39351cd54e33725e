"""Time that passes during a check: how fast it may read, and for how long nothing came."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from queue import Empty, SimpleQueue
from typing import TypeVar

Result = TypeVar("Result")

_SLICE = 0.5
"""Seconds slept at a stretch, so that a stop sign is seen soon."""

_JUMP = 2.0
"""Seconds that one look can add to a wait: a machine that slept, or a run that was paused, was not idle."""


class Pace:
    """Lets no more than `rate` bytes per second through, over any time longer than `ahead` seconds.

    A bucket that fills at the rate and holds what `ahead` seconds bring: each amount taken is paid for by
    sleeping after it was read. Safe in threads, which then share the rate.
    """

    def __init__(
        self,
        rate: float | None,
        *,
        ahead: float = 0.25,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._rate = rate if rate and rate > 0 else None
        self._ahead = ahead
        self._clock = clock
        self._sleep = sleep
        self._paid_until: float | None = None
        self._lock = threading.Lock()

    def take(self, amount: int, meanwhile: Callable[[], None] = lambda: None) -> None:
        """Wait until these bytes, read already, are within the rate. meanwhile is called before each nap; it
        may raise to end the wait."""
        if self._rate is None:
            return
        with self._lock:
            now = self._clock()
            start = now - self._ahead if self._paid_until is None else self._paid_until
            self._paid_until = until = max(start, now - self._ahead) + amount / self._rate
        while (left := until - self._clock()) > 0:
            meanwhile()
            self._sleep(min(left, _SLICE))


class Idle:
    """Seconds since something last happened, as far as this process was awake to see it."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._last = clock()
        self._idle = 0.0

    def reset(self) -> None:
        """Something happened."""
        self._last = self._clock()
        self._idle = 0.0

    def look(self) -> float:
        """The seconds. To be asked more often than every two of them."""
        now = self._clock()
        self._idle += min(now - self._last, _JUMP)
        self._last = now
        return self._idle


def within(seconds: float, action: Callable[[], Result]) -> Result | None:
    """What the action gives, or None when it has not ended after so many seconds: it is then left behind, on
    a thread that keeps nobody from ending. Raises what the action raises."""
    done: SimpleQueue[tuple[Result | None, BaseException | None]] = SimpleQueue()

    def work() -> None:
        try:
            done.put((action(), None))
        except BaseException as err:  # handed to the thread that waits
            done.put((None, err))

    threading.Thread(target=work, name="provpack-within", daemon=True).start()
    try:
        result, problem = done.get(timeout=seconds)
    except Empty:
        return None
    if problem is not None:
        raise problem
    return result
