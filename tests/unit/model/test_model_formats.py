"""Dates, times and identifiers: what exists and what does not."""

from __future__ import annotations

import datetime

import pytest

from provpack.model.formats import FORMATS, is_date, is_date_time, is_uuid, read_date_time, read_moment


@pytest.mark.parametrize(
    "text",
    [
        "2031-05-04T14:30:00+02:00",
        "2031-05-04T14:30:00Z",
        "2028-02-29T00:00:00.123456789-05:30",
        "1999-12-31T23:59:59Z",
    ],
)
def test_date_times_that_exist(text: str) -> None:
    assert is_date_time(text)


@pytest.mark.parametrize(
    "text",
    [
        "yesterday",
        "2031-05-04",
        "2031-05-04T14:30:00",
        "2031-02-29T00:00:00Z",
        "2031-05-04 14:30:00Z",
        "2031-05-04T24:00:00Z",
        "2031-05-04T14:30Z",
        "2031-05-04t14:30:00z",
        "2031-05-04T14:30:00+0200",
        "2031-05-04T14:30:00Z\n",
        "٢٠٣١-05-04T14:30:00Z",
        "2031-05-04T14:30:00.Z",
        "",
    ],
)
def test_date_times_that_do_not(text: str) -> None:
    # RFC 3339 section 5.6; upper-case T and Z and a full offset are asked for
    assert not is_date_time(text)


def test_dates() -> None:
    assert is_date("2028-02-29")
    for text in ("2031-02-29", "2031-5-4", "20310504", "2031-05-04T00:00:00Z", "2031-05-04\n", "0000-01-01"):
        assert not is_date(text)


def test_uuids() -> None:
    assert is_uuid("0f5c1d2e-7a34-4b6c-9d80-000000000014")
    for text in (
        "0F5C1D2E-7A34-4B6C-9D80-000000000014",
        "{0f5c1d2e-7a34-4b6c-9d80-000000000014}",
        "0f5c",
        "",
    ):
        assert not is_uuid(text)


def test_every_format_says_no_to_plain_nonsense() -> None:
    assert not any(check("yesterday") for check in FORMATS.values())


def test_digits_below_a_microsecond_are_cut() -> None:
    moment = read_date_time("2031-05-04T14:30:00.123456789Z")
    assert moment is not None and moment.microsecond == 123456


def test_a_date_spans_the_whole_earth() -> None:
    day = read_moment("2031-05-04")
    assert day is not None
    assert day.earliest == datetime.datetime(2031, 5, 3, 10, tzinfo=datetime.UTC)
    assert day.latest.date() == datetime.date(2031, 5, 5)


@pytest.mark.parametrize(
    ("one", "other", "sure"),
    [
        ("2031-05-04", "2031-05-04", False),
        ("2031-05-04", "2031-05-05", False),  # the day may begin 26 hours apart round the Earth
        ("2031-05-04", "2031-05-07", True),
        ("2031-05-04", "2031-05-04T10:00:00+02:00", False),
        ("2031-05-04T10:00:00+02:00", "2031-05-04T08:30:00Z", True),
        ("2031-05-04T10:00:00+02:00", "2031-05-04T08:00:00Z", False),
    ],
)
def test_order_is_claimed_only_when_it_is_sure(one: str, other: str, sure: bool) -> None:
    first, second = read_moment(one), read_moment(other)
    assert first is not None and second is not None
    assert first.surely_before(second) is sure
    assert not second.surely_before(first)


@pytest.mark.parametrize(
    "value",
    [None, 3, "May 2031", "", ["2031-05-04"], "0001-01-01", "9999-12-31", "0001-01-01T00:00:00+14:00"],
)
def test_what_is_no_moment_gives_none(value: object) -> None:
    assert read_moment(value) is None
