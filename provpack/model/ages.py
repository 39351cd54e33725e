"""Spans of time, rates and shares as people type them: `365d`, `50M`, `1%`. Pure; exact, never by float.

Each reader raises ValueError with a whole sentence that says what can be written; who asks knows what the
value was for and says so.
"""

from __future__ import annotations

import re
from datetime import timedelta
from fractions import Fraction
from typing import Final

_NUMBER: Final = r"([0-9]{1,15}(?:\.[0-9]{1,9})?)"
_AGE = re.compile(rf"{_NUMBER} ?([a-zA-Z]*)")
_RATE = re.compile(rf"{_NUMBER} ?([kKmMgGtT]?)(?:B)?(?:/s)?")
_SHARE = re.compile(rf"{_NUMBER} ?%")
_SECONDS: Final = {"m": 60, "h": 3600, "": 86_400, "d": 86_400, "w": 7 * 86_400}
_TIMES: Final = {"": 1, "k": 10**3, "m": 10**6, "g": 10**9, "t": 10**12}
_LONGEST: Final = timedelta(days=200 * 365)
_FASTEST: Final = 10**15


def parse_age(text: str) -> timedelta:
    """A span of time: a number with m (minutes), h (hours), d (days) or w (weeks); a bare number is days.

    Above zero, at most 200 years of 365 days. Months and years are no units: they differ in length.
    """
    how = (
        "Write a number and a unit: 90m (minutes), 12h (hours), 365d (days) or 2w (weeks); a bare number "
        "is days."
    )
    found = _AGE.fullmatch(text.strip())
    if found is None or found[2].lower() not in _SECONDS:
        raise ValueError(f"{_shown(text)} is no span of time. {how}")
    seconds = Fraction(found[1]) * _SECONDS[found[2].lower()]
    if not 0 < seconds <= Fraction(_LONGEST.total_seconds()):
        raise ValueError(f"{_shown(text)} is not between nothing and 200 years. {how}")
    return timedelta(microseconds=max(round(seconds * 1_000_000), 1))


def parse_rate(text: str) -> int:
    """Bytes per second: a number with k, M, G or T, decimal (1 k is 1000). `50M`, `50MB/s` and `1.5G` do.

    At least one byte per second. Small b, which others use for bits, is refused.
    """
    how = (
        "Write bytes per second as a number with k, M, G or T (thousands, millions, and so on: 50M is "
        "50 000 000 bytes per second)."
    )
    found = _RATE.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{_shown(text)} is no rate. {how}")
    rate = int(Fraction(found[1]) * _TIMES[found[2].lower()])
    if not 1 <= rate <= _FASTEST:
        raise ValueError(f"{_shown(text)} is not between one byte and 1000 T per second. {how}")
    return rate


def parse_share(text: str) -> Fraction:
    """A share in per cent, above 0 % and below 100 %, exactly: `1%` is Fraction(1, 100)."""
    how = "Write per cent, above 0 and below 100: 1%, 0.5% or 95%."
    found = _SHARE.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{_shown(text)} is no share. {how}")
    share = Fraction(found[1]) / 100
    if not 0 < share < 1:
        raise ValueError(f"{_shown(text)} is not above 0 % and below 100 %. {how}")
    return share


def span_words(span: timedelta) -> str:
    """A span in the one or two largest units that are not nothing: "3 days 4 hours", "under a minute"."""
    minutes = round(span.total_seconds() / 60)
    if minutes < 1:
        return "under a minute"
    days, rest = divmod(minutes, 24 * 60)
    hours, minutes = divmod(rest, 60)
    parts = [(days, "day"), (hours, "hour"), (minutes if not days else 0, "minute")]
    words = [f"{n:,} {word}{'' if n == 1 else 's'}".replace(",", " ") for n, word in parts if n]
    return " ".join(words)


def _shown(text: str) -> str:
    """What was typed, short and printable."""
    shown = text if len(text) <= 40 else text[:40] + "..."
    return repr(shown)
