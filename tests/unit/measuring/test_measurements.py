"""The documents made of what was measured: valid, bounded, and the room kept for them beforehand."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from support.interleave import falling_noise
from support.measured import AT, R525, measure, tape

from provpack.edge.schemas import validate
from provpack.jobs.measurements import longest_measured, measurements_json
from provpack.jobs.measurements import measured as measured_of
from provpack.measure.analysis import Analysers
from provpack.measure.levels import LevelsSink
from provpack.measure.pcm import PcmLayout
from provpack.package.embedding import embeddable

Codes = npt.NDArray[np.integer]


def clicking() -> Codes:
    """A tape with so many mutes, holds and clicks that every list is full."""
    codes = tape(20).copy()
    for n in range(0, len(codes) - 3000, 1500):
        codes[n : n + 90] = 0
        codes[n + 700, n % 2] = 32764
    return codes


def emphasis_changes() -> Codes:
    left = falling_noise(1, 40 * 44056, bits=16, dbfs=-20, slope=-6)
    right = falling_noise(2, 40 * 44056, bits=16, dbfs=-20, slope=-6)
    return np.stack((left, right), axis=1)[: 40 * 44056]


SOUNDS: dict[str, Any] = {
    "a tape": lambda: tape(12),
    "damage everywhere": clicking,
    "one second": lambda: tape(1),
    "a handful of frames": lambda: tape(1)[:7],
    "one frame": lambda: tape(1)[:1],
    "silence": lambda: np.zeros((50000, 2), dtype=np.int16),
    "one channel": lambda: tape(3)[:, :1],
    "five channels": lambda: np.repeat(tape(2), 3, axis=1)[:, :5],
    "full scale": lambda: (
        np.where(np.arange(88200)[:, None] // 50 % 2, 32767, -32768).astype(np.int16).repeat(2, axis=1)
    ),
    "32 bits": lambda: tape(2).astype(np.int32) << 16,
}


@pytest.mark.parametrize("name", SOUNDS)
def test_the_documents_fit_their_schemas_and_the_room_kept_for_them(name: str) -> None:
    codes = np.ascontiguousarray(SOUNDS[name]())
    document, measured = measure(codes)
    assert validate("measurements", document) == []
    text = json.dumps(document, allow_nan=False)
    assert json.loads(text) == document
    inner = embeddable({"measured": measured, "derived": []})
    longest = longest_measured(
        frames=len(codes), channels=codes.shape[1], container_bits=8 * codes.itemsize, at=AT
    )
    room = embeddable({"measured": longest, "derived": []})
    for key, value in inner["measured"].items():
        assert len(json.dumps(value)) <= len(json.dumps(room["measured"][key])), key
    assert set(inner["measured"]) == set(room["measured"])


def test_the_lists_are_cut_where_the_record_stands_in_the_master() -> None:
    _, measured = measure(clicking())
    assert len(measured["events_detected"]) > 50
    inner = embeddable({"measured": measured, "derived": []})
    assert inner["measured"]["events_detected"] == measured["events_detected"][:50]
    assert any(note["field"] == "/measured/events_detected" for note in inner["derived"])


def test_a_count_of_each_kind_goes_with_the_list() -> None:
    document, measured = measure(clicking())
    listed = [e["type"] for e in document["events"]["listed"]]
    for kind, count in document["events"]["counts"].items():
        assert count >= listed.count(kind)
    assert measured["event_counts"] == document["events"]["counts"]


@pytest.mark.parametrize(
    ("header", "declared"),
    [(48000, 44100), (22050, 44100), (32000, 44100), (88200, 44100), (96000, 44100), (44056, 32000),
     (48000, 96000), (44056, 22050), (8000, 192000)],
)  # fmt: skip
def test_a_header_far_from_the_declared_rate_is_measured_all_the_same(header: int, declared: int) -> None:
    layout = PcmLayout(channels=2, container_bytes=2)
    codes = tape(20)
    analysers = Analysers(layout=layout, frames=len(codes), rate=Fraction(declared), header_rate=header)
    for sink in analysers.sinks:
        sink.feed(codes.tobytes())
    assert analysers.finish().spectral.whistle.verdict in ("consistent", "against", "no_pilot")


def test_channels_of_different_level_are_not_equal_however_few_bits_they_use() -> None:
    square = np.where(np.arange(88200) // 50 % 2, 8192, -8192)
    codes = np.stack((2 * square, square), axis=1).clip(-32768, 32767).astype(np.int16)
    _, measured = measure(codes, declared_bits=None)
    assert measured["channel_relation"] not in ("dual_mono", "skewed", "inverted")


def test_a_file_too_short_for_the_line_tone_was_not_looked_at() -> None:
    assert measure(tape(5))[1]["line_pilot_hz"] is None
    assert measure(tape(30))[1]["line_pilot_hz"]["verdict"] == "no_pilot"


def test_the_short_form_says_what_the_full_one_says() -> None:
    codes = tape(4)
    layout = PcmLayout(channels=2, container_bytes=2)
    analysers = Analysers(layout=layout, frames=len(codes), rate=R525, header_rate=44056, declared_bits=14)
    levels = LevelsSink(layout, len(codes))
    for sink in (levels, *analysers.sinks):
        sink.feed(codes.tobytes())
    found, analysis = levels.finish(), analysers.finish()
    analysis = replace(analysis, damage=replace(analysis.damage, left_out=7))
    short = measured_of(found, analysis, R525, AT)
    full = measurements_json(found, analysis, path="x", rate=R525, at=AT)
    for name in ("peak_dbfs", "rms_dbfs", "true_peak_dbtp", "effective_bits", "bandwidth_hz"):
        assert short[name] == [c[name] for c in full["channels"]], name
    # plain arithmetic: root mean square against 32768
    rms = 20 * np.log10(np.sqrt((codes.astype(float) ** 2).mean(axis=0)) / 32768)
    assert short["rms_dbfs"] == pytest.approx(rms.tolist(), abs=0.006)
    assert short["clipped_samples"] == [c["clipped"]["samples"] for c in full["channels"]]
    assert short["loudness"].items() <= full["loudness"].items()
    assert short["events_left_out"] == full["events"]["left_out"] == 7
    assert short["channel_relation"] == full["relation"]["relation"]
    assert short["emphasis_hints"] == full["emphasis_hints"]
    assert short["repetition"] == full["repetition"][0]


def test_what_is_declared_reaches_the_detectors() -> None:
    full, _ = measure(tape(3), declared_bits=14, line_standard="525_5994")
    assert full["clipping"] == {"top_code": 32764, "bottom_code": -32768, "word_length_declared": True}
    assert [r["field_frames"] for r in full["repetition"]] == [735]  # domain note 1.4
    bare, _ = measure(tape(3), declared_bits=None, line_standard=None)
    assert bare["clipping"]["word_length_declared"] is False
    assert sorted(r["field_frames"] for r in bare["repetition"]) == [735, 882]
