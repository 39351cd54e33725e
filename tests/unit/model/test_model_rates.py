"""Exact sampling frequencies and times. Figures of the domain note are named as computed there."""

from __future__ import annotations

import time
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provpack.errors import RecordProblem
from provpack.model import rates

NTSC = Fraction(44100000, 1001)


def test_expected_rates_are_the_eiaj_arithmetic() -> None:
    # 44100/1.001 Hz: EIAJ arithmetic 245 x 3 x 60/1.001; 44100 Hz: 294 x 3 x 50 (computed)
    assert rates.expected_rate("525_5994", "eiaj_14") == 245 * 3 * Fraction(60000, 1001) == NTSC
    assert rates.expected_rate("625_50", "ext_16") == 294 * 3 * 50 == 44100
    assert rates.expected_rate("525_60", "pcm16x0") == 245 * 3 * 60 == 44100
    assert rates.expected_rate("525_60", "eiaj_14") is None
    assert rates.expected_rate(None, ["eiaj_14"]) is None


def test_line_frequency_over_sampling_frequency_is_an_exact_ratio() -> None:
    # computed: 5/14 (525 lines) and 625/1764 (625 lines)
    assert Fraction(525, 2) * rates.FIELDS_PER_SECOND["525_5994"] / NTSC == Fraction(5, 14)
    assert Fraction(625, 2) * rates.FIELDS_PER_SECOND["625_50"] / 44100 == Fraction(625, 1764)


def test_a_44056_header_is_1_27_ppm_off_and_44100_is_1000_ppm_off() -> None:
    # computed: +1.27 ppm for 44056; 44100/44055.944 - 1 = 0.001 exactly (1000 ppm of the true rate)
    assert round(float(rates.difference_ppm(44056, NTSC)), 2) == 1.27
    assert rates.difference_ppm(44100, NTSC) == 1000
    assert rates.rounded_rate(NTSC) == 44056


def test_calling_it_44100_costs_3_6_seconds_per_hour() -> None:
    # computed: an hour at the true rate, counted with 44100
    frames = rates.seconds_to_frames(Fraction(3600), NTSC)
    assert frames == 158601399
    assert round(3600 - float(rates.frames_to_seconds(frames, Fraction(44100))), 1) == 3.6


def test_times_are_exact_to_the_millisecond() -> None:
    assert rates.format_time(0, NTSC) == "0:00:00.000"
    assert rates.format_time(44100000, NTSC) == "0:16:41.000"  # 44100000 / (44100000/1001) = 1001 s
    assert rates.format_time(158601399, NTSC) == "1:00:00.000"
    assert rates.format_time(22, Fraction(44100)) == "0:00:00.000"  # 0.4989 ms
    assert rates.format_time(2, Fraction(4000)) == "0:00:00.001"  # exactly half a millisecond goes up
    assert rates.format_time(10**12, Fraction(48000)) == "5787:02:13.333"


def test_a_time_becomes_the_nearest_frame() -> None:
    assert rates.parse_time("0:16:41", NTSC) == 44100000
    assert rates.parse_time("1:00:00.000", Fraction(44100)) == 158760000
    assert rates.parse_time(" 0:00:00.5 ", Fraction(48000)) == 24000
    assert rates.parse_time("0:00:00.0000104", Fraction(48000)) == 0  # 0.4992 of a frame
    assert rates.parse_time("0:00:00.0000105", Fraction(48000)) == 1  # 0.504 of a frame


@given(st.integers(0, 10**10), st.sampled_from([NTSC, Fraction(44100), Fraction(48000), Fraction(32000)]))
def test_a_frame_survives_the_way_over_exact_seconds(frames: int, rate: Fraction) -> None:
    assert rates.seconds_to_frames(rates.frames_to_seconds(frames, rate), rate) == frames


@given(st.integers(0, 10**9), st.sampled_from([NTSC, Fraction(44100)]))
def test_a_written_time_is_within_half_a_millisecond(frames: int, rate: Fraction) -> None:
    back = rates.parse_time(rates.format_time(frames, rate), rate)
    assert abs(rates.frames_to_seconds(back - frames, rate)) <= Fraction(1, 2000) + Fraction(1, 2) / rate


@pytest.mark.parametrize(
    "text", ["", "12:30", "0:60:00", "0:00:60", "-0:00:01", "0:00:01,5", "0:0:1", "1e3", "٠:00:00"]
)
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(RecordProblem) as caught:
        rates.parse_time(text, NTSC)
    assert caught.value.todo


def test_rates_come_and_go_as_fractions() -> None:
    assert rates.rate_from_json({"num": 44100000, "den": 1001}) == NTSC
    assert (
        rates.rate_from_json({"num": 44100.0, "den": 1}) == 44100
    )  # JSON Schema 2020-12: 44100.0 is an integer
    assert rates.rate_to_json(NTSC) == {"num": 44100000, "den": 1001}
    assert rates.rate_to_json(Fraction(48000, 1)) == {"num": 48000, "den": 1}


@pytest.mark.parametrize(
    "value",
    [
        None,
        44100,
        "44100",
        {},
        {"num": 1},
        {"num": 0, "den": 1},
        {"num": 1, "den": 0},
        {"num": True, "den": 1},
        {"num": 44055.944, "den": 1},
    ],
)
def test_what_is_no_fraction_is_refused(value: object) -> None:
    with pytest.raises(RecordProblem):
        rates.rate_from_json(value)


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("44100", 44100),
        ("44100/1", 44100),
        (" 48000 Hz ", 48000),
        ("44100000/1001", NTSC),
        ("44100000 / 1001 Hz", NTSC),
    ],
)
def test_a_rate_is_read_from_a_cell(text: str, rate: Fraction) -> None:
    assert rates.parse_rate(text) == rate


@pytest.mark.parametrize("text", ["", "44055.944", "44,1", "0", "44100/0", "44.1 kHz", "nan"])
def test_a_rounded_rate_is_refused(text: str) -> None:
    with pytest.raises(RecordProblem):
        rates.parse_rate(text)


@pytest.mark.parametrize("text", ["44{}x", "44{}/{}x", "44/{}1{}x", "{}x", "44{}/{}1{}Hz{}x"])
def test_a_cell_full_of_blanks_is_refused_at_once(text: str) -> None:
    begun = time.monotonic()
    with pytest.raises(RecordProblem):
        rates.parse_rate(text.replace("{}", " \t\u2003" * 1000))
    assert time.monotonic() - begun < 5, "each division of the blanks was tried"


def test_a_rate_is_written_for_people() -> None:
    assert rates.format_rate(Fraction(44100)) == "44100 Hz"
    assert rates.format_rate(NTSC) == "44100000/1001 Hz (44055.944 Hz)"
