"""The progress bar: on standard error, and only when that is a terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from provpack.jobs.progress import Progress, Silent


class _Bar:
    """Bytes done of bytes to do, with speed and time left; things: not bytes but a number of things."""

    def __init__(self, things: bool = False) -> None:
        from rich.console import Console
        from rich.progress import (
            BarColumn,
            DownloadColumn,
            MofNCompleteColumn,
            TextColumn,
            TimeRemainingColumn,
            TransferSpeedColumn,
        )
        from rich.progress import Progress as RichProgress

        self._bar = RichProgress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            *(
                (MofNCompleteColumn(),)
                if things
                else (DownloadColumn(binary_units=True), TransferSpeedColumn())
            ),
            TimeRemainingColumn(),
            console=Console(stderr=True),
            transient=True,
        )
        self._task = self._bar.add_task("", total=None)

    def start(self) -> None:
        self._bar.start()

    def stop(self) -> None:
        self._bar.stop()

    def begin(self, label: str, total: int) -> None:
        self._bar.reset(self._task, total=max(total, 1), description=label)

    def advance(self, amount: int) -> None:
        self._bar.advance(self._task, amount)


@contextmanager
def shown(quiet: bool = False, *, things: bool = False) -> Iterator[Progress]:
    """A progress bar for the duration of a job; silent when standard error is not a terminal.

    things: the job counts packages, not bytes.
    """
    if quiet or not sys.stderr.isatty():
        yield Silent()
        return
    bar = _Bar(things)
    bar.start()
    try:
        yield bar
    finally:
        bar.stop()
