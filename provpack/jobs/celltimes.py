"""Dates and times in cells: ISO 8601 only; every other notation is named, never guessed at."""

from __future__ import annotations

import re
from datetime import date, datetime

from provpack.edge.tables import shortened
from provpack.findings import Rule, Severity
from provpack.jobs import rules, valuerules

TimeFault = tuple[Rule, str, Severity | None]

_DATE = re.compile(r"^([0-9]{4})-([0-9]{2})-([0-9]{2})$")
_MOMENT = re.compile(
    r"^([0-9]{4}-[0-9]{2}-[0-9]{2})[Tt ]([0-9]{2}:[0-9]{2})(:[0-9]{2})?(\.[0-9]{1,9})?"
    r" ?([Zz]|[+-][0-9]{2}:?[0-9]{2})?$"
)
_PARTS = re.compile(r"^([0-9]{1,2})[./\-]([0-9]{1,2})[./\-]([0-9]{4}|[0-9]{2})\b")
_YEAR = re.compile(r"(?<![0-9X-])[0-9]{2}[0-9X]{2}(?![0-9])")
SOUND_SINCE = 1850
"""No sound was recorded before (the first recordings are of 1857; from memory)."""
KEPT_SINCE = 1900
"""Before it no carrier was handled, no machine serviced, no right agreed; common practice, no source."""
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
        if _PARTS.match(text) or _DAY_COUNT.match(text):
            return None, _notation(text)
        early = next((y for y in _YEAR.findall(text) if int(y.replace("X", "9")) < SOUND_SINCE), None)
        if early is None:
            return text, None
        rule, what, _ = _too_early(text, early, SOUND_SINCE)
        return text, (rule, what, "warning")  # what an owner says of it is kept: nobody else may know better
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
    if not _exists(day):
        return None, _no_such(text)
    if seconds is None:
        return value, (rules.CELL_DATE, f"{shortened(text)} has no seconds; 00 was written.", "note")
    return value, None


def _exists(text: str) -> bool:
    try:
        return date.fromisoformat(text).year >= KEPT_SINCE
    except ValueError:
        return False


def _no_such(text: str) -> TimeFault:
    year = text[:4]
    if "0000" < year < str(KEPT_SINCE):
        return _too_early(text, year, KEPT_SINCE)
    return rules.CELL_DATE, f"{shortened(text)} does not exist in the calendar or on the clock.", None


def _too_early(text: str, year: str, since: int) -> TimeFault:
    what = f"{shortened(text)} names the year {year}; nothing that is recorded here is older than {since}."
    return valuerules.DATE_TOO_EARLY, what, None


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


def instead(text: str, kind: str) -> str:
    """What to write in the place of a date in another order: each day it may mean; "" for none."""
    parts = _PARTS.match(text)
    if parts is None or len(parts[3]) != 4:
        return ""
    first, second, year = int(parts[1]), int(parts[2]), parts[3]
    days = [
        f"{year}-{month:02}-{day:02}"
        for day, month in dict.fromkeys(((first, second), (second, first)))
        if 1 <= month <= 12 and 1 <= day <= 31
    ]
    if not days:
        return ""
    time = (
        f", and behind it the time with its offset: {days[0]}T14:30:00+02:00" if kind == "date_time" else ""
    )
    return f"Write {' or '.join(days)}{time}."
