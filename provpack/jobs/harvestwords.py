"""Single values of strangers' documents, made fit for a database: bounded, no half characters, UTC."""

from __future__ import annotations

import datetime
import math
from fractions import Fraction

from provpack.model.formats import is_date, read_date_time, read_moment

LONGEST_NAME = 500
"""Characters of an identifier or a name that are kept; an index of a database takes about 2700 bytes."""
LONGEST_TEXT = 20_000
"""Characters of a free text that are kept."""
LONGEST_LABEL = 4000
"""Characters of the text of a label, or of a restriction, that are kept."""
_LARGEST = 2**63 - 1
_SECOND = datetime.timedelta(seconds=1)


def text(value: object, limit: int = LONGEST_NAME) -> str | None:
    """A text without what no database takes (halves of characters, NUL), cut to `limit` characters; None
    when it is something else, or blank."""
    if not isinstance(value, str):
        return None
    cut = value[: limit + 1]
    if not cut.isascii() or "\0" in cut:
        cut = "".join("\ufffd" if c == "\0" or 0xD800 <= ord(c) <= 0xDFFF else c for c in cut)
    cut = cut.strip()
    return (cut if len(cut) <= limit else cut[: limit - 1] + "…") or None


def whole(value: object) -> int | None:
    """A whole number from 0 that fits 64 bits; None for anything else."""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return value if type(value) is int and 0 <= value <= _LARGEST else None


def seconds(value: object) -> float | None:
    """A finite number from 0; None for anything else."""
    if isinstance(value, bool) or not isinstance(value, (int, float, Fraction)):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) and number >= 0 else None


def day(value: object) -> str | None:
    """A calendar date as it stands; None for anything else."""
    return value if isinstance(value, str) and is_date(value) else None


def moment(value: object) -> str | None:
    """A date-time in UTC to the second, a date as its first second; None for anything else."""
    if (only := day(value)) is not None:
        return f"{only}T00:00:00Z"
    exact = read_date_time(value) if isinstance(value, str) else None
    return None if exact is None else _utc(exact)


def no_later_than(value: object) -> str | None:
    """The earliest second that a date or date-time may mean, UTC.

    A date alone says nothing of the zone: it begins at UTC+14, that is at 10:00 UTC of the day before. So a
    question whether two times overlap never misses one.
    """
    found = read_moment(value)
    return None if found is None else _utc(found.earliest)


def no_earlier_than(value: object) -> str | None:
    """The latest second that a date or date-time may mean, UTC; the end of a date is that of UTC-12, at 12:00
    UTC of the day after. Parts of a second are rounded up."""
    found = read_moment(value)
    if found is None:
        return None
    part = found.latest.microsecond
    try:
        return _utc(found.latest.replace(microsecond=0) + _SECOND if part else found.latest)
    except OverflowError:
        return None


def _utc(exact: datetime.datetime) -> str | None:
    try:
        whole_second = exact.astimezone(datetime.UTC).replace(microsecond=0, tzinfo=None)
    except OverflowError:
        return None
    return whole_second.isoformat() + "Z"
