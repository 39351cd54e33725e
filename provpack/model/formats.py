"""Checks behind the `format` words of the schemas: a pattern sees the shape, these see the calendar.

RFC 3339 section 5.6 (profile of ISO 8601-1) for date and date-time, RFC 9562 section 4 for uuid.
"""

from __future__ import annotations

import datetime
import re
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

_DATE: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}\Z")
_DATE_TIME: Final = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]{1,9})?(?:Z|[+-][0-9]{2}:[0-9]{2})\Z"
)


def is_date(text: str) -> bool:
    """Whether text is a calendar date YYYY-MM-DD that exists."""
    if not _DATE.match(text):
        return False
    try:
        datetime.date.fromisoformat(text)
    except ValueError:
        return False
    return True


def is_date_time(text: str) -> bool:
    """Whether text is YYYY-MM-DDThh:mm:ss[.fff] with an offset (Z or +hh:mm), at a time that exists."""
    return read_date_time(text) is not None


def is_uuid(text: str) -> bool:
    """Whether text is a UUID in its usual lower-case form."""
    try:
        return str(uuid.UUID(text)) == text
    except ValueError:
        return False


def read_date_time(text: str) -> datetime.datetime | None:
    """The moment, with its offset; None when text is not one. Digits below a microsecond are cut."""
    if not _DATE_TIME.match(text):
        return None
    try:
        return datetime.datetime.fromisoformat(re.sub(r"(\.[0-9]{6})[0-9]+", r"\1", text))
    except ValueError:
        return None


FORMATS: Final[Mapping[str, Callable[[str], bool]]] = MappingProxyType(
    {"date": is_date, "date-time": is_date_time, "uuid": is_uuid}
)
"""Every `format` word the schemas use, with its check."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A date or a date-time as the stretch of time it may mean: earliest and latest, both aware (UTC).

    A date without a time says nothing of the zone, so it spans from its first instant anywhere on Earth
    (UTC+14) to its last (UTC-12). Order is claimed only where the stretches do not overlap.
    """

    text: str
    earliest: datetime.datetime
    latest: datetime.datetime

    def surely_before(self, other: Moment) -> bool:
        """True only when no reading of the two lets this one be the later, or the same."""
        return self.latest < other.earliest


def read_moment(value: object) -> Moment | None:
    """A Moment from "2031-05-04" or a date-time with offset; None for anything else."""
    if not isinstance(value, str):
        return None
    exact = read_date_time(value)
    if exact is not None:
        try:
            utc = exact.astimezone(datetime.UTC)
        except OverflowError:
            return None
        return Moment(text=value, earliest=utc, latest=utc)
    if not is_date(value):
        return None
    try:
        midnight = datetime.datetime.fromisoformat(value).replace(tzinfo=datetime.UTC)
        return Moment(
            text=value,
            earliest=midnight - datetime.timedelta(hours=14),
            latest=midnight + datetime.timedelta(hours=36) - datetime.timedelta(microseconds=1),
        )
    except OverflowError:
        return None


def told_backwards(since: object, until: object) -> bool:
    """Whether an end is told before its begin. Who writes two days, or a day and a time of day, counts days
    by one calendar: they are compared as written, not by what each may mean somewhere on Earth."""
    begin, end = read_moment(since), read_moment(until)
    if begin is None or end is None:
        return False
    if is_date(begin.text) or is_date(end.text):
        return end.text[:10] < begin.text[:10]
    return end.latest < begin.earliest
