"""Acts go first. Making a page is pure computing, which would take the interpreter from the thread that logs:
whoever makes one waits, before each part of it, until no act is under way."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

_AT_MOST: Final = 0.5
"""Seconds a page waits in all: someone who logs without a pause must not stop the pages for good."""


class First:
    """Who is at it. Safe in threads."""

    def __init__(self) -> None:
        self._change = threading.Condition()
        self._acts = 0

    @contextmanager
    def acting(self) -> Iterator[None]:
        """While this is open, pages wait."""
        with self._change:
            self._acts += 1
        try:
            yield
        finally:
            with self._change:
                self._acts -= 1
                self._change.notify_all()

    def way(self) -> Callable[[], None]:
        """For one page: to be called before each part of the work; waits until no act is under way."""
        left = _AT_MOST

        def give() -> None:
            nonlocal left
            if not self._acts or left <= 0:
                return
            begun = time.monotonic()
            with self._change:
                self._change.wait_for(lambda: self._acts == 0, left)
            left -= time.monotonic() - begun

        return give
