"""What all pictures of the report share: places, axes, text, and the frame with its text alternative.

Every picture is inline SVG of our own: small, sharp on paper, its text can be selected and searched, its
colours come from the style sheet of the page (so they follow a dark screen), and the page need not allow
images of any kind. A picture is as wide as its place and of fixed height: shapes stretch (a nested viewBox),
text never does. All pictures over time have the same horizontal scale, so that they can be read one below
the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from html import escape
from typing import Any

from provpack.package.figures import clock

UNITS = 1000  # horizontal units of a nested drawing
AXIS = 30  # height of an axis with its figures, px
_STEPS_MS = (
    *(100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 30_000, 60_000, 120_000, 300_000, 600_000),
    *(900_000, 1_800_000, 3_600_000, 7_200_000, 14_400_000),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """An entry of a picture's key: a small drawing (SVG text) and what it stands for."""

    svg: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A drawn picture (SVG text), the sentence that tells the same in words, and its key."""

    svg: str
    words: str
    key: tuple[Sample, ...] = ()


def percent(part: float) -> str:
    """A part of the whole width, 0 to 1, as an SVG length."""
    return f"{100 * max(0.0, min(1.0, part)):.3f}%"


def short(value: float) -> str:
    """A coordinate with one decimal at most and none when it is 0: 12.04 -> 12."""
    return f"{value:.1f}".removesuffix(".0")


def text(said: str, *, x: str, y: float, look: str, anchor: str = "start") -> str:
    """A line of text; said is escaped."""
    placed = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text class="{look}" x="{x}" y="{short(y)}"{placed}>{escape(said)}</text>'


def line(look: str, *, x: tuple[str, str], y: tuple[float, float]) -> str:
    """A straight line from (x[0], y[0]) to (x[1], y[1])."""
    return f'<line class="{look}" x1="{x[0]}" x2="{x[1]}" y1="{short(y[0])}" y2="{short(y[1])}"/>'


def field(look: str, *, top: float, height: float) -> str:
    """A box over the whole width."""
    return f'<rect class="{look}" x="0" y="{short(top)}" width="100%" height="{short(height)}"/>'


def stretched(inner: str, *, top: float, height: float, units: tuple[float, float]) -> str:
    """A drawing in units of its own that fills the width."""
    return (
        f'<svg x="0" y="{short(top)}" width="100%" height="{short(height)}" '
        f'viewBox="0 0 {short(units[0])} {short(units[1])}" preserveAspectRatio="none">{inner}</svg>'
    )


def frame(parts: Iterable[str], *, height: float, title: str, description: str, prefix: str) -> str:
    """The whole picture. title and description are its text alternative; both are escaped. prefix: of the
    ids, one of its own for each picture on a page."""
    return (
        f'<svg class="picture" width="100%" height="{short(height)}" role="img" '
        f'aria-labelledby="{prefix}-title {prefix}-desc">'
        f'<title id="{prefix}-title">{escape(title)}</title>'
        f'<desc id="{prefix}-desc">{escape(description)}</desc>' + "".join(parts) + "</svg>"
    )


def swatch(inner: str) -> str:
    """A small drawing of 28 x 16 for a key."""
    return f'<svg class="swatch" width="28" height="16" aria-hidden="true" focusable="false">{inner}</svg>'


def _tick_step(seconds: float) -> int:
    """Milliseconds between time marks, so that no more than 9 fit."""
    for step in _STEPS_MS:
        if seconds * 1000 / step < 9:
            return step
    return 36_000_000


def time_axis(seconds: float, y: float) -> str:
    """Time marks; every second one steps aside on a narrow screen (class `fine`)."""
    step = _tick_step(seconds)
    out = [line("axis", x=("0", "100%"), y=(y, y))]
    for number in range(int(seconds * 1000 // step) + 1):
        part = number * step / 1000 / seconds
        anchor = "start" if number == 0 else "end" if part > 0.94 else "middle"
        at, fine = percent(part), " fine" if number % 2 else ""
        tenth = f".{number * step // 100 % 10}" if step < 1000 else ""
        out.append(line("axis", x=(at, at), y=(y, y + 6)))
        said = clock(Fraction(number * step, 1000)) + tenth
        out.append(text(said, x=at, y=y + 22, look=f"tick{fine}", anchor=anchor))
    return "".join(out)


class Hertz:
    """A logarithmic scale of frequencies: low and high in hertz are its ends."""

    marks = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000)

    def __init__(self, low: float, high: float) -> None:
        self.low, self.high = low, high
        self._span = math.log(high / low)

    def part(self, hertz: float) -> float:
        """Where a frequency lies, 0 to 1."""
        return min(1.0, max(0.0, math.log(max(hertz, self.low) / self.low) / self._span))

    def ticks(self) -> tuple[int, ...]:
        """The round frequencies inside."""
        return tuple(f for f in self.marks if self.low <= f <= self.high)


def hertz_words(hertz: float) -> str:
    """A round frequency: 500 -> `500 Hz`, 2000 -> `2 kHz`."""
    return f"{hertz / 1000:g} kHz" if hertz >= 1000 else f"{hertz:g} Hz"


def cells(spans: Iterable[tuple[int, int]], *, frames: int, columns: int) -> list[int]:
    """How many of the spans (first frame, frames) touch each of `columns` equal pieces of the file."""
    edges = [0] * (columns + 1)
    for start, length in spans:
        if start >= frames or start + length <= 0:
            continue
        first = max(0, start) * columns // frames
        last = min(columns - 1, (min(frames, start + max(1, length)) * columns - 1) // frames)
        edges[first] += 1
        edges[max(first, last) + 1] -= 1
    out, now = [], 0
    for change in edges[:-1]:
        now += change
        out.append(now)
    return out


def numbers(values: Sequence[Any]) -> list[float]:
    """Those of the values that are numbers."""
    return [float(v) for v in values if isinstance(v, (int, float)) and not isinstance(v, bool)]
