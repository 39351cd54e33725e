"""Work for a process in the background: top-level functions, as it needs them."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from provpack.errors import InputProblem
from provpack.jobs.progress import Progress


class Talker(InputProblem):
    """A problem whose class takes more than its four members."""

    def __init__(self, more: int) -> None:
        super().__init__("talker", f"It has {more} more.", where="there", todo="Listen.")
        self.more = more


def count(steps: int, pause: float, progress: Progress) -> int:
    progress.begin("counting", steps)
    for _ in range(steps):
        time.sleep(pause)
        progress.advance(1)
    return steps


def niceness(progress: Progress) -> int:
    return os.nice(0)


def complain(progress: Progress) -> None:
    raise Talker(3)


def trip(progress: Progress) -> None:
    raise RuntimeError("over its own feet")


def unsendable(progress: Progress) -> Callable[[], int]:
    return lambda: 1


def perish(progress: Progress) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def endless(mark: Path, progress: Progress) -> None:
    """Runs until it is stopped; takes away what it began."""
    mark.write_text(str(os.getpid()))
    try:
        progress.begin("for ever", 0)
        while True:
            time.sleep(0.01)
            progress.advance(1)
    finally:
        mark.unlink()


def endless_pass(
    folder: Path, transfer_id: str, number: int, now: Callable[[], Any], progress: Progress
) -> None:
    """Stands for jobs/benchmeasure.measure_pass."""
    endless(folder / "marks" / transfer_id, progress)


def deaf(mark: Path, progress: Progress) -> None:
    """Says nothing any more and so never hears that it is to stop."""
    mark.write_text(str(os.getpid()))
    time.sleep(600)


def answer(value: Any, progress: Progress) -> Any:
    return value
