"""A file held against a pass: by its last change, by its bext, and over the change to winter time.

Clock arithmetic, worked out by hand beside each check. In the invented zone the clocks go back from 3:00
(+02:00) to 2:00 (+01:00) on 2026-10-25.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from provpack.package.benchfit import FileSeen, Fit, fit, may_be_longer, may_be_shorter
from provpack.package.benchglob import MOST_PARTS, fits_pattern, pattern_fault
from provpack.package.benchstate import Pass

START = "2026-10-24T21:00:00+02:00"


def later(moment: str, seconds: float) -> str:
    return (datetime.fromisoformat(moment) + timedelta(seconds=seconds)).isoformat()


def held(
    seconds: float, *, start: str = START, stop: str | None = None, changed: str | None = None, **more: Any
) -> Fit:
    """A file of so many seconds against a pass of the same, unless told otherwise; changed: when last."""
    stop = later(start, seconds) if stop is None else stop
    one = Pass(
        transfer_id="T01", number=2, chain_id="A", n=1, started_at=start, stopped_at=stop, settings={},
        changed=(),
    )  # fmt: skip
    seen = FileSeen(
        name="x.wav", bytes=1, modified_at=stop if changed is None else changed, stable=True,
        frames=round(seconds * 44100), header_hz=44100, **more,
    )  # fmt: skip
    return fit(seen, one)


@pytest.mark.parametrize(
    ("lasted", "longer", "shorter"),
    [
        (0, 10, 3),
        (30, 10, 3),
        (40, 10, 4),  # a quarter, a tenth
        (100, 25, 10),
        (199, 49.75, 19.9),
        (200, 50, 20),
        (480, 120, 20),
        (3600, 120, 20),
    ],
)
def test_how_much_longer_or_shorter_a_file_may_be(lasted: float, longer: float, shorter: float) -> None:
    """LONGER and SHORTER with their least and their shares: proposals of provpack/package/benchfit.py."""
    assert may_be_longer(lasted) == pytest.approx(longer)
    assert may_be_shorter(lasted) == pytest.approx(shorter)


@pytest.mark.parametrize(("less", "length"), [(0, "not_known"), (1, "agrees")])
def test_a_header_that_claims_a_fortnight_is_not_believed(less: int, length: str) -> None:
    found = held(14 * 86_400 - less)
    assert found.length == length
    assert (found.why[0] == "How long it is cannot be told from its header.") == (less == 0)


def test_a_file_that_was_written_while_the_pass_ran() -> None:
    found = held(600, origination="2026-10-24T21:00:02")
    assert (found.time, found.length, found.fits) == ("agrees", "agrees", True)
    assert (found.begin, found.begin_from) == (datetime.fromisoformat(later(START, 2)), "bext")
    assert found.off == 4.0
    plain = held(600)
    assert (plain.time, plain.begin_from, plain.off) == ("agrees", "modified_time", 0.0)


def test_without_a_readable_last_change_the_bext_alone_counts() -> None:
    found = held(600, changed="yesterday", origination="2026-10-24T21:00:05")
    assert (found.time, found.begin_from, found.off) == ("agrees", "bext", 10.0)
    assert found.begin == datetime.fromisoformat(later(START, 5))
    none = held(600, changed="yesterday")
    assert (none.time, none.length, none.begin, none.off) == ("not_known", "agrees", None, float("inf"))


def test_a_bext_time_that_is_that_of_the_end() -> None:
    found = held(600, origination="2026-10-24T21:10:03")
    assert (found.time, found.begin_from) == ("agrees", "bext")
    assert found.begin == datetime.fromisoformat(later(START, 3))
    assert "Its bext time is that of its last change: the program wrote when capture ended." in found.why
    # too short for that to be told apart from its beginning
    short = held(15, origination="2026-10-24T21:00:12")
    assert not any("the program wrote when capture ended" in why for why in short.why)


@pytest.mark.parametrize("origination", [None, "", "noon", "2026-10-24T21:00:02Z", "0001-01-01T00:00:00"])
def test_a_bext_time_that_says_nothing(origination: str | None) -> None:
    found = held(600, origination=origination)
    assert (found.time, found.begin_from) == ("agrees", "modified_time")


# 2:30 summer time to 2:20 winter time: fifty minutes
NIGHT = {"start": "2026-10-25T02:30:00+02:00", "stop": "2026-10-25T02:20:00+01:00"}


@pytest.mark.parametrize(
    ("begin", "changed"),
    [
        ("2026-10-25T02:30:04+02:00", "2026-10-25T02:20:04+01:00"),
        ("2026-10-25T02:29:45+02:00", "2026-10-25T02:19:45+01:00"),
    ],
)
def test_over_the_change_of_the_clocks_the_last_change_tells_which_was_meant(
    begin: str, changed: str
) -> None:
    local = begin[:19]  # without its offset it could be either
    found = held(3000, **NIGHT, changed=changed, origination=local)
    assert (found.time, found.length, found.begin_from) == ("agrees", "agrees", "bext")
    assert found.begin == datetime.fromisoformat(begin)


def test_over_the_change_of_the_clocks_the_bext_alone_is_in_doubt() -> None:
    found = held(3000, **NIGHT, changed="yesterday", origination="2026-10-25T02:30:04")
    assert (found.time, found.begin) == ("not_known", None)
    assert any("The clocks were changed during the pass" in why for why in found.why)


def test_what_begins_too_late_or_in_another_hour() -> None:
    # 600 s: twenty seconds may be missing, and 0.6 s for the rate
    for seconds, time in ((20, "agrees"), (21, "disagrees")):
        found = held(600, changed=later(START, 600 + seconds))
        assert found.time == time
    hour = held(600, changed=later(START, 600 + 3600))
    assert hour.time == "not_known" and any("whole hours" in why for why in hour.why)
    early = held(600, changed=later(START, 600 - 700))
    assert early.time == "disagrees" and any("before the pass was stopped" in why for why in early.why)


# ---- which files a chain means


@pytest.mark.parametrize(
    ("pattern", "fault"),
    [
        ("", "is empty"),
        (" ", "is empty"),
        ("/a", "leads out of the job folder"),
        ("a/../b", "leads out of the job folder"),
        ("a\\b", "uses a backslash; write / between folders"),
        ("a/" * MOST_PARTS + "b", f"names more than {MOST_PARTS} folders"),
        ("a/" * (MOST_PARTS - 1) + "b", ""),
        ("a..b/*.wav", ""),
    ],
)
def test_patterns_that_can_mean_no_file(pattern: str, fault: str) -> None:
    assert pattern_fault(pattern) == fault
    if fault:
        assert fits_pattern("a", pattern) == "not_known"


@pytest.mark.parametrize(
    ("name", "pattern", "fits"),
    [
        ("capture/a.wav", "capture/*.wav", "agrees"),
        ("capture/deep/a.wav", "capture/*.wav", "disagrees"),
        ("capture/deep/a.wav", "capture/**/*.wav", "agrees"),
        ("capture/a.wav", "capture/**/*.wav", "agrees"),
        ("a.WAV", "*.wav", "not_known"),
        ("./capture//a.wav", "capture/a.wav", "agrees"),
        ("gr\u00fcn.wav", "gru\u0308n.wav", "agrees"),
        ("a/" * MOST_PARTS + "b", "**/b", "disagrees"),
        ("a/" * (MOST_PARTS - 1) + "b", "**/b", "agrees"),
        ("b", "a/b", "disagrees"),
        ("a/b", "a", "disagrees"),
    ],
)
def test_what_a_pattern_means(name: str, pattern: str, fits: str) -> None:
    assert fits_pattern(name, pattern) == fits
