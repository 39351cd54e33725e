"""Short stretches of work that Ctrl-C does not break off: it waits until they are over.

For what is begun and tidied away again within milliseconds, where no order of steps leaves a clean place for
a signal that comes between any two of them. Whatever takes longer tidies up behind itself instead
(edge/commit.py). A handler that raises asks `comes_later` first; one that raises nothing need not.
"""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field


@dataclass(slots=True)
class _Now:
    """depth: stretches that are open. waiting: the signals that came meanwhile."""

    depth: int = 0
    waiting: list[int] = field(default_factory=list)


_NOW = _Now()


@contextlib.contextmanager
def unbroken() -> Iterator[None]:
    """For the time of the block; a signal that came in it is sent again when the outermost one is left.

    Handlers run in the first thread only, so that in any other one there is nothing to hold off.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    _NOW.depth += 1
    try:
        yield
    finally:
        _NOW.depth -= 1
        if not _NOW.depth and _NOW.waiting:
            number = _NOW.waiting[0]
            _NOW.waiting.clear()
            signal.raise_signal(number)


def comes_later(number: int) -> bool:
    """Whether this signal must wait; then it is sent again by itself."""
    if _NOW.depth:
        _NOW.waiting.append(number)
    return _NOW.depth > 0
