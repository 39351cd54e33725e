"""The overview picture: what is drawn where, that nothing is said by colour alone, that text stays text."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from fractions import Fraction
from itertools import pairwise
from typing import Any, get_args

import pytest

from provpack.package.figures import clock
from provpack.report.picture_wave import (
    COLUMNS,
    LINES_ACROSS,
    MARKS_MAX,
    STATES,
    Mark,
    Range,
    RangeKind,
    Wave,
    fold,
    range_swatch,
    wave_of,
    waveform,
)

SVG = "{http://www.w3.org/2000/svg}"


def picture(**changes: Any) -> Wave:
    values: dict[str, Any] = {
        "frames": 44100 * 100,
        "rate": Fraction(44100),
        "frames_per_bin": 44100,
        "bins": [[(-1000.0, 1000.0), (-32768.0, 32764.0)]] * 100,
        "full_scale": 32768.0,
        "channel_names": ("left", "right"),
    }
    return Wave(**{**values, **changes})


def drawn(wave: Wave, title: str = "t", description: str = "d") -> ET.Element:
    text = waveform(wave, title=title, description=description)
    return ET.fromstring(text.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


@pytest.mark.parametrize(
    ("seconds", "said"), [(0, "0:00:00"), (800, "0:13:20"), (3599.99, "0:59:59"), (36000, "10:00:00")]
)
def test_clock_rounds_down(seconds: float, said: str) -> None:
    assert clock(seconds) == said


def test_names_of_channels_lie_on_a_plate_over_the_hatching() -> None:
    wave = picture(ranges=[Range(kind="silence", start=0, length=44100)])
    parts = list(drawn(wave))
    looks = [e.get("class") for e in parts]
    assert looks.count("plate") == 2
    for at, look in enumerate(looks):
        if look == "plate":
            assert at > looks.index("range-silence") and looks[at + 1] == "lane-name"
            plate, name = parts[at], parts[at + 1]
            left, top = float(plate.get("x", "")), float(plate.get("y", ""))
            assert left < float(name.get("x", "")) and top + 12 <= float(name.get("y", "")) <= top + 18
            # letters of 12 px, semi-bold, are 8 px wide at most on the average
            assert float(plate.get("width", "")) >= 8 * len(name.text or "") + float(name.get("x", "")) - left


def test_folding_keeps_the_extremes() -> None:
    bins = [[(-1, 1)], [(-9, 2)], [(-3, 7)]]
    assert fold(bins, 2) == [[(-9, 2)], [(-3, 7)]]
    assert fold(bins, 1) == [[(-1, 1)], [(-9, 2)], [(-3, 7)]]


def test_one_outline_per_channel_and_it_reaches_full_scale_only_where_the_audio_does() -> None:
    root = drawn(picture())
    outlines = [e.get("d") or "" for e in root.iter(f"{SVG}path") if e.get("class") == "envelope"]
    assert len(outlines) == 2
    heights = [sorted({float(y) for y in re.findall(r"V(-?[\d.]+)", d)}) for d in outlines]
    assert heights[0] == pytest.approx([58.2, 61.8], abs=0.1), "1000 of 32768 is 3 % of the half height"
    assert heights[1] == pytest.approx([2.0, 118.0], abs=0.1)


def test_a_short_last_bin_ends_at_the_right_edge() -> None:
    wave = picture(frames=44100 * 100 - 22050)
    outline = next(e.get("d") or "" for e in drawn(wave).iter(f"{SVG}path") if e.get("class") == "envelope")
    assert max(float(x) for x in re.findall(r"H(-?[\d.]+)", outline)) == 1000.0


def test_many_bins_are_folded() -> None:
    wave = picture(
        frames=44100 * 5000, frames_per_bin=44100, bins=[[(-1.0, 1.0)]] * 5000, channel_names=("mono",)
    )
    outline = next(e.get("d") or "" for e in drawn(wave).iter(f"{SVG}path") if e.get("class") == "envelope")
    assert 100 < outline.count("V") <= 2 * COLUMNS


def test_every_kind_of_range_has_a_hatching_of_its_own() -> None:
    kinds = get_args(RangeKind)
    wave = picture(ranges=tuple(Range(kind=k, start=0, length=44100 * 50) for k in kinds))
    root = drawn(wave)
    shapes = {e.get("id"): ET.tostring(e[0][0]) for e in root.iter(f"{SVG}pattern")}
    assert set(shapes) == {f"wave-{k}" for k in kinds}
    assert len(set(shapes.values())) == len(kinds), "told apart by shape, not by colour"
    filled = {e.get("fill") for e in root.iter(f"{SVG}rect") if (e.get("class") or "").startswith("range-")}
    assert filled == {f"url(#wave-{k})" for k in kinds}
    for kind in kinds:
        assert f"url(#wave-{kind})" in range_swatch(kind)
    words = {e.text for e in root.iter(f"{SVG}text") if e.get("class") == "state"}
    assert words == set(STATES.values())


def test_ranges_and_marks_stand_at_their_time() -> None:
    wave = picture(
        ranges=(Range(kind="silence", start=44100 * 25, length=44100 * 10),),
        marks=(Mark(frame=44100 * 75, label="x"),),
    )
    root = drawn(wave)
    box = next(e for e in root.iter(f"{SVG}rect") if e.get("class") == "range-silence")
    assert (box.get("x"), box.get("width")) == ("25.000%", "10.000%")
    line = next(e for e in root.iter(f"{SVG}line") if e.get("class") == "mark")
    assert line.get("x1") == "75.000%"


def test_positions_outside_the_audio_stay_inside_the_picture() -> None:
    wave = picture(
        ranges=(Range(kind="suspect", start=10**12, length=10**12),), marks=(Mark(frame=10**12, label="x"),)
    )
    text = waveform(wave, title="t", description="d")
    assert max(float(p) for p in re.findall(r"([\d.]+)%", text)) <= 100.0


def test_numbers_keep_apart_and_lines_end_where_they_would_hide_the_sound() -> None:
    def log(count: int) -> ET.Element:
        return drawn(picture(marks=tuple(Mark(frame=n * 4410000 // count, label="x") for n in range(count))))

    def lines(root: ET.Element) -> int:
        return sum(e.get("class") == "mark" for e in root.iter(f"{SVG}line"))

    def signs(root: ET.Element) -> int:
        return sum(e.get("class") == "mark-person" for e in root.iter(f"{SVG}path"))

    few, more, many = log(LINES_ACROSS), log(MARKS_MAX), log(1000)
    assert (lines(few), signs(few)) == (LINES_ACROSS, LINES_ACROSS)
    assert (lines(more), signs(more)) == (0, MARKS_MAX)
    assert (lines(many), signs(many)) == (0, 0)
    assert "Log, as declared: 1000 entries, up to 4 in 0.4 s" in [e.text for e in many.iter(f"{SVG}text")]
    places = [
        float((e.get("x") or "").rstrip("%"))
        for e in more.iter(f"{SVG}text")
        if e.get("class") == "mark-number"
    ]
    assert len(places) > 10 and all(b - a >= 5 for a, b in pairwise(places))


def test_a_log_entry_found_by_a_program_has_another_sign_than_one_noted_by_a_person() -> None:
    root = drawn(picture(marks=(Mark(frame=1, label="x"), Mark(frame=1, label="y", by_program=True))))
    shapes = {e.get("class"): e.get("d") for e in root.iter(f"{SVG}path") if "mark" in (e.get("class") or "")}
    assert set(shapes) == {"mark-person", "mark-program"} and len(set(shapes.values())) == 2


@pytest.mark.parametrize("seconds", [1, 59, 600, 5400, 21600, 200000])
def test_time_marks_are_few_and_in_order(seconds: int) -> None:
    wave = picture(
        frames=44100 * seconds, frames_per_bin=44100 * seconds, bins=[[(-1.0, 1.0)]], channel_names=("mono",)
    )
    ticks = [e.text for e in drawn(wave).iter(f"{SVG}text") if (e.get("class") or "").startswith("tick")]
    assert (
        1 <= len(ticks) <= 10
        and ticks[0] == ("0:00:00.0" if seconds < 9 else "0:00:00")
        and len(set(ticks)) == len(ticks)
    )


def test_the_text_alternative_is_there_and_escaped() -> None:
    root = drawn(picture(channel_names=("<b>", "&")), title="</title><x>", description='"&<')
    assert root.get("role") == "img"
    assert (root.get("aria-labelledby") or "").split() == ["wave-title", "wave-desc"]
    assert root.findtext(f"{SVG}title") == "</title><x>" and root.findtext(f"{SVG}desc") == '"&<'
    assert root.find(f".//{SVG}x") is None


def test_nothing_to_draw() -> None:
    assert waveform(picture(bins=[]), title="t", description="d") == ""
    assert waveform(picture(frames=0), title="t", description="d") == ""


def test_measurements_become_a_picture_with_the_scale_of_the_container() -> None:
    # shape: schemas/measurements.schema.json, envelope.bins: lowest and highest of each channel in turn
    measurements = {
        "frames": 10,
        "sampling_frequency": {"num": 44100000, "den": 1001},
        "envelope": {"frames_per_bin": 5, "bins": [[-1, 1, -2, 2], [-3, 3, -4, 4]]},
    }
    wave = wave_of(measurements, container_bits=24)
    assert wave is not None
    assert wave.full_scale == 2**23
    assert wave.bins == [[(-1, 1), (-2, 2)], [(-3, 3), (-4, 4)]]
    assert wave.rate == Fraction(44100000, 1001) and wave.channel_names == ("left", "right")
    assert wave_of({**measurements, "envelope": None}) is None
    six = {**measurements, "envelope": {"frames_per_bin": 10, "bins": [[0, 0] * 6]}}
    assert wave_of(six).channel_names[5] == "channel 6"  # type: ignore[union-attr]
