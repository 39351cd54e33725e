"""Event times to frames, changes to stretches: pure arithmetic, worked out by hand beside each check."""

from __future__ import annotations

from fractions import Fraction

from support.benchsheets import clock

from provpack.package import benchtime
from provpack.package.benchstate import Attached, LoggedEvent, Pass

# 245 lines x 3 samples x 60/1.001 fields (domain note 1.4)
NTSC = Fraction(44100000, 1001)
PAL = Fraction(44100)


def file(frames: int | None = 441000, starts: str | None = clock(0)) -> Attached:
    return Attached(
        n=9, file="a.wav", bytes=1, modified_at=clock(20), frames=frames, header_hz=44100, starts_at=starts,
        starts_from="modified_time", agreement={}, attached_by="agreement",
    )  # fmt: skip


def event(n: int, seconds: int, type_: str = "mute") -> LoggedEvent:
    return LoggedEvent(n=n, at=clock(seconds), written_at=clock(seconds), type=type_)


def a_pass(number: int, *, verdict: str | None = None, there: bool = True, stopped: bool = True) -> Pass:
    return Pass(
        transfer_id="T", number=number, chain_id="A", n=number, started_at=clock(0), settings={}, changed=(),
        stopped_at=clock(9) if stopped else None, attached=file() if there else None, verdict=verdict,
    )  # fmt: skip


def test_which_pass_counts() -> None:
    def counts(*passes: Pass) -> int | None:
        found = benchtime.pass_that_counts(passes)
        return found.number if found else None

    assert counts() is None
    assert counts(a_pass(1, there=False)) is None
    assert counts(a_pass(1), a_pass(2)) == 2
    assert counts(a_pass(1), a_pass(2, there=False)) == 1
    assert counts(a_pass(1, verdict="accepted"), a_pass(2)) == 1
    assert counts(a_pass(1, verdict="accepted"), a_pass(2, verdict="accepted")) == 2
    assert counts(a_pass(1, verdict="accepted"), a_pass(2, verdict="accepted", there=False)) == 1
    assert counts(a_pass(1, verdict="redo"), a_pass(2)) == 2
    assert counts(a_pass(1, verdict="redo")) is None
    assert counts(a_pass(1), a_pass(2, stopped=False)) == 1


def test_seconds_are_exact_over_zones_and_fractions() -> None:
    assert benchtime.seconds_between("2031-05-02T21:00:00+02:00", "2031-05-02T19:00:00.25Z") == Fraction(1, 4)
    assert benchtime.seconds_between("2031-05-02T21:00:01+02:00", "2031-05-02T21:00:00+02:00") == -1
    assert benchtime.seconds_between("yesterday", "2031-05-02T21:00:00+02:00") is None


def test_an_hour_at_the_true_rate_not_at_the_one_in_the_header() -> None:
    # 3600 s x 44100000/1001 = 158 601 398.6: 158 601 399; at 44 100 it would be 158 760 000
    assert benchtime.frame_at(clock(3600), clock(0), NTSC) == 158_601_399
    assert benchtime.frame_at(clock(3600), clock(0), PAL) == 158_760_000
    assert benchtime.frame_at(clock(1), None, PAL) is None
    assert benchtime.frame_at(clock(1), clock(0), None) is None


def test_events_before_in_and_after_the_file() -> None:
    placed = benchtime.place_events([event(4, 10), event(3, 9), event(1, -1), event(2, 0)], file(), PAL)
    assert [(p.event.n, p.frame, p.why) for p in placed] == [
        (1, None, benchtime.BEFORE), (2, 0, ""), (3, 396_900, ""), (4, None, benchtime.AFTER),
    ]  # fmt: skip


def test_what_is_not_known_places_nothing() -> None:
    for known, rate in ((file(starts=None), PAL), (file(frames=None), PAL), (file(), None)):
        (placed,) = benchtime.place_events([event(1, 3)], known, rate)
        assert (placed.frame, placed.why) == (None, benchtime.NOT_PLACED)


def test_how_names_what_the_first_sample_rests_on() -> None:
    how = benchtime.how_placed(event(1, 3), file(), NTSC)
    assert clock(3) in how and clock(0) in how and "44100000/1001" in how and "last changed" in how


def ranges(*events: LoggedEvent, frames: int | None = 441000, **settings: str) -> list[tuple[object, ...]]:
    placed = benchtime.place_events(events, file(frames), PAL)
    found = benchtime.state_ranges(placed, frames, settings, 1)
    return [(r.start, r.end, r.emphasis, r.mode, r.lines) for r in found]


def test_no_change_no_stretch() -> None:
    assert ranges() == []
    assert ranges(event(2, 1, "mute")) == []
    assert ranges(event(2, 11, "emphasis_on")) == []
    assert ranges(event(2, 1, "emphasis_on"), frames=None) == []


def test_stretches_tile_the_file() -> None:
    on, off = event(2, 2, "emphasis_on"), event(3, 5, "emphasis_off")
    assert ranges(on, off) == [
        (0, 88_200, "unknown", None, (1,)), (88_200, 220_500, "on", None, (2,)),
        (220_500, 441_000, "off", None, (3,)),
    ]  # fmt: skip
    assert ranges(on, off, emphasis_indicator="off")[0] == (0, 88_200, "off", None, (1,))
    # a lamp that was not looked at, or that changes, does not say what the beginning is
    assert ranges(on, emphasis_indicator="not_observed")[0][2] == "unknown"
    assert ranges(on, emphasis_indicator="changed")[0][2] == "unknown"


def test_the_same_state_again_is_one_stretch() -> None:
    assert ranges(event(2, 2, "emphasis_on"), event(3, 5, "emphasis_on"), emphasis_indicator="on") == [
        (0, 441_000, "on", None, (1, 2, 3))
    ]


def test_a_change_before_the_file_is_the_state_it_begins_with() -> None:
    assert ranges(event(2, -5, "emphasis_on")) == [(0, 441_000, "on", None, (1, 2))]


def test_modes_and_emphasis_side_by_side() -> None:
    found = ranges(
        event(2, 2, "mode_16"), event(3, 2, "emphasis_on"), event(4, 5, "mode_14"), decoder_mode="14"
    )
    assert [r[:4] for r in found] == [
        (0, 88_200, "unknown", "14"), (88_200, 220_500, "on", "16"), (220_500, 441_000, "on", "14"),
    ]  # fmt: skip
    assert ranges(event(2, 2, "mode_16"), decoder_mode="auto")[0][3] == "unknown"
