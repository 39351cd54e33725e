"""A package in a few sentences. Every sentence is checked against the record it is made from; times are
counted by hand with the exact rate (44 100 000 / 1001 frames a second: 10 s = 440 559.44 frames)."""

from __future__ import annotations

import copy
import json
import math
from pathlib import Path
from typing import Any

import pytest
from support.pages import HOSTILE

from provpack.package.figures import (
    clock,
    count,
    counted,
    found_words,
    listed,
    moment_words,
    number,
    size_words,
)
from provpack.package.summary import EMPHASIS_SHORT, carrier_words, summarise

ROOT = Path(__file__).resolve().parents[3]
CASES = sorted((ROOT / "tests" / "cases" / "records" / "valid").glob("*.json"))
Json = dict[str, Any]
RATE = 44_100_000 / 1001
NONE = {"error": 0, "warning": 0, "note": 0}


@pytest.fixture
def record() -> Json:
    path = ROOT / "tests" / "unit" / "report" / "records" / "pcm-14-bit.json"
    made: Json = json.loads(path.read_text(encoding="utf-8"))
    made["processing"]["transfer_events"] = []
    made["signal"]["signal_state_ranges"] = []
    made["measured"]["events_detected"] = []
    return made


def at(seconds: float) -> int:
    """The first frame that is not before this time."""
    return math.ceil(seconds * RATE)


def event(kind: str, seconds: float, length: int = 1, channel: int | None = None) -> Json:
    return {"type": kind, "start": at(seconds), "length": length, "channel": channel, "confidence": 1}


def listen(record: Json) -> list[str]:
    return summarise(record, NONE)["listen"]


@pytest.mark.parametrize("path", CASES, ids=lambda p: p.stem)
def test_every_kind_of_record_gets_sentences(path: Path) -> None:
    told = summarise(json.loads(path.read_text(encoding="utf-8")), {"error": 0, "warning": 2, "note": 1})
    assert set(told) == {"summary", "listen", "cautions"}
    assert len(told["summary"]) >= 3
    for sentence in (s for part in told.values() for s in part):
        assert sentence == " ".join(sentence.split()) and "None" not in sentence and "_" not in sentence[:40]
    assert "Findings to look at: 2 warnings." in told["summary"]


def test_what_it_is_comes_first(record: Json) -> None:
    # 38 500 000 frames x 1001 / 44 100 000 = 873.9 s = 0:14:34 rounded, computed
    assert summarise(record, NONE)["summary"][0] == (
        "The sound of a Betamax cassette (B-00412), 0:14:34 long, read by Breakwater Tape Room for Port "
        "Ellery Museum."
    )


def test_without_audio_it_is_an_attempt() -> None:
    record = json.loads(next(p for p in CASES if p.stem == "case-10-blank-tape").read_text())
    told = summarise(record, NONE)
    assert told["summary"][0].startswith("The record of an attempt to read a Betamax cassette")
    assert told["listen"] == [] and not any("damage" in s for s in told["summary"])


def test_three_answers_about_damage(record: Json) -> None:
    def said() -> str:
        (one,) = [
            s
            for s in summarise(record, NONE)["summary"]
            if ("program" in s and "damage" in s) or "found 2" in s
        ]
        return one

    assert said() == "A program looked for damage in the sound and found none of the kinds it looks for."
    record["measured"]["events_detected"] = [event("mute", 3), event("mute", 9)]
    assert said() == "In the sound a program found 2 mutes."
    record["measured"]["events_detected"] = None
    assert said() == "No program has looked for damage in the sound."


def test_places_of_one_kind_are_one_sentence_with_channels(record: Json) -> None:
    record["measured"]["events_detected"] = [event("hold", 723 + n) for n in range(40)]
    assert listen(record) == [
        "From 0:12:03 to 0:12:42: 40 held values: the sound stands still, in both channels (measured)."
    ]
    record["measured"]["events_detected"] = [event("click", 62, channel=1)]
    assert listen(record) == [
        "At 0:01:02: a place that stands out like a click, in the right channel (measured)."
    ]
    record["measured"]["events_detected"] = [event("mute", 1, length=at(0.25)), event("mute", 400)]
    assert listen(record) == [
        "At 0:00:01 and 0:06:40: 2 mutes: the sound is cut to zero, in both channels (measured)."
    ]
    record["measured"]["events_detected"] = [event("mute", 60, length=at(0.25))]
    assert listen(record)[0].startswith("At 0:01:00: a mute: the sound is cut to zero, for 250 ms,")


def test_thousands_of_places_stay_one_sentence_and_name_the_worst_minute(record: Json) -> None:
    wide = [event("click", 50 * n) for n in range(17)]
    dense = [event("click", 605 + n / 100) for n in range(3000)]
    record["measured"]["events_detected"] = sorted(wide + dense, key=lambda e: int(e["start"]))
    record["measured"]["events_left_out"] = 12
    first, more = listen(record)
    assert first.startswith(
        "From 0:00:00 to 0:13:20, most of them in the minute from 0:10:00: 3\u202f017 places"
    )
    assert more.startswith("There is more than can be listed: 12 further events.")


def test_the_log_is_told_with_what_was_measured_there(record: Json) -> None:
    record["measured"]["events_detected"] = [event("mute", 60)]
    log = [
        {"frame": at(61), "type": "mute", "origin": "seen", "note": "lamp blinked"},
        {"frame": at(90), "type": "error_lamp", "origin": "seen"},
        {"frame": at(5), "type": "programme_start", "origin": "seen"},
        {"frame": None, "at": "2031-05-05T11:00:00+02:00", "type": "unlock", "origin": "seen"},
    ]
    record["processing"]["transfer_events"] = log
    assert listen(record) == [
        "At 0:01:01: mute (noted by a person: “lamp blinked”; measured there too).",
        "At 0:01:30: the error lamp lit (noted by a person).",
    ]
    record["processing"]["transfer_events"] = [{**log[1], "frame": at(10 * n)} for n in range(1, 40)]
    assert listen(record)[0] == "From 0:00:10 to 0:06:30: the error lamp lit, 39 times (noted in the log)."


def test_emphasis_is_told_where_it_changes(record: Json) -> None:
    frames = record["measured"]["frames"]
    ranges = [
        {"start": 0, "end": at(100), "emphasis": "off"},
        {"start": at(100), "end": at(200), "emphasis": "on"},
        {"start": at(200), "end": frames, "emphasis": "unknown"},
    ]
    record["signal"] |= {"signal_state_ranges": ranges, "file_emphasis": "mixed"}
    said = listen(record)
    assert said[0].startswith("From 0:01:40 to 0:03:20: pre-emphasis is on; this stretch sounds too bright")
    assert said[1] == "From 0:03:20 to 0:14:33: nobody knows whether pre-emphasis is on (declared)."
    record["signal"]["file_emphasis"] = "removed"
    assert listen(record) == [], "what was undone cannot be heard"
    record["signal"] |= {
        "file_emphasis": "present",
        "signal_state_ranges": [{"start": 0, "end": frames, "emphasis": "on"}],
    }
    assert listen(record) == [], "the summary says it of the whole file"


def test_the_number_of_sentences_is_bounded(record: Json) -> None:
    kinds = ("mute", "hold", "interpolation", "click", "clipped_run", "unlock", "other", "digital_silence")
    record["measured"]["events_detected"] = [event(kinds[n % 8], n / 10, channel=n % 2) for n in range(5000)]
    types = ("error_lamp", "mute", "head_clog", "tracking_adjust", "operator_note", "mode_16", "join")
    record["processing"]["transfer_events"] = [
        {"frame": at(n), "type": types[n % 7], "origin": "seen", "note": "x" * 5000} for n in range(700)
    ]
    record["signal"]["signal_state_ranges"] = [
        {"start": at(n), "end": at(n + 1), "emphasis": "on"} for n in range(800)
    ]
    said = listen(record)
    assert len(said) < 40 and all(len(s) < 400 for s in said)


def test_cautions_are_those_of_this_package(record: Json) -> None:
    said = summarise(record, NONE)["cautions"]
    assert said[0] == "Access is restricted: reading room only (until 2040-12-31)"
    assert any("names of singers on the inlay" in s for s in said)
    assert any("copy flag" in s and "local law and qualified people" in s for s in said)
    assert any("mould suspected" in s and "conservator" in s for s in said)
    quiet = copy.deepcopy(record)
    quiet["rights"] = {"rights_basis": "owner", "personal_data": False}
    quiet["interface"]["cs_copy"] = "permitted"
    quiet["condition"] |= {"condition_terms": ["good"], "condition_after": []}
    assert summarise(quiet, NONE)["cautions"] == []
    quiet["rights"] = {"rights_basis": "unknown", "personal_data": "unknown"}
    assert [s.partition(":")[0] for s in summarise(quiet, NONE)["cautions"]] == [
        "Personal data",
        "The basis of rights is unknown",
    ]


def test_history_and_names_held_back_are_told(record: Json) -> None:
    record["held_back"] = [
        {"label": "operator 1", "roles": ["/people/operator"], "commitment_sha256": "0" * 64}
    ]
    said = summarise(record, NONE)["summary"]
    assert any(s.startswith("It corrects the earlier package pe-2031-04_t-07: Title corrected") for s in said)
    assert sum(s.startswith("The name of 1 person is held back in this copy") for s in said) == 1
    record["held_back"] *= 3
    said = summarise(record, NONE)["summary"]
    assert sum(s.startswith("The names of 3 persons are held back") for s in said) == 1


def test_hostile_text_stays_on_one_line(record: Json) -> None:
    record["carrier"]["carrier_id"] = record["people"]["client"] = HOSTILE
    record["processing"]["transfer_events"] = [
        {"frame": 5, "type": "operator_note", "origin": "seen", "note": HOSTILE * 50}
    ]
    told = summarise(record, NONE)
    for sentence in (s for part in told.values() for s in part):
        assert sentence.replace("\u202f", "").isprintable() and len(sentence) < 700


def test_a_carrier_of_another_kind_is_named_as_the_record_does() -> None:
    assert (
        carrier_words({"carrier": {"carrier_type": "other", "carrier_type_note": "wire spool"}})
        == "a wire spool"
    )
    assert carrier_words({"carrier": {"carrier_type": "open_reel_audio"}}) == "an open-reel audio tape"
    assert carrier_words({"carrier": {"carrier_type": "u_matic"}}) == "a U-matic cassette"


def test_every_state_of_emphasis_has_its_short_form() -> None:
    fields = json.loads((ROOT / "schemas" / "fields.schema.json").read_text(encoding="utf-8"))["$defs"]
    assert set(EMPHASIS_SHORT) == set(fields["file_emphasis"]["enum"])


def test_figures_as_people_write_them() -> None:
    assert [clock(s) for s in (0, 59.99, 800, 360_000)] == ["0:00:00", "0:00:59", "0:13:20", "100:00:00"]
    assert [size_words(n) for n in (0, 999, 1000, 999_949, 999_950, 154_012_345, 7 * 10**15)] == [
        "0 bytes", "999 bytes", "1 kB", "999.9 kB", "1 MB", "154 MB", "7\u202f000 TB",
    ]  # fmt: skip
    assert number(-3.1) == "−3.1" and number(38_500_000) == "38\u202f500\u202f000"
    assert listed([]) == "" and listed(["a"]) == "a" and listed(["a", "b", "c"]) == "a, b and c"
    assert found_words({"mute": 2, "click": 1, "digital_silence": 5}) == "2 mutes and 1 click"


def test_one_of_a_thing_and_several() -> None:
    assert [count(n, "file") for n in (0, 1, 1200)] == ["0 files", "1 file", "1\u202f200 files"]
    assert [counted(n, "entry", "entries") for n in (1, 1200)] == ["1 entry", "1 200 entries"]


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("2031-05-05T10:00:00+02:00", "2031-05-05 10:00:00 +02:00"),
        ("2031-05-05T10:00:00Z", "2031-05-05 10:00:00 UTC"),
        ("2031-05-05T10:00:00.250+00:00", "2031-05-05 10:00:00.250 UTC"),
        ("2031-05-05", "2031-05-05"),
        ("nobody knows", "nobody knows"),
    ],
)
def test_moments_as_people_write_them(written: str, said: str) -> None:
    assert moment_words(written) == said
