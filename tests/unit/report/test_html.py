"""The report page: complete, escaped, self-contained, legible. Sources: HTML Living Standard for the markup,
WCAG 2.2 (1.4.3 contrast 4.5:1 for text, 1.4.11 3:1 for graphics, 1.3.1 tables), schemas/ for the fields."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from html import escape
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from support.pages import HOSTILE, Reader, check_structure, contrast, palettes

from provpack.findings import Finding
from provpack.package.figures import moment_words, number
from provpack.report.html import link_of, render_package
from provpack.report.html_fields import ELSEWHERE, FIELD_KIND, SECTIONS, TABLES, TOP
from provpack.report.html_values import words
from provpack.report.html_words import LABELS, VOCABULARY_FIELDS, WORDS

ROOT = Path(__file__).resolve().parents[3]
SCHEMAS = ROOT / "schemas"
OWN = sorted((Path(__file__).parent / "records").glob("*.json"))
CASES = sorted((ROOT / "tests" / "cases" / "records" / "valid").glob("*.json"))
FINDINGS = [
    Finding(rule="rec-b", severity="note", what="A note.", where="/b", todo="Nothing."),
    Finding(
        rule="rec-a", severity="error", what="An error <b>.", where="/a", todo="Mend it.", reference="S 1"
    ),
]


def load(path: Path) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return data


def measurements(record: dict[str, Any]) -> dict[str, Any] | None:
    if record["measured"] is None or record["signal"] is None:
        return None
    frames, channels = record["measured"]["frames"], record["measured"]["channels"]
    return {
        "frames": frames,
        "sampling_frequency": record["signal"]["sampling_frequency"],
        "digital_silence": record["measured"]["digital_silence"],
        "envelope": {"frames_per_bin": -(-frames // 50) or 1, "bins": [[-900, 1000] * channels] * 50},
    }


def page(record: dict[str, Any], findings: list[Finding] | None = None) -> str:
    return render_package(
        record, measurements=measurements(record), findings=findings or [], files=record["files"]
    )


@pytest.fixture
def full() -> dict[str, Any]:
    return load(next(p for p in OWN if p.stem == "pcm-14-bit"))


@pytest.mark.parametrize("path", OWN + CASES, ids=lambda p: p.stem)
def test_the_page_is_well_formed_and_loads_nothing(path: Path) -> None:
    text = page(load(path), FINDINGS)
    check_structure(text)
    seen = Reader(text)
    assert not {"script", "img", "iframe", "object", "embed", "link", "form", "base"} & set(seen.tags)
    for tag, name, value in seen.attributes:
        assert not name.startswith("on"), f"{tag} {name}"
        if name in ("src", "action", "data", "poster", "srcset", "xlink:href"):
            pytest.fail(f"{tag} {name}={value}")
        if name == "href":
            assert value.startswith("#") or re.fullmatch(r"\.\./[a-z0-9_./-]+", value), value
        assert "url(" not in value or value.startswith("url(#"), value
    style = "".join(seen.styles)
    assert "url(" not in style and "@import" not in style and "<" not in style
    ids = [value for _, name, value in seen.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    targets = [value[1:] for _, name, value in seen.attributes if name == "href" and value.startswith("#")]
    assert set(targets) <= set(ids)


@pytest.mark.parametrize("path", OWN + CASES, ids=lambda p: p.stem)
def test_tables_have_captions_and_headings_with_scope(path: Path) -> None:
    seen = Reader(page(load(path)))
    assert seen.tags.count("table") == seen.tags.count("caption") > 5
    assert seen.tags.count("th") == sum(tag == "th" and name == "scope" for tag, name, _ in seen.attributes)
    assert seen.tags.count("h1") == 1 and ("html", "lang", "en") in seen.attributes
    levels = [int(tag[1]) for tag in seen.tags if re.fullmatch("h[1-6]", tag)]
    assert all(b - a <= 1 for a, b in pairwise(levels)), "no heading level is skipped"


def leaves(value: Any, field: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, key)
    elif isinstance(value, list):
        for inner in value:
            yield from leaves(inner, field)
    else:
        yield field, value


@pytest.mark.parametrize("path", OWN + CASES, ids=lambda p: p.stem)
def test_everything_the_record_says_is_on_the_page(path: Path) -> None:
    record = load(path)
    text = " ".join(" ".join(Reader(page(record)).words).split())
    for field, value in leaves(record):
        if isinstance(value, str):
            word = WORDS.get(value, value.replace("_", " "))
            said = word if field in VOCABULARY_FIELDS else moment_words(value)
            if field in ("how", "field", "from") or said in ("seen", "measured"):
                continue
            assert " ".join(said.split()) in text, f"{field}: {said}"
        elif type(value) is int and field not in ("num", "den", "duration_s"):
            assert number(value) in text or number(value).replace("\u202f", " ") in text, f"{field}: {value}"


def properties(schema: dict[str, Any], documents: dict[str, Any]) -> set[str]:
    """Pointer of every property of a record, arrays of objects without their index; $ref and what stands
    beside it both count (JSON Schema 2020-12 core, 8.2.3.1)."""
    found: set[str] = set()

    def walk(part: dict[str, Any], base: dict[str, Any], pointer: str) -> None:
        if "$ref" in part:
            name, _, steps = part["$ref"].partition("#")
            there = documents[name] if name else base
            target: Any = there
            for step in steps.strip("/").split("/"):
                target = target[step]
            walk(target, there, pointer)
        for name, inner in (part.get("properties") or {}).items():
            here = f"{pointer}/{name}".strip("/")
            found.add(here)
            walk(inner, base, here)
        if isinstance(part.get("items"), dict):
            walk(part["items"], base, pointer)

    walk(schema, schema, "")
    return found


def test_every_field_of_the_schema_has_its_place() -> None:
    documents = {d["$id"]: d for d in (load(p) for p in SCHEMAS.glob("*.schema.json"))}
    schema = load(SCHEMAS / "transfer-record.schema.json")
    placed = {f"{s}/{f}" for s, fields in SECTIONS.items() for f in fields}
    placed |= {f"{t}/{c}" for t, columns in TABLES.items() for c in columns} | set(TOP) | set(ELSEWHERE)
    containers = {pointer.rpartition("/")[0] for pointer in placed} | {"processing", "custody"}
    # values shown as one text with their parent: a fraction, a photograph, a delay, a tone, a list of ranges,
    # the loudness figures, the counts, the repetition
    whole = re.compile(
        r".*(sampling_frequency/(num|den)|(condition_photos|interchannel_delay|line_pilot_hz|ranges|parameters|"
        r"loudness|event_counts|repetition)/.*)"
    )
    known = properties(schema, documents)
    assert len(known) > 200
    assert sorted(p for p in known - placed - containers if not whole.fullmatch(p)) == []
    assert sorted(placed - known) == [], "the report names a field the schema does not have"
    assert {k for k in FIELD_KIND if "/" in k} <= known
    names = {p.rpartition("/")[2] for p in known}
    assert set(LABELS) - names == set() and names >= VOCABULARY_FIELDS


def poisoned(value: Any, field: str = "") -> Any:
    if isinstance(value, dict):
        return {k: poisoned(v, k) for k, v in value.items()}
    if isinstance(value, list):
        return [poisoned(v, field) for v in value]
    return HOSTILE if isinstance(value, str) else value


def test_hostile_text_cannot_break_out(full: dict[str, Any]) -> None:
    bad = [
        Finding(rule=HOSTILE, severity="error", what=HOSTILE, where=HOSTILE, todo=HOSTILE, reference=HOSTILE)
    ]
    text = page(poisoned(copy.deepcopy(full)), bad)
    seen = Reader(text)
    assert not {"script", "img", "x"} & set(seen.tags)
    assert not [name for _, name, _ in seen.attributes if name.startswith("on")]
    links = {value for _, name, value in seen.attributes if name == "href"}
    assert all(link.startswith("#") for link in links), "a hostile path is shown and not linked"
    assert "\x00" not in text and "\x1b" not in text
    assert "{{7*7}}{% x %}" in text, "text is never read as a template"


def test_a_hostile_path_is_no_link() -> None:
    assert link_of("data/master/a.wav") == "../master/a.wav"
    for bad in (
        "data/../../etc/passwd",
        "javascript:alert(1)",
        "data/a b",
        "http://x/",
        "data/",
        "data//x",
        "data/./x",
        "",
    ):
        assert link_of(bad) == ""


def test_findings_stand_worst_first_with_what_to_do(full: dict[str, Any]) -> None:
    text = page(full, FINDINGS)
    assert text.index("An error &lt;b&gt;.") < text.index("A note.")
    assert "<strong>What the studio was told to do:</strong> <bdi>Mend it.</bdi>" in text
    assert "Findings that are errors: 1." in text
    assert "The checks found nothing to report." in page(full)


def test_state_at_a_glance_sorts_good_doubtful_unknown(full: dict[str, Any]) -> None:
    def column(record: dict[str, Any], name: str) -> str:
        found = re.search(rf'<section class="{name}">(.*?)</section>', page(record), re.DOTALL)
        assert found is not None
        return found[1]

    assert "dropout compensator of the playback machine was off" in column(full, "well")
    assert "copyright asserted" in column(full, "look")
    assert "Polarity: unknown (nobody knows)" in column(full, "open")
    full["deck"]["dropout_compensator"] = "not_observed"
    full["signal"]["file_emphasis"] = "unknown"
    assert "dropout" not in column(full, "well")
    assert "Dropout compensator: not observed (it was there and nobody looked)" in column(full, "open")
    assert "Pre-emphasis in the file: unknown" in column(full, "open")
    full["equipment_status"] = full["equipment_status"][:1]
    assert "Equipment D5 is suspect: squeal" in column(full, "look")


def test_the_three_honest_answers_never_become_off() -> None:
    # domain rule: unknown, not_observed and not_fitted are three answers
    said = [words("emphasis_indicator", word) for word in ("unknown", "not_observed", "not_fitted", "off")]
    assert len(set(said)) == 4 and all("off" not in s for s in said[:3])


def test_declared_measured_and_derived_are_told_apart_in_words(full: dict[str, Any]) -> None:
    text = page(full)

    def kind(label: str) -> str:
        found = re.search(
            rf'<th scope="row">{re.escape(label)}</th>.*?kind-cell">.*?>(\w+)</span>', text, re.DOTALL
        )
        assert found is not None, label
        return found[1]

    assert kind("Title") == "declared"
    assert kind("Sampling frequency in the header") == "measured"
    assert kind("Exact sampling frequency") == "derived", "this record says it was computed"
    assert "525 lines at 59.94 fields" in text
    assert kind("Length in sample frames") == "measured"
    assert kind("Playing time") == "derived"
    del full["derived"]
    assert "declared" in re.findall(
        r"Exact sampling frequency</th>.*?kind-cell\">.*?>(\w+)</span>", page(full), re.DOTALL
    )


def test_emphasis_and_rate_are_told_in_words(full: dict[str, Any]) -> None:
    text = " ".join(" ".join(Reader(page(full)).words).split())
    assert "sounds too bright until it is de-emphasised; that is intended" in text
    assert "44100/1.001 Hz (44 055.944 Hz)" in text
    assert "4.6 ms shorter" in text


def test_times_rest_on_the_exact_rate(full: dict[str, Any]) -> None:
    # 35 280 000 frames at 44100/1.001 Hz are 800.8 s = 0:13:20.800; at 44100 they would be 800.0 s
    full["processing"]["transfer_events"] = [{"frame": 35_280_000, "type": "mute", "origin": "seen"}]
    assert "0:13:20.800 (frame 35\u202f280\u202f000)" in page(full)


def test_the_timeline_is_in_order_across_offsets(full: dict[str, Any]) -> None:
    full["processing"]["passes"][0]["started_at"] = "2031-05-05T23:30:00+02:00"  # 21:30 UTC
    full["processing"]["passes"][1]["started_at"] = "2031-05-05T22:00:00+00:00"
    rows = re.findall(r"<strong><bdi>(Pass \d)</bdi></strong>", page(full))
    assert rows == ["Pass 1", "Pass 2"]


def test_no_audio_no_picture() -> None:
    record = load(next(p for p in OWN if p.stem == "no-pcm-found"))
    text = page(record)
    assert 'id="overview"' not in text and "<svg" not in text
    assert "There is no signal: no audio was captured." in text
    assert "There is no decoder of its own in this chain." in text


def test_the_picture_has_a_text_alternative_with_figures(full: dict[str, Any]) -> None:
    found = re.search(r"<desc[^>]*>(.*?)</desc>", page(full))
    assert found is not None
    for said in (
        "2 channels over 0:14:33",
        "Peak left: −3.1 dBFS",
        "Digital silence: 2 stretches, the longest 10.0 seconds",
        "Places where a program found damage: 1.",
        "Events noted: 5",
    ):
        assert said in found[1]


def test_not_looked_for_is_not_the_same_as_none_found(full: dict[str, Any]) -> None:
    full["measured"]["events_detected"] = None
    assert "No program has looked for damage." in page(full)
    full["measured"]["events_detected"] = []
    assert "Places where a program found damage: 0." in page(full)


def test_long_tables_are_cut_and_say_so(full: dict[str, Any]) -> None:
    full["measured"]["digital_silence"] = [{"start": n * 100, "length": 64} for n in range(10_000)]
    event = {"frame": 1, "type": "mute", "origin": "seen"}
    full["processing"]["transfer_events"] = [event] * 10_000
    text = page(full)
    assert "Digital silence: 10000 stretches" in text
    assert text.count("9700 more are in <code>data/metadata/record.json</code>") == 2
    assert len(text) < 1_000_000


def test_playing_time_is_rounded_to_the_millisecond_in_both_figures() -> None:
    # 704 895 frames x 1001 / 44 100 000 = 15.999998 s, computed
    assert words("duration_s", 704_895 * 1001 / 44_100_000) == "0:00:16.000 (15.999998 seconds)"


@pytest.mark.parametrize("surroundings", ["light", "dark"])
def test_contrast_of_the_palette(full: dict[str, Any], surroundings: str) -> None:
    style = "".join(Reader(page(full)).styles)
    palette = palettes(style)[surroundings]
    papers = ("paper", "shade", "good-paper", "warn-paper", "bad-paper", "open-paper")
    for ink in ("ink", "quiet", "accent"):
        for paper in papers:
            assert contrast(palette[ink], palette[paper]) >= 4.5, (ink, paper)
    for name in ("good", "warn", "bad", "open"):
        assert contrast(palette[name], palette[f"{name}-paper"]) >= 4.5
        assert contrast(palette[name], palette["paper"]) >= 4.5
    for graphic in ("wave", "bad", "good", "open", "accent", "quiet", "warn"):  # 1.4.11
        assert contrast(palette[graphic], palette["shade"]) >= 3
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert set(re.findall(r"var\(--([\w-]+)\)", style)) <= set(palette)


def test_a_very_long_title_does_not_drown_the_page(full: dict[str, Any]) -> None:
    full["item"]["title"] = "x" * 20000
    text = page(full)
    heading = re.search(r"<h1><bdi>(.*?)</bdi></h1>", text)
    assert heading is not None and len(heading[1]) <= 300
    assert "x" * 20000 in text, "the whole title stands among the facts"


def test_escaping_is_the_default(full: dict[str, Any]) -> None:
    full["people"]["qc_note"] = "<i>&"
    assert escape("<i>&") in page(full)
