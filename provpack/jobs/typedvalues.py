"""Spans of time, rates and shares from the command line: what is none is a usage error that says how."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from fractions import Fraction
from typing import TypeVar

from provpack.errors import UsageProblem
from provpack.model import ages

T = TypeVar("T")


def age_of(text: str | None, option: str) -> timedelta | None:
    """See model.ages.parse_age; None when nothing was typed. Raises UsageProblem."""
    return _read(ages.parse_age, text, option)


def rate_of(text: str | None, option: str) -> int | None:
    """Bytes per second; see model.ages.parse_rate. Raises UsageProblem."""
    return _read(ages.parse_rate, text, option)


def share_of(text: str | None, option: str) -> Fraction | None:
    """See model.ages.parse_share. Raises UsageProblem."""
    return _read(ages.parse_share, text, option)


def _read(reader: Callable[[str], T], text: str | None, option: str) -> T | None:
    if text is None:
        return None
    try:
        return reader(text)
    except ValueError as err:
        what, _, todo = str(err).partition(". ")
        raise UsageProblem("no-such-value", f"{what}.", where=option, todo=todo) from None
