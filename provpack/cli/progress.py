"""The progress bar: on standard error, and only when that is a terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from time import monotonic
from typing import TYPE_CHECKING

from provpack.cli.meter import Meter
from provpack.cli.output import for_terminal
from provpack.jobs.progress import Progress, Silent

if TYPE_CHECKING:
    from rich.console import Console, RenderableType


class _Bar:
    """Two lines: what is done at the moment, and how far the whole run is."""

    def __init__(self, console: Console, meter: Meter) -> None:
        from rich.live import Live

        self.meter = meter
        # what others print meanwhile must go where it was sent, so nothing is taken over
        self._live = Live(
            get_renderable=self._drawn, console=console, transient=True, refresh_per_second=5,
            redirect_stdout=False, redirect_stderr=False,
        )  # fmt: skip

    def _drawn(self) -> RenderableType:
        from rich.console import Group
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        meter = self.meter
        bar = ProgressBar(total=meter.whole or None, completed=meter.done, width=24, pulse=not meter.whole)
        line = Table.grid(padding=(0, 1))
        line.add_row(bar, Text(meter.figures, no_wrap=True, overflow="ellipsis"))
        label = for_terminal(meter.label) or " "  # names of files are a stranger's
        return Group(Text(label, no_wrap=True, overflow="ellipsis"), line)

    def start(self) -> None:
        self._live.start()

    def stop(self) -> None:
        self._live.stop()

    def expect(self, sizes: Sequence[int]) -> None:
        self.meter.expect(sizes)

    def next_part(self) -> None:
        self.meter.next_part()

    def begin(self, label: str, total: int) -> None:
        self.meter.begin(label, total)

    def advance(self, amount: int) -> None:
        self.meter.advance(amount)


@contextmanager
def shown(quiet: bool = False, *, things: bool = False) -> Iterator[Progress]:
    """A progress bar for the duration of a job; silent when standard error is not a terminal.

    things: the job counts packages, not bytes.
    """
    if quiet or not sys.stderr.isatty():
        yield Silent()
        return
    from rich.console import Console

    bar = _Bar(Console(stderr=True), Meter(monotonic, things))
    bar.start()
    try:
        yield bar
    finally:
        bar.stop()
