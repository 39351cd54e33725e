"""The pictures of what was measured: what is drawn where, and the text that says the same.

Sources: the domain note 3.1 for the emphasis curve (values from its table); WCAG 2.2, 1.1.1 and 1.4.1; the
meaning of the input stands in the docstrings of provpack/measure."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from fractions import Fraction
from typing import Any

import pytest

from provpack.report.picture_bits import alike, bits, share_words
from provpack.report.picture_lanes import KINDS, PIECES, bars, draw_lanes, lanes_of
from provpack.report.picture_loudness import loudness
from provpack.report.picture_parts import UNITS, Hertz, Picture, cells
from provpack.report.picture_spectrogram import HEIGHT, STEPS, spectrogram
from provpack.report.picture_spectrum import FOR_THE_EYE, curve_db, marks_of, reference_db, spectrum
from provpack.report.picture_wave import Mark, Wave, waveform

Json = dict[str, Any]
SVG = "{http://www.w3.org/2000/svg}"
RATE = Fraction(44_100_000, 1001)
NS = '<svg xmlns="http://www.w3.org/2000/svg" '


def parsed(svg: str) -> ET.Element:
    return ET.fromstring(svg.replace("<svg ", NS, 1))


def said(root: ET.Element) -> list[str]:
    return [e.text or "" for e in root.iter(f"{SVG}text")]


def paths(root: ET.Element, look: str) -> list[str]:
    return [e.get("d") or "" for e in root.iter(f"{SVG}path") if look in (e.get("class") or "").split()]


def test_every_picture_of_a_real_measurement_has_a_text_alternative(damaged_tape: tuple[Json, Json]) -> None:
    document = damaged_tape[0]
    drawn: list[Picture | None] = [
        spectrogram(document, RATE), spectrum(document), bits(document, RATE), loudness(document, RATE)
    ]  # fmt: skip
    ids = []
    for picture in drawn:
        assert picture is not None
        root = parsed(picture.svg)
        assert root.get("role") == "img" and root.get("width") == "100%"
        title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
        assert title is not None and desc is not None and title.text
        assert (root.get("aria-labelledby") or "").split() == [title.get("id"), desc.get("id")]
        assert desc.text == picture.words and re.search(r"\d", picture.words)
        ids += [title.get("id"), desc.get("id")]
        for look in (e.get("class") for e in root.iter()):
            assert look is None or "url(" not in look
        assert "<image" not in picture.svg and "href" not in picture.svg
        for sample in picture.key:
            assert sample.meaning and 'aria-hidden="true"' in sample.svg
    assert len(ids) == len(set(ids))


def test_places_on_the_time_axis() -> None:
    # 100 frames in 10 pieces: touched by frames 0-9, 15-34 and 99
    assert cells([(0, 10), (15, 20), (99, 1)], frames=100, columns=10) == [1, 1, 1, 1, 0, 0, 0, 0, 0, 1]
    assert cells([(-50, 20), (100, 5), (95, 500)], frames=100, columns=10) == [0] * 9 + [1]
    assert cells([(0, 1)], frames=1, columns=4) == [1, 1, 1, 1]


def test_five_thousand_events_stay_small_and_one_stays_visible() -> None:
    many = [(n * 90_000, 3) for n in range(5000)]
    path, most = bars(many, 5000 * 90_000)
    assert path.count("M") == PIECES and most == 5000 // PIECES and len(path) < 8000
    path, most = bars([*many[:2500], (4_000 * 90_000, 1)], 5000 * 90_000)
    heights = [float(h) for h in re.findall(r"v-([\d.]+)h", path)]
    assert min(heights) == heights[-1] >= 7, "one event among thousands"
    assert bars([], 100) == ("", 0)


def test_kinds_have_lanes_and_names_of_their_own(damaged_tape: tuple[Json, Json]) -> None:
    lanes = lanes_of(damaged_tape[0])
    assert lanes is not None
    assert {"mute", "hold", "interpolation", "other"} <= {lane.kind for lane in lanes}
    assert len(set(KINDS.values())) == len(KINDS)
    drawn, bottom = draw_lanes(lanes, frames=damaged_tape[0]["frames"], rate=RATE, top=10)
    root = parsed(f"<svg >{drawn}</svg>")
    names = said(root)
    assert names[0] == "Found by the program, measured" and "Mutes: 1" in names
    assert len(names) == 1 + len(lanes) and bottom > 10
    tops = [float(e.get("y") or 0) for e in root.iter(f"{SVG}rect")]
    assert len(set(tops)) == len(lanes), "no two kinds share a lane"
    mute = next(lane for lane in lanes if lane.kind == "mute")
    (place,) = re.findall(r"M(\d+) ", bars(mute.spans, damaged_tape[0]["frames"])[0])
    assert int(place) == 900_000 * PIECES // damaged_tape[0]["frames"]


def test_what_is_not_listed_is_said() -> None:
    events = [{"type": "click", "start": n, "length": 1} for n in range(3)]
    lanes = lanes_of({"events": {"listed": events, "left_out": 4, "counts": {"click": 7}}})
    drawn, _ = draw_lanes(lanes or [], frames=100, rate=RATE, top=0)
    assert "Clicks: 7 (drawn: the first 3)" in drawn


def test_nothing_found_is_not_the_same_as_nobody_looked() -> None:
    assert lanes_of({}) is None
    assert lanes_of({"events": {"listed": [], "counts": {}}}) == []
    base: Json = {"frames": 100, "rate": RATE, "frames_per_bin": 50, "bins": [[(-1.0, 1.0)]] * 2}
    base |= {"full_scale": 2.0, "channel_names": ("channel 1",)}
    looked = said(parsed(waveform(Wave(**base, lanes=[]), title="t", description="d")))
    assert "Found by the program, measured" in looked and "nothing of the kinds it looks for" in looked
    assert not any(
        "Found" in text for text in said(parsed(waveform(Wave(**base), title="t", description="d")))
    )


def test_logged_and_found_never_share_a_lane(damaged_tape: tuple[Json, Json]) -> None:
    document = damaged_tape[0]
    wave = Wave(
        frames=document["frames"], rate=RATE, frames_per_bin=document["frames"],
        bins=[[(-1.0, 1.0), (-1.0, 1.0)]], full_scale=2.0, channel_names=("left", "right"),
        marks=(Mark(frame=900_000, label="mute"),), lanes=lanes_of(document),
    )  # fmt: skip
    root = parsed(waveform(wave, title="t", description="d"))
    heights = {e.text: float(e.get("y") or 0) for e in root.iter(f"{SVG}text") if e.get("class") == "group"}
    channels = [float(e.get("y") or 0) for e in root.iter(f"{SVG}text") if e.get("class") == "lane-name"]
    assert (
        heights["Log, as declared"]
        < min(channels)
        < max(channels)
        < heights["Found by the program, measured"]
    )


def small_spectrogram(**changes: Any) -> Json:
    base: Json = {
        "frames": 1000,
        "looked_at": {"unit_frames": 100, "every_unit": 1, "used": 3, "length": 4096},
        "spectrogram": {
            "edges_hz": [100.0, 1000.0, 10_000.0],
            "starts": [0, 100, 800],
            "level_db": [[-40.0, -100.0], [-46.5, -200.0], [-40.0, -40.0]],
        },
    }
    return base | changes


def test_cells_of_the_spectrogram_have_the_shade_of_their_level_and_their_place() -> None:
    picture = spectrogram(small_spectrogram(), RATE)
    assert picture is not None
    shades = {e.get("class"): e.get("d") or "" for e in parsed(picture.svg).iter(f"{SVG}path")}
    # steps of 6 dB down from -36, the next multiple of 6 over the loudest: -40 is in the first, -46.5 in the
    # second, -100 in the eleventh, -200 in none
    assert set(shades) == {f"s{STEPS - 1}", f"s{STEPS - 2}", f"s{STEPS - 11}"}
    loud = re.findall(r"M([\d.]+) ([\d.]+)h([\d.]+)v([\d.]+)", shades[f"s{STEPS - 1}"])
    assert [(float(x), float(y)) for x, y, _, _ in loud] == [(0, HEIGHT / 2), (800, 0)]
    widths = [float(w) for *_, w, _ in loud]
    assert widths == pytest.approx([100, 200], abs=0.5)
    assert float(loud[1][3]) == pytest.approx(HEIGHT, abs=0.5), "two bands of one shade are one cell"


def test_a_column_does_not_reach_over_silence_that_was_never_transformed() -> None:
    picture = spectrogram(small_spectrogram(), RATE)
    assert picture is not None
    second = re.findall(r"M(\S+) \S+?h([\d.]+)v", next(iter(paths(parsed(picture.svg), f"s{STEPS - 2}"))))
    ((x, width),) = second
    # columns stand 100 frames apart, once 700: twice the usual distance is bridged at most
    assert float(x) == 100 and float(width) < 750
    assert spectrogram(small_spectrogram(spectrogram=None), RATE) is None
    assert spectrogram({"frames": 5}, RATE) is None


def test_the_spectrogram_of_a_long_tape_is_small_enough() -> None:
    import random

    chance = random.Random(1)
    levels = [[round(chance.uniform(-120, -30), 1) for _ in range(60)] for _ in range(480)]
    edges = [40.0 * (22050 / 40) ** (n / 60) for n in range(61)]
    document = {
        "frames": 475_804_800,
        "looked_at": {"unit_frames": 65536, "every_unit": 4, "used": 9, "length": 4096},
    }
    document["spectrogram"] = {
        "edges_hz": edges,
        "starts": [n * 991_260 for n in range(480)],
        "level_db": levels,
    }
    picture = spectrogram(document, RATE)
    assert picture is not None and len(picture.svg) < 800_000, "noise, the worst case: no two cells alike"


@pytest.mark.parametrize(
    ("hertz", "boost"),
    [
        (100, 0.004),
        (1000, 0.370),
        (3183, 2.636),
        (5000, 4.529),
        (10_000, 7.602),
        (16_000, 9.043),
        (20_000, 9.489),
    ],
)
def test_the_curve_for_the_eye_is_the_analytic_one(hertz: float, boost: float) -> None:
    # domain note 3.1, table of 50/15 us boost
    assert curve_db(hertz) == pytest.approx(boost, abs=0.0006)


def test_the_curve_is_laid_at_the_level_of_the_middle_and_labelled() -> None:
    hertz = [20.0 * 2 ** (n / 6) for n in range(61)]
    document = {"spectrum": {"windows": 9, "hertz": hertz, "level_db": [[-50.0] * 61, [-60.0] * 61]}}
    assert reference_db(hertz, document["spectrum"]["level_db"]) == pytest.approx(-55.0)  # type: ignore[arg-type]
    picture = spectrum({**document, "channels": [{}, {}]})
    assert picture is not None
    root = parsed(picture.svg)
    assert FOR_THE_EYE in picture.words and FOR_THE_EYE in [k.meaning for k in picture.key]
    assert any("50/15" in text and "comparison only" in text for text in said(root))
    left, right, eye = paths(root, "channel-0")[0], paths(root, "channel-1")[0], paths(root, "for-eye")[0]
    y = {name: [float(v) for v in re.findall(r" ([\d.]+)", d)] for name, d in
         (("left", left), ("right", right), ("eye", eye))}  # fmt: skip
    per_db = (y["right"][0] - y["left"][0]) / 10
    assert y["eye"][0] == pytest.approx((y["left"][0] + y["right"][0]) / 2, abs=0.2)
    assert (y["eye"][0] - y["eye"][-1]) / per_db == pytest.approx(9.4, abs=0.2), (
        "domain note 3.1: 9.489 at 20 kHz"
    )


def test_marks_in_the_spectrum_are_named_and_keep_off_each_other(damaged_tape: tuple[Json, Json]) -> None:
    document = {**damaged_tape[0]}
    document["conversion_hints"] = [{"kind": "lower_wall", "hertz": 15_900.0, "words": "x"}]
    marks = marks_of(document)
    assert [what for _, what in marks if what.startswith("line tone 15\u202f734.")]
    assert [what for _, what in marks if what.startswith("edge at 15.9 kHz")]
    picture = spectrum(document)
    assert picture is not None
    root = parsed(picture.svg)
    pins = sorted(
        (float((e.get("x1") or "").rstrip("%")), float(e.get("y2") or 0))
        for e in root.iter(f"{SVG}line") if e.get("class") == "pin"
    )  # fmt: skip
    assert len(pins) == len(marks)
    assert [y for _, y in pins] == sorted({y for _, y in pins}), (
        "each has a row of its own, no pin crosses a name"
    )


def test_frequencies_are_logarithmic() -> None:
    scale = Hertz(100, 10_000)
    assert [scale.part(f) for f in (10, 100, 1000, 10_000, 99_999)] == pytest.approx([0, 0, 0.5, 1, 1])
    assert scale.ticks() == (100, 200, 500, 1000, 2000, 5000, 10_000)


def test_bits_have_a_row_per_width_and_lanes_only_where_it_changes(
    damaged_tape: tuple[Json, Json], clean_tape: tuple[Json, Json]
) -> None:
    changed, steady = bits(damaged_tape[0], RATE), bits(clean_tape[0], RATE)
    assert changed is not None and steady is not None
    texts = said(parsed(changed.svg))
    assert "left, 16 bits in use: 1 stretch" in texts and "Where the width differs, over time" in texts
    assert any(t.startswith("14 bits: ") for t in texts) and any(
        t.startswith("16 bits: 1 block") for t in texts
    )
    assert "The width changes: left, 16 bits in use: 1 stretch" in changed.words
    assert "No stretch has another width" in steady.words
    assert not any("over time" in t for t in said(parsed(steady.svg)))
    assert bits({"frames": 5, "channels": [{}]}, RATE) is None


def test_channels_with_the_same_histogram_share_their_rows() -> None:
    channel = {"bits_histogram": [{"bits": 14, "blocks": 3}]}
    other = {"bits_histogram": [{"bits": 16, "blocks": 3}]}
    assert [name for name, _ in alike([channel, channel])] == ["left and right"]
    assert [name for name, _ in alike([channel] * 8)] == ["all 8 channels"]
    assert [name for name, _ in alike([channel, other, channel, channel])] == [
        "channels 1, 3 and 4",
        "channel 2",
    ]


@pytest.mark.parametrize(
    ("part", "words"), [(1.0, "all"), (0.99999, "99.9 %"), (0.5, "50.0 %"), (1e-9, "0.1 %")]
)
def test_a_share_is_never_rounded_to_all_or_nothing(part: float, words: str) -> None:
    assert share_words(part) == words


def test_loudness_breaks_at_silence_and_names_its_lines() -> None:
    document = {
        "frames": 441_000,
        "loudness": {
            "integrated_lufs": -23.0, "range_lu": 5.5,
            "max_momentary_lufs": -18.0, "max_short_term_lufs": -20.0,
            "contour": {"step_s": 1.0, "points": [None, None, -24.0, -22.0, None, None, -20.0, None]},
        },
    }  # fmt: skip
    picture = loudness(document, Fraction(44_100))
    assert picture is not None
    root = parsed(picture.svg)
    (curve,) = paths(root, "channel-0")
    assert curve.count("M") == 2, "two stretches with sound"
    starts = [float(x) / UNITS * 10 for x in re.findall(r"M([\d.]+) ", curve)]
    assert starts == pytest.approx([2.0, 6.0]), "seconds"
    texts = said(root)
    for name in ("integrated −23.0 LUFS", "greatest of 3 s −20.0 LUFS", "greatest of 0.4 s −18.0 LUFS"):
        assert name in texts
    looks = {e.get("class") for e in root.iter(f"{SVG}line") if "level" in (e.get("class") or "")}
    assert len(looks) == 3, "told apart by their breaks"
    assert "Range 5.5 LU." in picture.words and "ending near 0:00:06" in picture.words
    assert loudness({"frames": 9, "loudness": {"contour": {"step_s": 0.1, "points": []}}}, RATE) is None
    assert loudness({"frames": 9}, RATE) is None
