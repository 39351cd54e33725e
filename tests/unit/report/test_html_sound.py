"""The page with measured figures: self-contained, escaped, bounded in size and time, legible on light and
dark screens and in grey. Sources as in test_html.py."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from itertools import pairwise
from time import process_time
from typing import Any

import numpy as np
import pytest
from support.measured import measure, tape
from support.pages import HOSTILE, Reader, check_structure, luminance

from provpack.report.html import render_package

Json = dict[str, Any]
Made = Callable[[Json], Json]


def page(record: Json, document: Json) -> str:
    return render_package(record, measurements=document, findings=[], files=record["files"])


@pytest.fixture(scope="session")
def long_tape(damaged_tape: tuple[Json, Json]) -> tuple[Json, Json]:
    """Measurements of three hours with 5000 events, in the shape and size that the analysers give."""
    document, measured = copy.deepcopy(damaged_tape)
    frames = 3 * 3600 * 44_056
    kinds = ("click", "click", "click", "interpolation", "hold", "mute")
    listed = [
        {"type": kinds[n % 6], "start": n * (frames // 5000), "length": 1 + n % 900, "channel": None,
         "confidence": 0.5, "note": "single samples on the interleave grid"}
        for n in range(5000)
    ]  # fmt: skip
    silence = [{"start": n * 9000, "length": 64} for n in range(10_000)]
    document |= {"frames": frames, "digital_silence": silence}
    bins = [[-n, n, -n - 1, n] for n in range(1200)]
    document["envelope"] = {"frames_per_bin": -(-frames // 1200), "bins": bins}
    document["events"] |= {"listed": listed, "left_out": 77, "counts": dict.fromkeys(kinds, 900)}
    levels = [[-40.0 - (7 * n + 13 * b) % 80 for b in range(60)] for n in range(480)]
    edges = [40.0 * (22_028 / 40) ** (b / 60) for b in range(61)]
    starts = [n * (frames // 480) for n in range(480)]
    document["spectrogram"] = {"edges_hz": edges, "starts": starts, "level_db": levels}
    points = [None if n < 9 else -20.0 - n % 17 for n in range(1200)]
    document["loudness"]["contour"] = {"step_s": 9.0, "points": points}
    for channel in document["channels"]:
        channel["bits_stretches"] = [{"start": n * 9000, "length": 700, "bits": 16} for n in range(2000)]
    measured |= {"frames": frames, "events_detected": listed, "digital_silence": silence}
    return document, measured


def test_three_hours_with_five_thousand_events_stay_small_and_quick(
    record: Made, long_tape: tuple[Json, Json]
) -> None:
    made = record(long_tape[1])
    page(made, long_tape[0])  # the templates are compiled once
    start = process_time()
    text = page(made, long_tape[0])
    assert process_time() - start < 2, "0.2 s on the development machine"
    assert len(text.encode()) < 1_500_000
    assert "77 further events" in text


SOUNDS: dict[str, Callable[[], tuple[Json, Json]]] = {
    "silent": lambda: measure(np.zeros((44_056, 2), dtype=np.int16)),
    "second": lambda: measure(tape(1)),
    "very short": lambda: measure(tape(1)[1000:1100]),
    "mono": lambda: measure(tape(2)[:, :1], declared_bits=None),
    "eight": lambda: measure(np.repeat(tape(2), 4, axis=1), line_standard=None),
    "24 bits": lambda: measure(tape(2).astype(np.int32) << 16, declared_bits=None),
}


@pytest.mark.parametrize("name", ["damaged", "long", *SOUNDS])
def test_the_page_is_well_formed_and_loads_nothing(
    name: str, record: Made, damaged_tape: tuple[Json, Json], long_tape: tuple[Json, Json]
) -> None:
    given = {"damaged": damaged_tape, "long": long_tape}
    document, measured = given[name] if name in given else SOUNDS[name]()
    text = page(record(measured), document)
    check_structure(text)
    seen = Reader(text)
    assert not {"script", "img", "image", "iframe", "object", "embed", "link", "base"} & set(seen.tags)
    for tag, attribute, value in seen.attributes:
        assert not attribute.startswith("on") and attribute not in ("src", "srcset", "xlink:href"), tag
        assert "url(" not in value or value.startswith("url(#"), value
    ids = [value for _, attribute, value in seen.attributes if attribute == "id"]
    assert len(ids) == len(set(ids))
    labelled = [v for tag, a, v in seen.attributes if tag == "svg" and a == "aria-labelledby"]
    assert labelled and all(set(v.split()) <= set(ids) for v in labelled)
    assert seen.tags.count("table") == seen.tags.count("caption")
    assert seen.tags.count("th") == sum(tag == "th" and name == "scope" for tag, name, _ in seen.attributes)
    levels = [int(tag[1]) for tag in seen.tags if re.fullmatch("h[1-6]", tag)]
    assert all(b - a <= 1 for a, b in pairwise(levels))
    said = " ".join(" ".join(seen.words).split())
    assert "What the sound itself shows" in said and "Declared beside measured" in said
    assert not re.search(r"\b(nan|inf|False)\b|\bTrue\b(?! peak| rate)|\bNone\b(?! of)", said), (
        "no word of the language"
    )


def test_every_figure_of_the_section_is_marked_as_measured(
    record: Made, damaged_tape: tuple[Json, Json]
) -> None:
    text = page(record(damaged_tape[1]), damaged_tape[0])
    section = text[text.index('<section id="sound"') : text.index('<section id="findings"')]
    captions = re.findall(r"<caption>(.*?)</caption>", section)
    assert len(captions) > 7
    assert all("kind-measured" in c for c in captions if c != "Where both are known")
    assert section.index("kind-declared") > section.index("kind-measured"), "only in the table of both"
    assert section.count("kind-declared") == 1


def test_differences_stand_at_a_glance(record: Made, damaged_tape: tuple[Json, Json]) -> None:
    text = page(record(damaged_tape[1]), damaged_tape[0])
    look = re.search(r'<section class="look">(.*?)</section>', text, re.DOTALL)
    assert look is not None and "Declared and measured differ: bits per sample" in look[1]


def test_hostile_text_in_the_measurements_cannot_break_out(
    record: Made, damaged_tape: tuple[Json, Json]
) -> None:
    document = copy.deepcopy(damaged_tape[0])
    for name in ("tool", "version", "file", "at"):
        document[name] = HOSTILE
    document["relation"]["notes"] = document["loudness"]["notes"] = [HOSTILE]
    document["line_whistle"]["words"] = HOSTILE
    wall = {"kind": HOSTILE, "strength": HOSTILE, "hertz": 15_000.0, "words": HOSTILE}
    document["conversion_hints"] = [wall]
    for hint in document["emphasis_hints"]:
        hint |= {"words": HOSTILE, "unit": HOSTILE, "kind": HOSTILE}
    text = page(record(damaged_tape[1]), document)
    assert not {"script", "img", "x"} & set(Reader(text).tags) and "\x1b" not in text


def test_every_shade_of_the_spectrogram_is_stronger_than_the_one_before(
    record: Made, damaged_tape: tuple[Json, Json]
) -> None:
    style = "".join(Reader(page(record(damaged_tape[1]), damaged_tape[0])).styles)
    parts = style.partition("@media screen and (prefers-color-scheme: dark)")
    for part, darker in ((parts[0], True), (parts[2], False)):  # darker on paper, lighter on a dark screen
        found = re.findall(r"\.s(\d+) \{ fill: rgb\((\d+), (\d+), (\d+)\); \}", part)
        assert [int(n) for n, *_ in found] == list(range(15))
        light = [luminance("#" + "".join(f"{int(c):02x}" for c in rgb)) for _, *rgb in found]
        assert light == sorted(light, reverse=darker) and len(set(light)) == 15
