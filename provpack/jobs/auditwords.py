"""Days and checks as `audit` words them."""

from __future__ import annotations

from datetime import date

from provpack.catalogue.values import Listed
from provpack.model.formats import read_moment


def checked_at(one: Listed) -> str | None:
    """When it was last checked."""
    return one.last_checked_at


def detail_of(one: Listed) -> str | None:
    """What the question is about."""
    return one.detail or None


def last_check(one: Listed) -> str:
    """When and how it was last checked, in a sentence."""
    if one.last_checked_at is None:
        return "No check that read its bytes is on record."
    depth = {
        "bytes": ", every byte read",
        "meaning": ", every byte and its meaning",
        "listed": ", names and sizes only",
    }
    how = depth.get(one.last_depth or "", "")
    return f"Last checked on {day_of(one.last_checked_at)}: {one.last_outcome or 'outcome unknown'}{how}."


def day_of(moment: str | None) -> str:
    """The day of a moment, in words where nobody noted it."""
    return (moment or "")[:10] or "on a day nobody noted"


def days_words(count: int) -> str:
    """A number of days."""
    return "1 day" if count == 1 else f"{count} days"


def days_since(moment: str | None, today: date) -> int | None:
    """Whole days from a moment or day up to today; None when it is neither, or later than today."""
    known = read_moment(moment)
    if known is None:
        return None
    days = (today - date.fromisoformat(known.text[:10])).days
    return days if days >= 0 else None
