"""Regions and condition notes of the audio object: cuts, contradictions, bounds.

Why states are cut at all: domain note 1.2 (flags repeat in every field). The rest are decisions of ours,
told in audio_object_regions and audio_object_notes.
"""

from __future__ import annotations

import json
import random
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from provpack.package.audio_object import build_audio_object
from provpack.package.audio_object_notes import Note, notes_of, place
from provpack.package.audio_object_regions import Stretch, in_file, stretches
from provpack.package.audio_object_terms import AES57
from provpack.xmldoc import parse_untrusted

RECORDS = Path(__file__).resolve().parents[1] / "report" / "records"
N = {"a": AES57}
FRAMES = 38_500_000


@pytest.fixture
def full() -> dict[str, Any]:
    data: dict[str, Any] = json.loads((RECORDS / "pcm-14-bit.json").read_text(encoding="utf-8"))
    return data


def state(start: int, end: int, emphasis: str, mode: str | None = None) -> dict[str, Any]:
    return {"start": start, "end": end, "emphasis": emphasis} | ({"mode": mode} if mode else {})


def cut(full: dict[str, Any], file: str, tape: str, *ranges: dict[str, Any]) -> list[tuple[Any, ...]]:
    full["signal"].update(file_emphasis=file, tape_emphasis=tape, signal_state_ranges=list(ranges))
    return [(s.start, s.end, s.file, s.tape, s.mode) for s in stretches(full, 1000)]


def test_without_ranges_there_is_one_stretch(full: dict[str, Any]) -> None:
    assert cut(full, "present", "on") == [(0, 1000, "present", "on", None)]
    assert cut(full, "unknown", "unknown") == [(0, 1000, "unknown", "unknown", None)]
    assert cut(full, "mixed", "mixed") == [(0, 1000, "mixed", "mixed", None)]


def test_ranges_cut_and_gaps_keep_what_is_said_of_the_whole(full: dict[str, Any]) -> None:
    got = cut(full, "mixed", "mixed", state(600, 900, "off", "16"), state(0, 400, "on", "14"))
    assert got == [
        (0, 400, "present", "on", 14),
        (400, 600, "mixed", "mixed", None),
        (600, 900, "absent", "off", 16),
        (900, 1000, "mixed", "mixed", None),
    ]


def test_neighbours_of_one_state_are_one_stretch(full: dict[str, Any]) -> None:
    assert cut(full, "present", "on", state(0, 400, "on"), state(400, 1000, "on")) == [
        (0, 1000, "present", "on", None)
    ]


def test_ranges_that_contradict_each_other_say_nothing(full: dict[str, Any]) -> None:
    got = cut(full, "mixed", "mixed", state(0, 600, "on", "14"), state(400, 1000, "off", "16"))
    assert got == [
        (0, 400, "present", "on", 14),
        (400, 600, "unknown", "unknown", None),
        (600, 1000, "absent", "off", 16),
    ]


def test_an_unknown_mode_contradicts_nothing(full: dict[str, Any]) -> None:
    got = cut(full, "present", "on", state(0, 600, "on", "14"), state(400, 1000, "on", "unknown"))
    assert got == [(0, 600, "present", "on", 14), (600, 1000, "present", "on", None)]
    got = cut(full, "present", "on", state(0, 1000, "on", "14"), state(0, 1000, "on", "16"))
    assert got == [(0, 1000, "present", "on", None)]


def test_ranges_outside_or_empty_or_unreadable_are_passed_over(full: dict[str, Any]) -> None:
    bad: list[Any] = [state(1000, 2000, "off"), state(5, 5, "off"), state(9, 3, "off"), {"start": "0:00:01"}]
    assert cut(full, "present", "on", *bad, state(500, 5000, "off")) == [
        (0, 500, "present", "on", None),
        (500, 1000, "absent", "off", None),
    ]


@pytest.mark.parametrize(
    ("tape", "whole", "want"),
    [
        ("on", "present", "present"),
        ("on", "mixed", "present"),
        ("on", "removed", "removed"),
        ("on", "absent", "unknown"),
        ("on", "unknown", "unknown"),
        ("off", "present", "absent"),
        ("off", "unknown", "absent"),
        ("unknown", "present", "unknown"),
        ("unknown", "absent", "unknown"),
        ("unknown", "removed", "unknown"),
    ],
)
def test_state_of_the_samples_in_a_stretch(tape: str, whole: str, want: str) -> None:
    assert in_file(tape, whole) == want


@pytest.mark.parametrize("seed", range(40))
def test_stretches_tile_the_file_whatever_the_ranges(full: dict[str, Any], seed: int) -> None:
    dice = random.Random(seed)
    ranges = [
        state(dice.randrange(1100), dice.randrange(1100), dice.choice(["on", "off", "unknown"]))
        for _ in range(dice.randrange(30))
    ]
    got = cut(full, "mixed", "mixed", *ranges)
    assert got[0][0] == 0 and got[-1][1] == 1000
    assert all(a[1] == b[0] and a[0] < a[1] for a, b in pairwise(got))
    for frame in range(0, 1000, 37):  # the slow way, frame by frame
        over = {r["emphasis"] for r in ranges if r["start"] <= frame < r["end"]}
        tape = next(s[3] for s in got if s[0] <= frame < s[1])
        assert tape == ("mixed" if not over else over.pop() if len(over) == 1 else "unknown")


def test_regions_are_bounded_and_the_last_one_says_so(full: dict[str, Any]) -> None:
    ranges = [state(n * 10, n * 10 + 10, "off" if n % 2 else "on") for n in range(1000)]
    full["signal"].update(signal_state_ranges=ranges, file_emphasis="mixed", tape_emphasis="mixed")
    got = stretches(full, FRAMES)
    assert len(got) == 500 and got[-1].file == got[-1].tape == "changing"
    assert got[-1].end == FRAMES
    document = build_audio_object(full, full["files"])
    assert document is not None and len(document) < 1_000_000
    root = parse_untrusted(document, where="test")
    assert len(root.findall("a:formatList/a:formatRegion", N)) == 3, "regions of one state share a format"
    formats = root.iterfind("a:formatList/a:formatRegion", N)
    owners = [o for f in formats for o in str(f.get("ownerRef")).split()]
    assert sorted(owners) == sorted(str(r.get("ID")) for r in root.iterfind(".//a:region", N))


@pytest.mark.parametrize(("ranges", "regions", "last"), [(499, 500, "mixed"), (500, 500, "changing")])
def test_five_hundred_regions_are_told_apart(
    full: dict[str, Any], ranges: int, regions: int, last: str
) -> None:
    """One for each range, and one for the rest of the file, which no range speaks of."""
    states = [state(n * 10, n * 10 + 10, "off" if n % 2 else "on") for n in range(ranges)]
    full["signal"].update(signal_state_ranges=states, file_emphasis="mixed", tape_emphasis="mixed")
    got = stretches(full, FRAMES)
    assert (len(got), got[-1].tape, got[-1].end) == (regions, last, FRAMES)


def test_three_hundred_notes_are_told_one_by_one(full: dict[str, Any]) -> None:
    event = {"type": "click", "length": 3, "channel": 1, "confidence": 0.8}
    full["measured"]["events_detected"] = [{**event, "start": n} for n in range(300)]
    full["processing"]["transfer_events"] = [
        {"frame": n, "type": "error_lamp", "origin": "seen"} for n in range(300)
    ]
    words = [n.words for n in notes_of(full, FRAMES)]
    assert not any(" more " in word for word in words)
    assert sum("error lamp" in word for word in words) == 300


def test_notes_are_bounded_and_say_how_many_are_left_out(full: dict[str, Any]) -> None:
    event = {"type": "click", "length": 3, "channel": 1, "confidence": 0.8}
    full["measured"]["events_detected"] = [{**event, "start": n} for n in range(307)]
    full["measured"]["events_left_out"] = 5000
    full["processing"]["transfer_events"] = [
        {"frame": n, "type": "error_lamp", "origin": "seen"} for n in range(301)
    ]
    words = [n.words for n in notes_of(full, FRAMES)]
    both = "data/metadata/record.json and data/metadata/measurements.json"
    assert f"7 more measured events stand in {both}" in words
    assert "5 000 more measured events were counted but not listed" in words
    assert "1 more logged event stands in data/metadata/record.json" in words
    assert words.count("measured: click; confidence 0.8") == 300


def test_logged_and_measured_are_never_confused(full: dict[str, Any]) -> None:
    notes = notes_of(full, FRAMES)
    assert all(n.words.startswith(("logged", "measured")) for n in notes)
    (seen,) = [n for n in notes if "tracking adjust" in n.words]
    assert (seen.start, seen.length, seen.at) == (24_230_000, 0, "2031-05-05T10:09:10+02:00")
    (mute,) = [n for n in notes if n.words == "measured: mute"]
    assert (mute.start, mute.length, mute.at) == (21_000_000, 1470, full["measured"]["at"])


def test_not_searched_and_nothing_found_are_two_things(full: dict[str, Any]) -> None:
    full["measured"]["events_detected"] = None
    assert notes_of(full, FRAMES)[0].words == "measured: the audio was not searched for damage"
    full["measured"].update(events_detected=[], event_counts={"mute": 0, "clipped_run": 0})
    words = notes_of(full, FRAMES)[0].words
    assert words == "measured: the audio was searched for clipped run, mute; none was found"


def test_a_dead_or_turned_channel_is_noted_at_its_stream(full: dict[str, Any]) -> None:
    full["measured"]["effective_bits"] = [None, 0]
    full["signal"]["channel_polarity"] = "inverted_l"
    document = build_audio_object(full, full["files"])
    assert document is not None
    root = parse_untrusted(document, where="test")
    streams = root.findall(".//a:region", N)[0].findall("a:stream", N)
    assert [[n.text for n in s.iterfind(".//a:note", N)] for s in streams] == [
        ["logged: polarity inverted"],
        ["measured: digital silence throughout"],
    ]


def test_measured_places_end_with_the_audio_and_are_told_once(full: dict[str, Any]) -> None:
    quiet = {"type": "digital_silence", "start": 0, "length": 430_000, "channel": None}
    late = {"type": "hold", "start": FRAMES - 5, "length": 99, "channel": None}
    full["measured"]["events_detected"] = [quiet, late]
    notes = [n for n in notes_of(full, FRAMES) if n.words.startswith("measured: ")]
    assert [(n.words, n.start, n.length) for n in notes] == [
        ("measured: hold", FRAMES - 5, 5),
        ("measured: digital silence in all channels", 0, 430_000),
        ("measured: digital silence in all channels", 17_622_400, 440_000),
    ]


def test_unknown_personal_data_are_not_passed_over(full: dict[str, Any]) -> None:
    for value, words in ((True, ["yes, see record.json"]), ("unknown", ["not known"]), (False, [])):
        full["rights"] = {"rights_basis": "owner", "personal_data": value}
        document = build_audio_object(full, full["files"])
        assert document is not None
        region = parse_untrusted(document, where="test").find(".//a:region", N)
        assert region is not None
        got = [e.text for e in region.iterfind("a:securityNote", N)]
        assert got == [f"personal data, declared: {w}" for w in words]


def test_where_an_assembled_file_comes_from_is_noted(full: dict[str, Any]) -> None:
    full["processing"]["assembly"] = [
        {"pass_n": 2, "source_start": 7, "source_end": 107, "target_start": 50, "target_end": 150}
    ]
    (note,) = [n for n in notes_of(full, FRAMES) if "copied from pass" in n.words]
    assert note.words == "logged: copied from pass 2, its frames 7 to 107 (end not included)"
    assert (note.start, note.length) == (50, 100)


def test_an_event_beyond_the_end_keeps_its_frame_in_words(full: dict[str, Any]) -> None:
    full["processing"]["transfer_events"] = [
        {"frame": FRAMES, "type": "capture_stop", "origin": "seen"},
        {"frame": FRAMES + 9, "type": "mute", "origin": "seen"},
        {"frame": None, "at": "2031-05-05T10:00:00Z", "type": "unlock", "origin": "seen"},
    ]
    stop, late, clock = [n for n in notes_of(full, FRAMES) if n.words.startswith("logged: ")][-3:]
    assert (stop.start, stop.timed) == (FRAMES, True)
    assert late.words == f"logged: mute; frame {FRAMES + 9}: outside" and not late.timed
    assert "place in the audio not known" in clock.words and not clock.timed


def test_notes_stand_in_the_region_they_begin_in() -> None:
    def piece(start: int, end: int) -> Stretch:
        return Stretch(start=start, end=end, file="present", tape="on", mode=None, evidence=())

    notes = [
        Note(words=str(s), at="", start=s, channel=c) for s, c in ((0, 1), (99, None), (100, 5), (200, 0))
    ]
    got = place(notes, [piece(0, 100), piece(100, 200)], 2)
    assert [[n.words for n in here] for here in got] == [["0", "99"], ["100; channel 5", "200"]]
    assert got[1][0].channel is None, "a channel the file does not have is no stream"


def test_restrictions_stand_in_every_region(full: dict[str, Any]) -> None:
    document = build_audio_object(full, full["files"])
    assert document is not None
    root = parse_untrusted(document, where="test")
    for region in root.iterfind(".//a:region", N):
        assert [e.text for e in region.iterfind("a:securityNote", N)] == [
            "access, declared: reading room only, until 2040-12-31",
            "personal data, declared: yes, see record.json",
        ]
