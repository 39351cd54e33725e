"""Dates and times in cells: ISO 8601 only; every other notation is named, never guessed at."""

from __future__ import annotations

import re
from datetime import date, datetime

from provpack.edge.tables import shortened
from provpack.findings import Rule, Severity
from provpack.jobs import rules

TimeFault = tuple[Rule, str, Severity | None]

_DATE = re.compile(r"^([0-9]{4})-([0-9]{2})-([0-9]{2})$")
_MOMENT = re.compile(
    r"^([0-9]{4}-[0-9]{2}-[0-9]{2})[Tt ]([0-9]{2}:[0-9]{2})(:[0-9]{2})?(\.[0-9]{1,9})?"
    r" ?([Zz]|[+-][0-9]{2}:?[0-9]{2})?$"
)
_PARTS = re.compile(r"^([0-9]{1,2})[./\-]([0-9]{1,2})[./\-]([0-9]{4}|[0-9]{2})\b")
_DAY_COUNT = re.compile(r"^[0-9]{5}(?:[.,][0-9]+)?$")
_MONTHS = (
    "January February March April May June July August September October November December".split()  # noqa: SIM905
)


def read_date(text: str, kind: str) -> tuple[str | None, TimeFault | None]:
    """A calendar date, YYYY-MM-DD."""
    if _DATE.match(text):
        return (text, None) if _exists(text) else (None, _no_such(text))
    if _MOMENT.match(text):
        return None, (rules.CELL_DATE, f"{shortened(text)} has a time; this field is a date only.", None)
    return None, _notation(text)


def read_moment(text: str, kind: str) -> tuple[str | None, TimeFault | None]:
    """kind date_time: a date and time with offset. moment: that, or a date. edtf: left to its schema."""
    if kind == "edtf":
        return (None, _notation(text)) if _PARTS.match(text) or _DAY_COUNT.match(text) else (text, None)
    if _DATE.match(text):
        if not _exists(text):
            return None, _no_such(text)
        if kind == "moment":
            return text, None
        return None, (rules.CELL_DATE, f"{shortened(text)} has no time of day.", None)
    match = _MOMENT.match(text)
    if match is None:
        return None, _notation(text)
    day, minutes, seconds, fraction, offset = match.groups()
    if offset is None:
        return None, (rules.CELL_OFFSET, f"{shortened(text)} has no offset from UTC.", None)
    offset = offset.upper()
    if len(offset) == 5:
        offset = f"{offset[:3]}:{offset[3:]}"
    value = f"{day}T{minutes}{seconds or ':00'}{fraction or ''}{offset}"
    try:
        datetime.fromisoformat(f"{day}T{minutes}{seconds or ':00'}{'+00:00' if offset == 'Z' else offset}")
    except ValueError:
        return None, _no_such(text)
    if seconds is None:
        return value, (rules.CELL_DATE, f"{shortened(text)} has no seconds; 00 was written.", "note")
    return value, None


def _exists(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _no_such(text: str) -> TimeFault:
    return rules.CELL_DATE, f"{shortened(text)} does not exist in the calendar or on the clock.", None


def _notation(text: str) -> TimeFault:
    parts = _PARTS.match(text)
    if parts:
        first, second, year = int(parts.group(1)), int(parts.group(2)), parts.group(3)
        readings = []
        if 1 <= second <= 12 and 1 <= first <= 31:
            readings.append(f"{first} {_MONTHS[second - 1]} {year}")
        if 1 <= first <= 12 and 1 <= second <= 31 and first != second:
            readings.append(f"{second} {_MONTHS[first - 1]} {year}")
        means = " or ".join(readings) or "no date at all"
        return rules.CELL_DATE_ORDER, f"{shortened(text)} means {means}.", None
    if _DAY_COUNT.match(text):
        return rules.CELL_DAY_NUMBER, f"{shortened(text)} is a count of days, not a date.", None
    return rules.CELL_DATE, f"{shortened(text)} is not a date or time in the form asked for.", None
