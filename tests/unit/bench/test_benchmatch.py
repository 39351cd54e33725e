"""Does a file belong to a pass? Times and figures are worked out by hand beside each case."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provpack.package.benchline import Fits
from provpack.package.benchmatch import Agreement, FileSeen, match
from provpack.package.benchstate import Attached, Pass

SUMMER = timezone(timedelta(hours=2))
EIGHT = datetime(2031, 5, 4, 20, 0, 0, tzinfo=SUMMER)
A_FILES, B_FILES = "captures/digital-1/*.wav", "captures/digital-2/*.wav"
BOTH = {"A": A_FILES, "B": B_FILES}


def made(
    transfer: str = "T01",
    chain: str = "A",
    *,
    start: datetime = EIGHT,
    lasted: float | None = 3600.0,
    **more: Any,
) -> Pass:
    """A pass; lasted None = it still runs."""
    stop = None if lasted is None else (start + timedelta(seconds=lasted)).isoformat()
    return Pass(
        transfer_id=transfer, number=1, chain_id=chain, n=1, started_at=start.isoformat(), settings={},
        changed=(), stopped_at=stop, **more,
    )  # fmt: skip


def captured(
    begin: datetime, seconds: float, *, hz: int = 44100, name: str = "captures/digital-1/one.wav", **more: Any
) -> FileSeen:
    """A file whose header makes it so long, last changed as its last sample was written."""
    return FileSeen(
        name=name, bytes=int(seconds * hz) * 4 + 44, stable=True, frames=round(seconds * hz), header_hz=hz,
        channels=2, bits=16,
        **{"modified_at": (begin + timedelta(seconds=seconds)).isoformat(), **more},
    )  # fmt: skip


def alone(seen: FileSeen, one: Pass, **more: Any) -> Agreement:
    return match(seen, one, **{"capture_files": A_FILES, "others": (), **more})


def verdicts(found: Agreement) -> tuple[Fits, Fits, Fits]:
    return found.time, found.length, found.input


def after(seconds: float) -> datetime:
    return EIGHT + timedelta(seconds=seconds)


# --- one pass, one file ---


def test_a_capture_around_its_pass_agrees_in_everything_and_says_when_it_began() -> None:
    found = alone(captured(after(-12), 3640), made())
    assert verdicts(found) == ("agrees", "agrees", "agrees")
    assert found.whole
    assert found.starts_at is not None
    assert datetime.fromisoformat(found.starts_at) == after(-12)
    assert found.starts_from == "modified_time"
    assert found.members() == {"time": "agrees", "length": "agrees", "input": "agrees"}
    told = " ".join(found.why)
    assert "2031-05-04 19:59:48" in told  # 20:00:00 less 12 s
    assert "40.0 s longer" in told  # 3640 - 3600


@pytest.mark.parametrize(
    ("begin", "seconds", "time", "length"),
    [
        (-119, 3719, "agrees", "agrees"),  # LONGER is 120 s, and 3.7 s for the rate
        (-125, 3725, "agrees", "disagrees"),  # 125 > 120 + 3.725
        (19, 3581, "agrees", "agrees"),  # SHORTER is 20 s, and 3.6 s for the rate
        (30, 3570, "disagrees", "disagrees"),
        (0, 1800, "agrees", "disagrees"),  # cut short halfway
        (-1800, 7200, "agrees", "disagrees"),  # began before and ended after: it holds the pass and more
        (-3700, 3600, "disagrees", "agrees"),  # ended 100 s before the pass began
        (-1800, 3600, "disagrees", "agrees"),
    ],
)
def test_what_is_allowed_and_what_is_not(begin: float, seconds: float, time: Fits, length: Fits) -> None:
    found = alone(captured(after(begin), seconds), made())
    assert (found.time, found.length) == (time, length), found.why
    assert found.starts_from == ("modified_time" if time == "agrees" else "pass_start")


def test_a_short_pass_is_not_covered_by_the_tolerance_of_a_long_one() -> None:
    """Thirty seconds: ten more are allowed (LONGER_LEAST), three less (a tenth)."""
    short = made(lasted=30)
    assert alone(captured(after(-4), 39), short).whole
    assert alone(captured(after(-60), 90), short).length == "disagrees"
    assert alone(captured(after(0), 26), short).length == "disagrees"


def test_a_header_of_44100_for_a_tape_clocked_at_44056_is_as_long_as_the_pass() -> None:
    """An hour and a half at 44100/1.001 Hz is 5394.6 s by a header of 44100 Hz: 5.4 s less. [computed]"""
    frames = round(5400 * 44100 / 1.001)
    seen = replace(captured(EIGHT, 5400), frames=frames)
    # clicked 17 s early and late by nothing: 17 + 5.4 is more than SHORTER alone would allow
    found = alone(seen, made(start=after(-17), lasted=5417))
    assert found.length == "agrees"
    assert "off by one in a thousand, 5.4 s" in " ".join(found.why)


def test_a_copied_file_is_newer_than_its_pass_and_its_time_is_not_known() -> None:
    seen = replace(captured(EIGHT, 3600), modified_at=after(9000).isoformat())
    found = alone(seen, made())
    assert verdicts(found) == ("not_known", "agrees", "agrees")
    assert not found.whole
    assert (found.starts_at, found.starts_from) == (EIGHT.isoformat(), "pass_start")
    assert "a copy" in " ".join(found.why)


def test_a_copied_file_with_a_bext_agrees_by_it_and_says_how() -> None:
    seen = replace(
        captured(EIGHT, 3600), modified_at=after(9000).isoformat(), origination="2031-05-04T19:59:55"
    )
    found = alone(seen, made())
    assert found.time == "agrees"
    assert found.starts_from == "bext"
    assert datetime.fromisoformat(found.starts_at or "") == after(-5)
    assert "local time without an offset" in " ".join(found.why)


def test_bext_and_last_change_that_agree_rest_on_the_bext() -> None:
    found = alone(captured(after(-3), 3600, origination="2031-05-04T19:59:58"), made())
    assert found.whole
    assert found.starts_from == "bext"  # 1 s apart; it does not rest on the rate


@pytest.mark.parametrize(("begin", "source"), [(0.58, "bext"), (0.62, "modified_time")])
def test_bext_and_last_change_far_apart_rest_on_the_last_change(begin: float, source: str) -> None:
    """ONE_CLOCK is 5 s, and of an hour by the header 3.6 s may be of the rate (RATE_UNSURE): 8.6 s in all.
    Both are proposals of provpack/package/benchfit.py."""
    found = alone(captured(after(begin), 3600, origination="2031-05-04T19:59:52"), made())
    assert (found.time, found.starts_from) == ("agrees", source), found.why
    at = after(-8 if source == "bext" else begin)
    assert found.starts_at == at.isoformat(timespec="milliseconds")
    said = "That is 8.6 s from what its last change says."
    assert (said in found.why) == (source == "modified_time"), found.why


@pytest.mark.parametrize(("before", "time"), [(4.95, "not_known"), (5.05, "disagrees")])
def test_a_file_changed_just_before_a_running_pass_may_be_its_own(before: float, time: Fits) -> None:
    """ONE_CLOCK, 5 s: within that two times are the same, since disks and bext keep whole seconds."""
    found = alone(captured(after(-before - 60), 60), made(lasted=None))
    assert found.time == time, found.why


def test_bext_and_last_change_that_contradict_each_other_leave_it_open() -> None:
    found = alone(captured(EIGHT, 3600, origination="2031-05-04T20:25:00"), made())
    assert found.time == "not_known"
    assert "contradict" in " ".join(found.why)
    assert found.starts_from == "pass_start"


def test_a_bext_that_is_whole_hours_away_tells_nothing() -> None:
    """A machine that keeps UTC writes 18:00 for 20:00 summer time."""
    found = alone(captured(EIGHT, 3600, origination="2031-05-04T18:00:02"), made())
    assert found.whole
    assert found.starts_from == "modified_time"
    assert "whole hours away" in " ".join(found.why)


def test_a_bext_written_when_capture_ended_is_taken_for_the_end() -> None:
    found = alone(captured(EIGHT, 3600, origination="2031-05-04T21:00:00"), made())
    assert found.whole
    assert datetime.fromisoformat(found.starts_at or "") == EIGHT


def test_the_hour_that_comes_twice() -> None:
    """Clocks go back at 03:00 summer time: 02:30 without an offset is two moments."""
    start = datetime(2031, 10, 26, 2, 30, tzinfo=SUMMER)
    stop = (start + timedelta(hours=1)).astimezone(timezone(timedelta(hours=1)))
    one = replace(made(start=start), stopped_at=stop.isoformat())
    assert stop.isoformat() == "2031-10-26T02:30:00+01:00"
    found = alone(captured(start, 3600, origination="2031-10-26T02:30:01"), one)
    assert found.whole  # 3600 s, whatever the wall clock showed
    assert datetime.fromisoformat(found.starts_at or "") - start == timedelta(seconds=1)
    copied = captured(start, 3600, origination="2031-10-26T02:29:00")
    copied = replace(copied, modified_at=(start + timedelta(days=1)).isoformat())
    found = alone(copied, one)
    assert found.time == "not_known"
    assert "could mean two moments" in " ".join(found.why)


def test_a_disk_that_keeps_local_time_is_whole_hours_off_and_not_accused() -> None:
    early = captured(after(-3600), 3600)
    found = alone(early, made())
    assert verdicts(found) == ("not_known", "agrees", "agrees")
    assert "whole hours off" in " ".join(found.why)


def test_a_length_that_is_off_by_an_hour_points_to_the_clock() -> None:
    found = alone(captured(EIGHT, 3600), made(lasted=7200))
    assert found.length == "disagrees"
    assert "a clock was put forward or back" in " ".join(found.why)


def test_a_pass_that_ends_before_it_begins_says_nothing() -> None:
    found = alone(captured(EIGHT, 3600), made(lasted=-600))
    assert verdicts(found) == ("not_known", "not_known", "agrees")
    assert "the clock was changed" in " ".join(found.why)


def test_a_running_pass_has_no_whole_file_yet() -> None:
    running = made(lasted=None)
    found = alone(captured(EIGHT, 600), running)
    assert verdicts(found) == ("not_known", "not_known", "agrees")
    assert alone(captured(after(-700), 600), running).time == "disagrees"  # whole before it began


def test_a_file_that_is_still_written_agrees_with_nothing_and_says_why() -> None:
    growing = replace(captured(EIGHT, 3600), stable=False)
    found = alone(growing, made())
    assert verdicts(found) == ("not_known", "not_known", "agrees")
    assert "still being written" in " ".join(found.why)
    broken = replace(growing, faults=("Its header declares 10 bytes of audio, 4 are there.",))
    assert "declares 10 bytes" in " ".join(alone(broken, made()).why)


@pytest.mark.parametrize(
    "change",
    [
        {"frames": None}, {"header_hz": None}, {"frames": 0}, {"frames": 2**60, "header_hz": 1},
        {"modified_at": "yesterday"}, {"modified_at": "0001-01-01T00:00:00+00:00"},
        {"origination": "9999-12-31T23:59:59", "modified_at": "?"}, {"origination": "no"},
    ],
)  # fmt: skip
def test_oddities_never_raise_and_never_agree_in_what_they_leave_open(change: dict[str, Any]) -> None:
    found = alone(replace(captured(EIGHT, 3600), **change), made())
    assert found.why
    if "origination" not in change or "modified_at" in change:
        assert not found.whole


@pytest.mark.parametrize("text", ["", "20:00", "2031-05-04T20:00:00", "0001-01-01T00:00:00+00:00"])
def test_a_pass_whose_start_cannot_be_read(text: str) -> None:
    found = alone(captured(EIGHT, 3600), replace(made(), started_at=text))
    assert (found.time, found.length) == ("not_known", "not_known")
    assert (found.starts_at, found.starts_from) == (None, "not_known")


# --- which input ---


@pytest.mark.parametrize(
    ("name", "pattern", "input_"),
    [
        ("captures/digital-1/one.wav", A_FILES, "agrees"),
        ("captures/digital-2/one.wav", A_FILES, "disagrees"),
        ("captures/digital-1/late/one.wav", A_FILES, "disagrees"),  # * stays within a folder
        ("captures/digital-1/late/one.wav", "captures/digital-1/**/*.wav", "agrees"),
        ("captures/digital-1/one.wav", "captures/digital-1/**/*.wav", "agrees"),
        ("captures/digital-1/one.WAV", A_FILES, "not_known"),  # some disks tell case apart, others do not
        ("one.wav", "./*.wav", "agrees"),
        ("captures/digital-1/one.wav", None, "not_known"),
        ("captures/digital-1/one.wav", " ", "not_known"),
        ("captures/digital-1/one.wav", "/captures/*", "not_known"),
        ("captures/digital-1/one.wav", "../job/*", "not_known"),
        ("captures/digital-1/one.wav", "captures\\digital-1\\*", "not_known"),
        ("caf\u00e9/one.wav", "cafe\u0301/*.wav", "agrees"),  # the same name, composed and not
    ],
)
def test_the_capture_input(name: str, pattern: str | None, input_: Fits) -> None:
    found = match(captured(EIGHT, 3600, name=name), made(), capture_files=pattern, others=())
    assert found.input == input_, found.why
    assert found.whole == (input_ == "agrees")


def test_a_pattern_that_two_chains_share_tells_nothing() -> None:
    found = alone(captured(EIGHT, 3600), made(), other_files={"A": A_FILES, "B": "captures/**"})
    assert found.input == "not_known"
    assert "chain B captures there too" in " ".join(found.why)


def test_an_input_that_was_changed_for_this_pass_is_not_what_the_pattern_speaks_of() -> None:
    found = alone(captured(EIGHT, 3600), replace(made(), changed=("capture_input",)))
    assert found.input == "not_known"
    assert alone(captured(EIGHT, 3600), replace(made(), changed=("deck_id",))).input == "agrees"


def test_no_pattern_takes_long() -> None:
    name, pattern = "a" * 200 + "/" + "b" * 200, "*a" * 60 + "c/" + "**/" * 40 + "*b" * 60 + "c"
    assert match(captured(EIGHT, 60, name=name), made(), capture_files=pattern).input == "disagrees"


# --- crossed files ---


def test_two_passes_of_one_length_at_one_time_are_told_apart_by_the_input_alone() -> None:
    a, b = made("T01", "A"), made("T02", "B", start=after(7))
    seen = captured(after(2), 3605, name="captures/digital-2/one.wav")
    wrong = match(seen, a, capture_files=A_FILES, others=[a, b], other_files=BOTH)
    assert wrong.input == "disagrees"
    assert wrong.better == b
    assert "T02, pass 1, chain B" in " ".join(wrong.why)
    right = match(seen, b, capture_files=B_FILES, others=[a, b], other_files=BOTH)
    assert right.whole
    assert right.better is None


def test_without_a_pattern_a_file_that_fits_two_passes_is_asked_about() -> None:
    a, b = made("T01", "A"), made("T02", "B", start=after(7))
    for one, other in ((a, b), (b, a)):
        found = match(captured(after(2), 3605), one, capture_files=None, others=[a, b])
        assert verdicts(found) == ("not_known", "agrees", "not_known")
        assert found.better == other
        assert "as well, so they do not tell" in " ".join(found.why)


def test_a_pattern_of_the_other_chain_alone_speaks_for_the_other_pass() -> None:
    a, b = made("T01", "A"), made("T02", "B", start=after(7))
    seen = captured(after(2), 3605, name="captures/digital-2/one.wav")
    found = match(seen, a, capture_files=None, others=[b], other_files={"B": B_FILES})
    assert verdicts(found) == ("not_known", "agrees", "not_known")
    assert found.better == b
    elsewhere = captured(after(2), 3605, name="captures/old/one.wav")
    found = match(elsewhere, a, capture_files=None, others=[b], other_files={"B": B_FILES})
    assert verdicts(found) == ("agrees", "agrees", "not_known")  # B's input is ruled out
    assert found.better is None


@pytest.mark.parametrize(("begin", "whole"), [(0.745, True), (0.755, False)])
def test_another_pass_of_the_chain_is_no_rival_when_it_is_more_than_twice_as_far_off(
    begin: float, whole: bool
) -> None:
    """CLEARLY_CLOSER is 2, and a second besides (ours, provpack/package/benchmatch.py). A file as long as
    either pass is off by twice its gap, which is b and 2.75 - b: 5.5 - 2b > 2 x 2b + 1 below 0.75."""
    first, second = made("T01", lasted=30), made("T02", start=after(2.75), lasted=30)
    seen = captured(after(begin), 30)
    assert match(seen, first, capture_files=A_FILES, others=[second], other_files=BOTH).whole == whole


def test_short_passes_after_each_other_on_one_chain_are_told_apart_by_how_close_they_are() -> None:
    first, second = made("T01", lasted=5), made("T02", start=after(8), lasted=5)
    near = captured(after(0.2), 5)
    assert match(near, first, capture_files=A_FILES, others=[second], other_files=BOTH).whole
    late = match(near, second, capture_files=A_FILES, others=[first], other_files=BOTH)
    assert not late.whole
    assert late.better == first
    early = captured(after(4), 5)  # 4 to 9 s: as long as the second, but without its last four seconds
    assert match(early, second, capture_files=A_FILES, others=[first]).time == "disagrees"
    between = captured(after(2), 8.5)  # 7.5 s away from the first in all, 8.5 s from the second
    for one, other in ((first, second), (second, first)):
        assert not match(between, one, capture_files=A_FILES, others=[other], other_files=BOTH).whole


def test_a_file_that_another_pass_has_already_is_not_taken_without_asking() -> None:
    seen = captured(EIGHT, 3600)
    held = Attached(
        n=9, file=seen.name, bytes=seen.bytes, modified_at=seen.modified_at, frames=seen.frames,
        header_hz=44100, starts_at=None, starts_from="not_known", agreement={}, attached_by="person",
    )  # fmt: skip
    other = made("T09", "C", start=after(-90000), attached=held)
    found = alone(seen, made(), others=[other])
    assert verdicts(found) == ("agrees", "agrees", "agrees")
    assert not found.whole
    assert found.held_by == other


# --- whatever comes ---

SECONDS = st.floats(min_value=-7200, max_value=7200, allow_nan=False)
LENGTHS = st.floats(min_value=1, max_value=7200, allow_nan=False)


@given(
    start_b=SECONDS, lasted_a=LENGTHS, lasted_b=LENGTHS, begin=SECONDS, seconds=LENGTHS,
    bext=st.none() | SECONDS, told=st.booleans(),
)  # fmt: skip
def test_a_file_of_chain_b_never_agrees_with_a_pass_on_chain_a(
    start_b: float, lasted_a: float, lasted_b: float, begin: float, seconds: float, bext: float | None,
    told: bool,
) -> None:  # fmt: skip
    a = made("T01", "A", lasted=lasted_a)
    b = made("T02", "B", start=after(start_b), lasted=lasted_b)
    origin = None if bext is None else after(bext).replace(tzinfo=None).isoformat()
    seen = captured(after(begin), seconds, name="captures/digital-2/one.wav", origination=origin)
    found = match(seen, a, capture_files=A_FILES, others=[a, b], other_files=BOTH if told else None)
    assert found.input == "disagrees"
    assert not found.whole


@given(
    start_b=SECONDS, lasted_a=LENGTHS, lasted_b=LENGTHS, begin=SECONDS, seconds=LENGTHS,
    chain=st.sampled_from(["A", "B"]), patterns=st.sampled_from([None, BOTH, {"A": A_FILES, "B": A_FILES}]),
)  # fmt: skip
def test_no_file_agrees_wholly_with_two_passes(
    start_b: float, lasted_a: float, lasted_b: float, begin: float, seconds: float, chain: str,
    patterns: dict[str, str | None] | None,
) -> None:  # fmt: skip
    """Nor in time and length with two, where the input does not tell."""
    a = made("T01", "A", lasted=lasted_a)
    b = made("T02", chain, start=after(start_b), lasted=lasted_b)
    seen = captured(after(begin), seconds)
    files = patterns or {}
    found = [
        match(seen, one, capture_files=files.get(one.chain_id), others=[a, b], other_files=patterns)
        for one in (a, b)
    ]
    assert not all(f.whole for f in found)
    if all(f.input == "not_known" for f in found):
        assert not all(f.time == f.length == "agrees" for f in found)
