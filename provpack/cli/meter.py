"""How far a run is and how long it may still take: figures and words, without a screen."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

SETTLED: float = 3.0
"""Seconds before which a speed is not known well enough to promise anything by it."""


class Meter:
    """Bytes done of the whole run. Without expect() each begin() is a run of its own.

    done never goes backwards. A part that works longer than was expected stays at its end, and no time is
    promised while nothing that was counted is left; a part that did less is skipped over, and what was
    skipped does not count as speed.
    """

    def __init__(self, clock: Callable[[], float], things: bool = False) -> None:
        """clock: seconds, monotonic. things: not bytes are counted but a number of things."""
        self._clock, self._things = clock, things
        self._parts: list[int] = []
        self._part = -1
        self._inside = self._counted = 0
        self._moved = 0
        self._expected = False
        self._step = ""
        self._since: float | None = None

    def expect(self, sizes: Sequence[int]) -> None:
        """As jobs/progress.expect."""
        self._start([max(size, 0) for size in sizes], -1)
        self._expected = bool(sizes)

    def next_part(self) -> None:
        """As jobs/progress.next_part."""
        if self._part + 1 < len(self._parts):
            self._part, self._inside = self._part + 1, 0
            self._step = ""

    def begin(self, label: str, total: int) -> None:
        """As jobs/progress.Progress."""
        self._step = label
        if not self._expected:
            self._start([max(total, 0)], 0)

    def advance(self, amount: int) -> None:
        """As jobs/progress.Progress."""
        self._moved += amount
        if 0 <= self._part < len(self._parts):
            counts = max(min(amount, self._parts[self._part] - self._inside), 0)
            self._inside += counts
            self._counted += counts

    def _start(self, parts: list[int], part: int) -> None:
        self._parts, self._part = parts, part
        self._inside = self._counted = self._moved = 0
        self._since = self._clock()

    # --- figures ---

    @property
    def whole(self) -> int:
        """Bytes of the whole run; 0 where that is not known."""
        return sum(self._parts)

    @property
    def done(self) -> int:
        """Bytes of it that lie behind us."""
        return sum(self._parts[: max(self._part, 0)]) + self._inside

    @property
    def elapsed(self) -> float:
        """Seconds since the run began."""
        return 0.0 if self._since is None else max(self._clock() - self._since, 0.0)

    @property
    def speed(self) -> float | None:
        """Bytes a second; None until it is known."""
        return self._moved / self.elapsed if self._moved and self.elapsed >= SETTLED else None

    @property
    def left(self) -> float | None:
        """Seconds until the end, at the pace of the whole run so far; None where nothing can be promised."""
        to_do = self.whole - self.done
        if to_do <= 0 or not self._counted or self.elapsed < SETTLED:
            return None
        return to_do / (self._counted / self.elapsed)

    # --- words ---

    @property
    def label(self) -> str:
        """Such as `3 of 12, T03: copying and measuring`."""
        if not self._expected or self._part < 0:
            return self._step
        count = f"{self._part + 1} of {len(self._parts)}" if len(self._parts) > 1 else ""
        return ", ".join(text for text in (count, self._step) if text)

    @property
    def figures(self) -> str:
        """Such as `1.2 of 4.5 GiB, 118 MiB/s, 0:02:10, about 6 min left`."""
        told = []
        if self._things:
            told.append(f"{self.done} of {self.whole}" if self.whole else str(self._moved))
        elif self.whole:
            told.append(_of(self.done, self.whole))
        elif self._moved:
            told.append(_bytes(self._moved))
        if self.speed is not None and not self._things:
            told.append(f"{_bytes(self.speed)}/s")
        told.append(_clock_words(self.elapsed))
        left = self.left
        if left is not None:
            told.append(f"about {time_words(left)} left")
        elif self.whole and self.done >= self.whole:
            told.append("finishing")
        return ", ".join(told)


def time_words(seconds: float) -> str:
    """A time to wait, rounded up to what such a guess is worth; never nothing."""
    if seconds <= 50:
        return f"{max(math.ceil(seconds / 10), 1) * 10} s"
    minutes = math.ceil(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    minutes = math.ceil(minutes / 10) * 10
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"


_UNITS = ("bytes", "KiB", "MiB", "GiB", "TiB")


def _unit(amount: float) -> int:
    unit = 0
    while amount >= 1024 and unit + 1 < len(_UNITS):
        amount, unit = amount / 1024, unit + 1
    return unit


def _in(amount: float, unit: int) -> str:
    value = amount / 1024**unit
    return f"{value:.0f}" if not unit or value >= 100 else f"{value:.1f}"


def _bytes(amount: float) -> str:
    unit = _unit(amount)
    return f"{_in(amount, unit)} {_UNITS[unit]}"


def _of(done: int, whole: int) -> str:
    unit = _unit(whole)
    return f"{_in(done, unit)} of {_in(whole, unit)} {_UNITS[unit]}"


def _clock_words(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"
