"""Measured against declared: every rule of model/measuredrules.py once broken and once nearly broken.

The definitions are proposals of this project (domain note section 4 names no published ones).
"""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from provpack.findings import Finding
from provpack.model.measuredrules import RULES
from provpack.model.recordrules import judge_record

PLAIN = Path(__file__).parents[2] / "cases" / "records" / "valid" / "plain-14-bit-625.json"
RATE = 44100

Fields = dict[str, Any]


def record(measured: Fields, **sections: Fields) -> dict[str, Any]:
    """A valid record with other measured figures, and other fields in its sections."""
    document: dict[str, Any] = copy.deepcopy(json.loads(PLAIN.read_text(encoding="utf-8")))
    document["measured"] |= measured
    for name, fields in sections.items():
        for key, value in fields.items():
            if name == "top":
                document[key] = value
            else:
                document[name][key] = value
    return document


def told(document: dict[str, Any], rule: str) -> list[Finding]:
    return [f for f in judge_record(document) if f.rule == rule]


def delay(value: float | None, agreeing: int = 7, windows: int = 9) -> Fields:
    return {
        "value_samples": value,
        "coherence": 0.8,
        "windows_agreeing": agreeing,
        "windows": windows,
    }


def event(kind: str, start: int, note: str = "") -> Fields:
    return {"type": kind, "start": start, "length": 100, "channel": None, "confidence": 0.9, "note": note}


def repeating(pattern: str) -> Fields:
    period = {"one_head": 1764, "every_field": 882}.get(pattern)
    return {"repetition": {"field_frames": 882, "pattern": pattern, "period": period, "places": 20,
                           "lags": 40, "score": 0.9, "chance": 0.04}}  # fmt: skip


LOGGED = {"transfer_events": [{"frame": 100 * RATE, "type": "mute", "origin": "seen"}]}
CONVERSION = {"kind": "top_wall", "strength": "moderate", "hertz": 20000.0, "figure": 40.0, "windows": 9,
              "windows_able": 9, "words": "A wall."}  # fmt: skip
STEP = {
    "kind": "tilt_step",
    "strength": 5,
    "figure": 1.0,
    "unit": "times",
    "frame": 10 * RATE,
    "words": "A step.",
}

# (rule, broken, nearly broken), each (measured, sections)
CASES: list[tuple[str, tuple[Fields, dict[str, Fields]], tuple[Fields, dict[str, Fields]]]] = [
    ("rec-audio-silent", ({"effective_bits": [0, 0]}, {}), ({"effective_bits": [0, 14]}, {})),
    (
        "rec-channel-silent",
        ({"channel_relation": "one_silent"}, {"signal": {"channel_use": "stereo"}}),
        ({"channel_relation": "one_silent"}, {"signal": {"channel_use": "left_only"}}),
    ),
    (
        "rec-channels-equal",
        ({"channel_relation": "dual_mono"}, {"signal": {"channel_use": "two_independent"}}),
        ({"channel_relation": "dual_mono"}, {"signal": {"channel_use": "dual_mono"}}),
    ),
    (
        "rec-channels-differ",
        ({"channel_relation": "stereo"}, {"signal": {"channel_use": "dual_mono"}}),
        ({"channel_relation": "undetermined"}, {"signal": {"channel_use": "dual_mono"}}),
    ),
    (
        "rec-channel-inverted",
        ({"channel_relation": "inverted"}, {"signal": {"channel_polarity": "unknown"}}),
        ({"channel_relation": "inverted"}, {"signal": {"channel_polarity": "inverted_r"}}),
    ),
    (
        "rec-shared-converter-against",
        (
            {"channel_relation": "skewed", "interchannel_delay": delay(-0.5)},
            {"decoder": {"shared_converter": "no"}},
        ),
        (
            {"channel_relation": "skewed", "interchannel_delay": delay(-0.5, agreeing=2)},
            {"decoder": {"shared_converter": "no"}},
        ),
    ),
    (
        "rec-shared-converter-against",
        (
            {"channel_relation": "stereo", "interchannel_delay": delay(0.001)},
            {"decoder": {"shared_converter": "yes"}},
        ),
        (
            {"channel_relation": "stereo", "interchannel_delay": delay(None)},
            {"decoder": {"shared_converter": "yes"}},
        ),
    ),
    (
        "rec-shared-converter-hint",
        (
            {"channel_relation": "skewed", "interchannel_delay": delay(-0.5)},
            {"decoder": {"shared_converter": "unknown"}},
        ),
        (
            {"channel_relation": "skewed", "interchannel_delay": delay(-0.5)},
            {"decoder": {"shared_converter": "yes"}},
        ),
    ),
    (
        "rec-damage-unlogged",
        ({"events_detected": [event("mute", 103 * RATE)]}, {"processing": LOGGED}),
        ({"events_detected": [event("mute", 102 * RATE)]}, {"processing": LOGGED}),
    ),
    ("rec-damage-repeats", (repeating("one_head"), {}), (repeating("none"), {})),
    ("rec-damage-repeats", (repeating("every_field"), {}), (repeating("too_few_events"), {})),
    (
        "rec-bits-change",
        ({"events_detected": [event("other", 50 * RATE, "16 bits in use")]}, {}),
        (
            {"events_detected": [event("other", 50 * RATE, "16 bits in use")]},
            {"signal": {"signal_state_ranges": [{"start": 0, "end": 50 * RATE, "mode": "14"}]}},
        ),
    ),
    ("rec-clipped", ({"clipped_samples": [0, 3]}, {}), ({"clipped_samples": [0, 0]}, {})),
    ("rec-conversion-hint", ({"conversion_hints": [CONVERSION]}, {}),
     ({"conversion_hints": [{**CONVERSION, "strength": "weak"}]}, {})),
    (
        "rec-emphasis-step-hint",
        ({"emphasis_hints": [STEP]}, {}),
        ({"emphasis_hints": [{**STEP, "kind": "long_term_tilt", "frame": None}]}, {}),
    ),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "broken", "nearly"), CASES, ids=lambda v: v if isinstance(v, str) else "")
def test_a_rule_speaks_when_broken_and_only_then(
    rule: str, broken: tuple[Fields, dict[str, Fields]], nearly: tuple[Fields, dict[str, Fields]]
) -> None:
    found = told(record(broken[0], **broken[1]), rule)
    assert len(found) == 1
    expected = next(r for r in RULES if r.id == rule)
    assert found[0].what and found[0].todo and found[0].severity in (expected.severity, "warning")
    assert str(found[0].position["path"]).startswith("/measured/")
    assert told(record(nearly[0], **nearly[1]), rule) == []


def test_every_rule_has_a_case_and_says_what_to_do() -> None:
    assert {rule.id for rule in RULES} == {case[0] for case in CASES}
    assert all(r.id.startswith("rec-") and r.title and r.todo and r.reference for r in RULES)


def test_a_delay_is_an_answer_only_where_most_stretches_agree() -> None:
    def heard(agreeing: int) -> list[Finding]:
        measured = {"channel_relation": "skewed", "interchannel_delay": delay(-0.5, agreeing, windows=9)}
        return told(record(measured, decoder={"shared_converter": "no"}), "rec-shared-converter-against")

    assert heard(4) == [] and len(heard(5)) == 1


def test_a_record_measured_by_an_older_release_gets_none_of_these() -> None:
    document = json.loads(PLAIN.read_text(encoding="utf-8"))
    known = {r.id for r in RULES}
    assert not [f for f in judge_record(document) if f.rule in known]


def test_damage_in_a_clean_transfer_is_one_error_and_not_a_warning_beside_it() -> None:
    document = record({"events_detected": [event("mute", 10 * RATE)]}, top={"outcome": "clean"})
    (finding,) = told(document, "rec-clean-with-faults")
    assert finding.severity == "error" and finding.position["frame"] == 10 * RATE
    assert "0:00:10.000" in finding.what
    assert told(document, "rec-damage-unlogged") == []


def test_clicks_in_a_clean_transfer_are_a_warning() -> None:
    document = record({"events_detected": [event("click", 10 * RATE)]}, top={"outcome": "clean"})
    (finding,) = told(document, "rec-damage-unlogged")
    assert finding.severity == "warning" and "1 x click" in finding.what


def test_damage_is_told_once_with_its_first_times_and_its_frame() -> None:
    events = [event("hold", n * 10 * RATE) for n in range(1, 13)]
    (finding,) = told(record({"events_detected": events}), "rec-damage-unlogged")
    assert "12 x hold" in finding.what and "and 4 more" in finding.what
    assert "0:00:10.000 (frame 441000)" in finding.what and finding.position["frame"] == 441000


def test_a_strong_hint_is_a_warning_only_where_no_converter_is_declared() -> None:
    hints = {"conversion_hints": [CONVERSION]}
    assert told(record(hints, capture={"src_in_path": "no"}), "rec-conversion-hint")[0].severity == "warning"
    assert (
        told(record(hints, capture={"src_in_path": "unknown"}), "rec-conversion-hint")[0].severity == "note"
    )
    lower = {"conversion_hints": [{**CONVERSION, "kind": "lower_wall"}]}
    assert told(record(lower, capture={"src_in_path": "no"}), "rec-conversion-hint")[0].severity == "note"


def test_a_waiver_names_the_rule_and_is_quoted() -> None:
    waiver = {"rule": "rec-audio-silent", "reason": "leader tape only", "by": "op-5", "at": "2031-05-20"}
    (finding,) = told(record({"effective_bits": [0, 0]}, top={"waivers": [waiver]}), "rec-audio-silent")
    assert finding.severity == "warning" and "leader tape only" in finding.what


@pytest.mark.parametrize(
    ("levels", "words"),
    [([None, -20.5], "none and -20.5"), ([-90.0, -20.0], "-90.0 and -20.0"), (None, "unknown")],
)
def test_the_levels_of_a_silent_channel_are_told(levels: Any, words: str) -> None:
    measured = {"channel_relation": "one_silent", "rms_dbfs": levels}
    (finding,) = told(record(measured, signal={"channel_use": "stereo"}), "rec-channel-silent")
    assert finding.what == f"One of two channels is silent (RMS in dBFS: {words}); channel_use is stereo."


@pytest.mark.parametrize(
    ("relation", "shared", "value", "interface", "contradicts"),
    [
        ("stereo", "yes", 0.0, "spdif", True),
        ("stereo", "no", 0.0, "spdif", False),
        ("stereo", "yes", 0.5, "spdif", False),
        ("stereo", "yes", 0.0, "analogue", False),
        ("dual_mono", "yes", 0.0, "spdif", False),
    ],
)
def test_no_delay_speaks_against_one_shared_converter_only_where_it_would_show(
    relation: str, shared: str, value: float, interface: str, contradicts: bool
) -> None:
    measured = {"interchannel_delay": delay(value), "channel_relation": relation}
    document = record(measured, decoder={"shared_converter": shared}, interface={"interface_type": interface})
    assert len(told(document, "rec-shared-converter-against")) == contradicts
