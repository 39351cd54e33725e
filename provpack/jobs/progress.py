"""How a job says how far it is, without knowing who listens."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """begin() names the step at hand and its size in bytes; advance() reports bytes done since."""

    def begin(self, label: str, total: int) -> None: ...
    def advance(self, amount: int) -> None: ...


class Silent:
    """Nobody listens."""

    def begin(self, label: str, total: int) -> None:
        """Take no notice."""

    def advance(self, amount: int) -> None:
        """Take no notice."""
