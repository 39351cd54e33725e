"""Trends in words: damage per hour of sound that was measured, by machine or tape stock and by month.

No verdict anywhere: figures, how much was measured for them, and what they cannot tell.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from provpack.package.figures import count, number
from provpack.package.readfirst_words import one_line

if TYPE_CHECKING:
    from provpack.catalogue.values import Trend

KINDS: Final[Mapping[str, tuple[str, str]]] = {
    "deck": ("Playback machines", "playback machine"),
    "decoder": ("Decoders", "decoder"),
    "stock": ("Tape stocks", "tape stock"),
}
"""The catalogue's word -> (heading, one of them)."""

LIMITS: Final = (
    "Damage is what a program measured in the sound: held values, mutes, interpolations, clicks. It "
    "belongs to the "
    "tape as well as to the machine that played it: whoever was given the worst tapes shows the most damage.",
    "A figure is worth as much as the hours it rests on; they stand beside it. What was not measured is "
    "not in it.",
    "Months are months by UTC: a pass around midnight at the turn of a month may stand under its neighbour.",
)
LITTLE_HOURS: Final = 1.0
"""Below this a figure of a month is shown as resting on little; a choice of ours, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One machine or stock over all months. months: those with a known month, in order; undated: without."""

    subject: str
    transfers: int
    unmeasured: int
    hours: float
    events: int
    seconds: float
    months: tuple[Trend, ...]
    undated: Trend | None = None


def lines_of(trends: Iterable[Trend]) -> tuple[Line, ...]:
    """By subject, the one with most hours measured first."""
    by_subject: dict[str, list[Trend]] = {}
    for trend in trends:
        by_subject.setdefault(trend.subject, []).append(trend)
    lines = [
        Line(
            subject=one_line(subject or "not named", 80),
            transfers=sum(t.transfers for t in found),
            unmeasured=sum(t.unmeasured for t in found),
            hours=math.fsum(t.hours for t in found),
            events=sum(t.damage_events for t in found),
            seconds=math.fsum(t.damage_seconds for t in found),
            months=tuple(sorted((t for t in found if month_number(t.month) is not None), key=_month)),
            undated=next((t for t in found if month_number(t.month) is None), None),
        )
        for subject, found in by_subject.items()
    ]
    return tuple(sorted(lines, key=lambda line: (-line.hours, -line.transfers, line.subject)))


def _month(trend: Trend) -> str:
    return trend.month


def month_number(month: str) -> int | None:
    """Months since the year 0 of "YYYY-MM"; None for anything else."""
    year, dash, rest = month.partition("-")
    if dash and len(year) == 4 and len(rest) == 2 and (year + rest).isascii() and (year + rest).isdigit():
        value = int(rest)
        return int(year) * 12 + value - 1 if 1 <= value <= 12 else None
    return None


def month_name(number_of: int) -> str:
    """The other way round."""
    return f"{number_of // 12:04}-{number_of % 12 + 1:02}"


def per_hour(amount: float, hours: float) -> float | None:
    """None when no sound was measured."""
    return amount / hours if hours > 0 and math.isfinite(amount / hours) else None


def rate_words(amount: float, hours: float) -> str:
    """`4.2`; `not measured` when there is nothing to divide by; never 0 for what is not none."""
    rate = per_hour(amount, hours)
    if rate is None:
        return "not measured"
    if amount and rate < 0.05:
        return "under 0.1"
    return number(round(rate, 1)) if rate < 100 else number(round(rate))


def hours_words(hours: float) -> str:
    """`18.3 hours`, `1 minute 40 seconds`, `none`. To the second below an hour, so that who reckons a
    figure per hour again comes to the same."""
    if hours <= 0:
        return "none"
    seconds = max(1, round(hours * 3600))
    if seconds < 3600:
        told = (seconds // 60, "minute", "minutes"), (seconds % 60, "second", "seconds")
        return " ".join(count(*one) for one in told if one[0])
    return f"{number(round(hours, 1))} hours" if round(hours, 1) != 1 else "1 hour"


def line_words(line: Line) -> str:
    """One subject in a sentence, without its name."""
    if line.hours <= 0:
        said = "nothing measured"
    else:
        said = (
            f"{hours_words(line.hours)} measured, {count(line.events, 'place', 'places')} of damage: "
            f"{rate_words(line.events, line.hours)} per hour"
        )
    said += f", in {count(line.transfers, 'transfer', 'transfers')}"
    if line.unmeasured and line.hours > 0:
        said += f" ({number(line.unmeasured)} of them not measured)"
    return said
