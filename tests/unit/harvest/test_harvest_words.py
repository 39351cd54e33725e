"""Single values of strangers' documents."""

from __future__ import annotations

import math

import pytest

from provpack.jobs.harvestwords import day, moment, no_earlier_than, no_later_than, seconds, text, whole


@pytest.mark.parametrize(
    ("value", "wanted"),
    [
        ("  plain ", "plain"),
        ("a\0b", "a\ufffdb"),
        ("a\ud800b", "a\ufffdb"),
        ("\udcff", "\ufffd"),
        ("x" * 600, "x" * 499 + "…"),
        ("", None),
        (" \n", None),
        (7, None),
        (["a"], None),
        (None, None),
        ("two\nlines", "two\nlines"),
    ],
)
def test_text_is_what_every_database_takes(value: object, wanted: str | None) -> None:
    assert text(value) == wanted


@pytest.mark.parametrize(
    ("value", "wanted"),
    [
        (3, 3),
        (3.0, 3),
        (0, 0),
        (-1, None),
        (True, None),
        (2**63, None),
        (3.5, None),
        ("3", None),
        (math.nan, None),
    ],
)
def test_whole_numbers(value: object, wanted: int | None) -> None:
    assert whole(value) == wanted


@pytest.mark.parametrize(
    ("value", "wanted"),
    [
        (1.5, 1.5),
        (2, 2.0),
        (math.inf, None),
        (math.nan, None),
        (-1, None),
        (10**400, None),
        (False, None),
        ("1", None),
    ],
)
def test_seconds(value: object, wanted: float | None) -> None:
    assert seconds(value) == wanted


@pytest.mark.parametrize(
    ("value", "at", "first", "last"),
    [
        # RFC 3339 section 5.6; the arithmetic of offsets is section 4.2
        ("2031-05-04T00:30:00+02:00", "2031-05-03T22:30:00Z", "2031-05-03T22:30:00Z", "2031-05-03T22:30:00Z"),
        ("2031-05-04T10:00:00.25Z", "2031-05-04T10:00:00Z", "2031-05-04T10:00:00Z", "2031-05-04T10:00:01Z"),
        # the first place where a day begins is at UTC+14, the last where it ends at UTC-12 (from memory)
        ("2031-05-04", "2031-05-04T00:00:00Z", "2031-05-03T10:00:00Z", "2031-05-05T12:00:00Z"),
        ("2031-02-30", None, None, None),
        ("tomorrow", None, None, None),
        (20310504, None, None, None),
        ("0001-01-01T00:00:00+14:00", None, None, None),
        ("9999-12-31T23:59:59.5-12:00", None, None, None),
    ],
)
def test_moments_are_utc_and_never_narrower_than_what_was_said(
    value: object, at: str | None, first: str | None, last: str | None
) -> None:
    assert (moment(value), no_later_than(value), no_earlier_than(value)) == (at, first, last)


def test_a_day_is_a_calendar_day() -> None:
    assert (day("2028-02-29"), day("2031-02-29"), day("2031-05-04T00:00:00Z")) == ("2028-02-29", None, None)
