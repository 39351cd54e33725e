"""Passes on both sides of a fault's ends; every expectation was computed by hand.

A day without a time of day is read as in model/formats.py: from its first instant anywhere on Earth (UTC+14,
10:00 UTC of the day before) to its last (UTC-12, 12:00 UTC of the day after).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import product

import pytest

from provpack.jobs.tracetimes import (
    ALWAYS,
    Judgement,
    Stretch,
    Verdict,
    Why,
    Window,
    judge,
    stretch_of_fault,
    stretch_of_fitting,
    stretch_of_pass,
    together,
)

C: Verdict = "covered"
N: Verdict = "not_covered"
U: Verdict = "cannot_be_told"

# (pass, fault (since, until, noted), verdict, why)
CASES: dict[
    str,
    tuple[tuple[str | None, str | None], tuple[str | None, str | None, str | None], Verdict, Why | None],
] = {
    "in the middle": (
        ("2031-05-05T09:00:00Z", "2031-05-05T10:00:00Z"),
        ("2031-05-04T10:00:00Z", "2031-05-06T10:00:00Z", None), C, None,
    ),
    # 12:00 at +02:00 is 10:00 UTC: a pass that stops at 09:59:59 UTC was before it
    "a second before, in another zone": (
        ("2031-05-04T09:00:00Z", "2031-05-04T09:59:59Z"),
        ("2031-05-04T12:00:00+02:00", "2031-05-06T12:00:00+02:00", None), N, None,
    ),
    "stops in the instant it begins": (
        ("2031-05-04T11:00:00+02:00", "2031-05-04T12:00:00+02:00"),
        ("2031-05-04T10:00:00Z", None, None), C, None,
    ),
    "begins in the instant it ends": (
        ("2031-05-06T05:00:00-05:00", "2031-05-06T06:00:00-05:00"),
        ("2031-05-04T10:00:00Z", "2031-05-06T10:00:00Z", None), C, None,
    ),
    "a second after its end": (
        ("2031-05-06T10:00:01Z", "2031-05-06T11:00:00Z"),
        ("2031-05-04T10:00:00Z", "2031-05-06T10:00:00Z", None), N, None,
    ),
    "longer than the fault": (
        ("2031-05-01T00:00:00Z", "2031-05-30T00:00:00Z"),
        ("2031-05-04T10:00:00Z", "2031-05-06T10:00:00Z", None), C, None,
    ),
    # across midnight UTC: 23:30 to 00:30 at +02:00 is 21:30 to 22:30 UTC, all of it before midnight UTC
    "after midnight here, before it in UTC": (
        ("2031-05-03T23:30:00+02:00", "2031-05-04T00:30:00+02:00"),
        ("2031-05-04T00:00:00Z", None, None), N, None,
    ),
    "after midnight here, fault told in the zone of the house": (
        ("2031-05-03T23:30:00+02:00", "2031-05-04T00:30:00+02:00"),
        ("2031-05-04T00:00:00+02:00", None, None), C, None,
    ),
    # since a day: somewhere between 05-03 10:00 UTC and 05-05 12:00 UTC
    "before a day begins anywhere": (
        ("2031-05-03T08:00:00Z", "2031-05-03T09:59:59Z"), ("2031-05-04", None, None), N, None,
    ),
    "on the day": (
        ("2031-05-04T09:00:00Z", "2031-05-04T10:00:00Z"), ("2031-05-04", None, None), U, "day_only",
    ),
    "late on the day before": (
        ("2031-05-03T22:00:00Z", "2031-05-03T23:00:00Z"), ("2031-05-04", None, None), U, "day_only",
    ),
    "after the day has ended everywhere": (
        ("2031-05-05T12:00:00Z", "2031-05-05T13:00:00Z"), ("2031-05-04", None, None), C, None,
    ),
    # until a day: somewhere between 05-09 10:00 UTC and 05-11 12:00 UTC
    "before the last day anywhere": (
        ("2031-05-09T08:00:00Z", "2031-05-09T09:00:00Z"), ("2031-05-04", "2031-05-10", None), C, None,
    ),
    "on the last day": (
        ("2031-05-10T08:00:00Z", "2031-05-10T09:00:00Z"), ("2031-05-04", "2031-05-10", None), U, "day_only",
    ),
    "after the last day everywhere": (
        ("2031-05-11T12:00:00Z", "2031-05-11T13:00:00Z"), ("2031-05-04", "2031-05-10", None), N, None,
    ),
    "one and the same day": (
        ("2031-05-04T08:00:00Z", "2031-05-04T09:00:00Z"), ("2031-05-04", "2031-05-04", None), U, "day_only",
    ),
    # open ends
    "still, long after": (
        ("2039-01-01T00:00:00Z", "2039-01-01T01:00:00Z"), ("2031-05-04", None, None), C, None,
    ),
    "nobody knows from when, before it was noted": (
        ("2030-01-01T00:00:00Z", "2030-01-01T01:00:00Z"),
        (None, None, "2031-05-04T10:00:00Z"), U, "notice_open",
    ),
    "nobody knows from when, after it was noted": (
        ("2031-05-04T10:00:00Z", "2031-05-04T11:00:00Z"),
        (None, None, "2031-05-04T10:00:00Z"), C, None,
    ),
    "nobody knows from when, after its end": (
        ("2031-05-07T00:00:00Z", "2031-05-07T01:00:00Z"),
        (None, "2031-05-06T00:00:00Z", "2031-05-08T10:00:00Z"), N, None,
    ),
    "nobody knows from when, noted after its end": (
        ("2031-05-05T00:00:00Z", "2031-05-05T01:00:00Z"),
        (None, "2031-05-06T00:00:00Z", "2031-05-08T10:00:00Z"), U, "notice_open",
    ),
    "nothing but that there was a fault": (
        ("2031-05-05T00:00:00Z", "2031-05-05T01:00:00Z"), (None, None, None), U, "notice_open",
    ),
    # passes without a time, or with one end
    "no time at all": ((None, None), ("2031-05-04", None, None), U, "no_time_noted"),
    "no time and no time": ((None, None), (None, None, None), U, "no_time_noted"),
    "only the begin, before the fault": (
        ("2031-05-01T00:00:00Z", None), ("2031-05-04T00:00:00Z", None, None), U, "end_not_noted",
    ),
    "only the begin, within": (
        ("2031-05-05T00:00:00Z", None),
        ("2031-05-04T00:00:00Z", "2031-05-06T00:00:00Z", None), C, None,
    ),
    "only the begin, after": (
        ("2031-05-07T00:00:00Z", None),
        ("2031-05-04T00:00:00Z", "2031-05-06T00:00:00Z", None), N, None,
    ),
    "only the end, before": (
        (None, "2031-05-03T00:00:00Z"), ("2031-05-04T00:00:00Z", "2031-05-06T00:00:00Z", None), N, None,
    ),
    "only the end, within": (
        (None, "2031-05-05T00:00:00Z"), ("2031-05-04T00:00:00Z", "2031-05-06T00:00:00Z", None), C, None,
    ),
    "only the end, after": (
        (None, "2031-05-07T00:00:00Z"),
        ("2031-05-04T00:00:00Z", "2031-05-06T00:00:00Z", None), U, "end_not_noted",
    ),
    # what cannot be
    "the pass stops before it starts": (
        ("2031-05-05T10:00:00Z", "2031-05-05T09:00:00Z"), ("2031-05-04T00:00:00Z", None, None), U,
        "contradiction",
    ),
    "the fault ends before it begins": (
        ("2031-05-20T10:00:00Z", "2031-05-20T11:00:00Z"),
        ("2031-05-14T00:00:00Z", "2031-05-04T00:00:00Z", None), U, "contradiction",
    ),
    # two days are compared as days: nobody ends a fault on the day before it began, in whatever zone
    "the fault ends on the day before it begins": (
        ("2031-05-20T10:00:00Z", "2031-05-20T11:00:00Z"),
        ("2031-05-10", "2031-05-09", None), U, "contradiction",
    ),
    "the fault ends on the day before it begins, one end with its time": (
        ("2031-05-20T10:00:00Z", "2031-05-20T11:00:00Z"),
        ("2031-05-10", "2031-05-09T18:00:00+02:00", None), U, "contradiction",
    ),
    "the fault ends on its day before the hour it begins": (
        ("2031-05-20T10:00:00Z", "2031-05-20T11:00:00Z"),
        ("2031-05-10T12:00:00+02:00", "2031-05-10T11:00:00+02:00", None), U, "contradiction",
    ),
    "the fault ends on the day it begins at some hour": (
        ("2031-05-20T10:00:00Z", "2031-05-20T11:00:00Z"),
        ("2031-05-10T12:00:00+02:00", "2031-05-10", None), N, None,
    ),
    "an end that is no moment is not 'still'": (
        ("2031-05-20T10:00:00Z", "2031-05-20T11:00:00Z"), ("2031-05-04T00:00:00Z", "soon", None), U,
        "notice_open",
    ),
    "a begin that is no moment is nobody's": (
        ("2031-05-20T10:00:00Z", "2031-05-20T11:00:00Z"), ("long ago", None, None), U, "notice_open",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_a_pass_and_a_fault(name: str) -> None:
    played, fault, verdict, why = CASES[name]
    assert judge(stretch_of_pass(*played), stretch_of_fault(*fault)) == Judgement(verdict=verdict, why=why)


def test_what_is_said_for_sure_holds_in_every_reading() -> None:
    """Judge against brute force: three hours for each end, every reading of the ends tried one by one."""
    hours = [datetime(2031, 5, 4, hour, tzinfo=UTC) for hour in range(4)]
    ends = [(a, b) for a, b in product(hours, hours) if a <= b]
    for pb, pe, fb, fe in product(ends, ends, ends[::2], ends[1::2]):
        played, fault = Stretch(begin=pb, end=pe), Stretch(begin=fb, end=fe)
        readings = [
            max(a, c) <= min(b, d)
            for a in (pb[0], pb[1])
            for b in (pe[0], pe[1])
            if a <= b
            for c in (fb[0], fb[1])
            for d in (fe[0], fe[1])
            if c <= d
        ]
        said = judge(played, fault).verdict
        if not readings:
            assert said == "cannot_be_told"
        elif said == "covered":
            assert all(readings)
        elif said == "not_covered":
            assert not any(readings)


# --- fitted: a part in a machine ---

JUNE = ("2031-06-10T08:00:00Z", "2031-06-10T09:00:00Z")


@pytest.mark.parametrize(
    ("fit", "fault", "verdict", "why"),
    [
        # in the machine and bad: both at the time of the pass
        (("2031-06-01T00:00:00Z", None), ("2031-06-05T00:00:00Z", None), "covered", None),
        # the fault came only after the pass
        (("2031-06-01T00:00:00Z", None), ("2031-07-01T00:00:00Z", None), "not_covered", None),
        # it had been taken out before it went bad, although a pass of a week touches both times
        (("2031-06-01", "2031-06-03T00:00:00Z"), ("2031-06-05T00:00:00Z", None), "not_covered", None),
        # fitted on that day: perhaps after the pass
        (("2031-06-10", None), ("2031-06-05T00:00:00Z", None), "cannot_be_told", "fitting_unsure"),
    ],
)  # fmt: skip
def test_a_part_must_be_in_the_machine_when_it_is_bad(
    fit: tuple[str, str | None], fault: tuple[str, str | None], verdict: Verdict, why: Why | None
) -> None:
    played = stretch_of_pass("2031-06-01T00:00:00Z", "2031-06-10T09:00:00Z")
    if why is not None:
        played = stretch_of_pass(*JUNE)
    said = judge(played, stretch_of_fault(*fault, None), (stretch_of_fitting(*fit),))
    assert said == Judgement(verdict=verdict, why=why)


def test_two_steps_that_no_instant_allows_lead_nowhere() -> None:
    # the firmware was in the board until the 5th, the board in the decoder from the 6th on
    steps = [stretch_of_fitting("2031-06-01T00:00:00Z", "2031-06-05T00:00:00Z"),
             stretch_of_fitting("2031-06-06T00:00:00Z", None)]  # fmt: skip
    assert together([*steps, stretch_of_pass("2031-06-04T00:00:00Z", "2031-06-07T00:00:00Z")]) == "never"
    assert together([steps[0], stretch_of_pass("2031-06-04T00:00:00Z", "2031-06-07T00:00:00Z")]) == "surely"
    assert together([ALWAYS, stretch_of_pass(None, None)]) == "surely"
    assert together([stretch_of_fitting("2031-06-01", None), stretch_of_pass(None, None)]) == "perhaps"


# --- the time asked for ---


@pytest.mark.parametrize(
    ("since", "until", "played", "inside"),
    [
        (None, None, JUNE, True),
        ("2031-06-10", None, JUNE, True),
        ("2031-06-11", None, ("2031-06-10T08:00:00Z", "2031-06-10T09:59:59Z"), False),
        # 10:00 UTC on the 10th is the first instant of the 11th, at UTC+14
        ("2031-06-11", None, ("2031-06-10T08:00:00Z", "2031-06-10T10:00:00Z"), True),
        (None, "2031-06-09", ("2031-06-10T12:00:00Z", "2031-06-10T13:00:00Z"), False),
        (None, "2031-06-09", ("2031-06-10T11:59:59Z", "2031-06-10T13:00:00Z"), True),
        ("2031-06-10T11:00:00+02:00", None, JUNE, True),  # stops in that instant
        ("2031-06-10T11:00:01+02:00", None, JUNE, False),
        (None, "2031-06-10T10:00:00+02:00", JUNE, True),  # begins in that instant
        (None, "2031-06-10T09:59:59+02:00", JUNE, False),
        ("2031-06-11", "2031-06-12", (None, None), True),
        ("2031-07-01", None, (JUNE[0], None), True),  # nobody noted when it stopped
        (None, "2031-06-01", (JUNE[0], None), False),
        ("2031-07-01", None, (None, JUNE[1]), False),
    ],
)
def test_the_window(
    since: str | None, until: str | None, played: tuple[str | None, str | None], inside: bool
) -> None:
    window = Window(since=since, until=until)
    assert window.may_hold(stretch_of_pass(*played)) is inside
    # the first sieve, as text, lets through at least what the window holds
    low, high = window.as_utc()
    start, stop = played
    sieved = not ((low and stop and stop < low) or (high and start and start > high))
    assert sieved or not inside


@pytest.mark.parametrize(
    ("since", "until", "backwards"),
    [
        ("2031-06-10", "2031-06-10", False),
        ("2031-06-10", "2031-06-09", True),
        ("2031-06-10T12:00:00+02:00", "2031-06-10T10:00:00Z", False),  # the same instant
        ("2031-06-10T12:00:01+02:00", "2031-06-10T10:00:00Z", True),
        ("2031-06-10", "2031-06-09T12:00:00Z", False),  # somewhere it is the 10th already
        ("2031-06-12", "2031-06-09T12:00:00Z", True),
        (None, "2031-06-09", False),
        ("2031-06-09", None, False),
    ],
)
def test_since_after_until(since: str | None, until: str | None, backwards: bool) -> None:
    assert Window(since=since, until=until).backwards is backwards


def test_the_end_of_time_is_no_error() -> None:
    low, high = Window(since="1000-01-02", until="9999-12-31T23:59:59Z").as_utc()
    assert low == "1000-01-01T10:00:00Z"
    assert high is not None and high >= "9999-12-31T23:59:59Z"
    assert timedelta(0) < ALWAYS.end[0] - ALWAYS.begin[0]
