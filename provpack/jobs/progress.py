"""How a job says how far it is, without knowing who listens."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, runtime_checkable


class Progress(Protocol):
    """begin() names the step at hand and its size in bytes, 0 where it is not known; advance() reports bytes
    done since."""

    def begin(self, label: str, total: int) -> None: ...
    def advance(self, amount: int) -> None: ...


@runtime_checkable
class WholeRun(Protocol):
    """A listener that can also tell how far the whole run is, not only the step at hand."""

    def expect(self, sizes: Sequence[int]) -> None: ...
    def next_part(self) -> None: ...


class Silent:
    """Nobody listens."""

    def begin(self, label: str, total: int) -> None:
        """Take no notice."""

    def advance(self, amount: int) -> None:
        """Take no notice."""


def expect(progress: Progress, sizes: Sequence[int]) -> None:
    """The run has so many parts (transfers, copies), each with about so many bytes for advance() to report.

    An estimate: what a part does beyond it shows as work without a time, what it leaves out is skipped. No
    sizes at all: the run is over, and what comes next is another one.
    """
    if isinstance(progress, WholeRun):
        progress.expect(sizes)


def next_part(progress: Progress) -> None:
    """The next of the parts that were expected begins; whatever the one before left out is skipped."""
    if isinstance(progress, WholeRun):
        progress.next_part()
