"""Metadata documents of records that lack something, or hold it twice: what is left out, linked, or told.

Expectations follow from the docstrings; the elements are those of PREMIS 3.0, METS 1.12.1 and AES57-2011.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest
from support.metadata import OTHERS, rich

from provpack.findings import Finding
from provpack.package import layout
from provpack.package.audio_object import audio_object_node, build_audio_object, carrier_object_node
from provpack.package.audio_object_notes import Note, carrier_notes, notes_of
from provpack.package.metadata_check import check_metadata, rules_at_wrapping
from provpack.package.mets import build_mets
from provpack.package.premis import build_premis
from provpack.package.premis_agents import hardware_of_pass, software_of_pass, through_own_chain
from provpack.package.premis_check import check_premis
from provpack.package.premis_view import View
from provpack.xmldoc import parse_untrusted

P = {"p": "http://www.loc.gov/premis/v3"}
M = {"m": "http://www.loc.gov/METS/"}
Json = dict[str, Any]


def premis(record: Json) -> Any:
    document = build_premis(record, files=record["files"])
    assert check_premis(document) == ()
    return parse_untrusted(document, where="test")


def mets(record: Json) -> Any:
    return parse_untrusted(build_mets(record, record["files"], others=OTHERS), where="test")


def objects(root: Any) -> dict[str, Any]:
    ids = "p:objectIdentifier/p:objectIdentifierValue"
    return {e.findtext(ids, namespaces=P).rpartition("/")[2]: e for e in root.iterfind("p:object", P)}


def related(element: Any) -> list[tuple[str, str]]:
    """(kind of relationship, object) of an object."""
    return [
        (
            one.findtext("p:relationshipSubType", namespaces=P),
            one.findtext(".//p:relatedObjectIdentifierValue", namespaces=P).rpartition("/")[2],
        )
        for one in element.iterfind("p:relationship", P)
    ]


# ---- which objects there are, and what they come from


def test_without_a_digest_of_the_audio_it_is_no_object() -> None:
    record = rich()
    assert "audio-1" in objects(premis(record))
    record["audio_sha256"] = None
    assert "audio-1" not in objects(premis(record)) and "master-1" in objects(premis(record))


@pytest.mark.parametrize("parent", [None, "f" * 64, "own"])
def test_a_derivative_whose_parent_is_not_known_comes_from_nothing(parent: str | None) -> None:
    record = rich()
    (made,) = [f for f in record["files"] if f["role"] == "derivative"]
    assert [kind for kind, _ in related(objects(premis(record))["derivative-1"])] == ["has source"]
    made["parent"] = made["sha256"] if parent == "own" else parent
    assert related(objects(premis(record))["derivative-1"]) == []


def one_pass(**more: Any) -> Json:
    record = rich()
    record["processing"]["passes"] = [{"n": 1, "chain_id": None, "outcome": "complete", **more}]
    record["processing"]["assembly"] = []
    return record


def test_the_only_pass_left_the_only_master() -> None:
    """Also where the file it names is called otherwise by now; not where it kept none, or where two could be
    meant."""

    def view(record: Json) -> View:
        return View(record, record["files"])

    record = one_pass(file="renamed since.wav")
    (entry,) = (entry for _, entry in view(record).passes)
    assert view(record).received
    assert view(record).made_by_pass(entry) == view(record).received["master-1"]
    without = copy.deepcopy(record)
    without["files"][0].pop("original_sha256")
    assert view(without).made_by_pass(entry) == "master-1"
    assert view(record).made_by_pass({"n": 1, "file": None}) is None
    two = copy.deepcopy(record)
    two["files"].append({**two["files"][0], "path": "data/master/second.wav", "sha256": "e" * 64})
    assert view(two).made_by_pass(entry) is None
    twice = copy.deepcopy(record)
    twice["processing"]["passes"].append({"n": 2, "outcome": "failed", "file": None})
    assert view(twice).made_by_pass(entry) is None


# ---- which machines a pass went through


def test_whether_a_pass_ran_through_the_chain_of_the_record() -> None:
    record = rich()
    view = View(record, record["files"])
    own = {"chain_id": record["capture"]["chain_id"], "deck_id": record["deck"]["deck_id"]}
    assert record["capture"]["chain_id"] and record["deck"]["deck_id"]
    assert through_own_chain(view, own) and through_own_chain(view, {})
    assert not through_own_chain(view, {**own, "chain_id": "another"})
    assert not through_own_chain(view, {**own, "deck_id": "another"})
    assert not through_own_chain(view, {"capture_device_id": "another"})
    assert len(software_of_pass(view, own)) == 1 and software_of_pass(view, {"deck_id": "another"}) == []
    nameless = {**record, "capture": {**record["capture"], "chain_id": None}}
    assert through_own_chain(View(nameless, []), {"chain_id": "another"})


@pytest.mark.parametrize("word", ["yes", "no", "cannot_be_told", "unknown", None])
@pytest.mark.parametrize("number", [1, 2, None])
def test_what_else_was_in_the_path_is_linked_only_where_it_is_known(
    word: str | None, number: int | None
) -> None:
    record = rich()
    record["path_equipment"] = [
        {"took_part": word, "pass_n": number, "equipment_id": "CABLE-1"},
    ]
    view = View(record, record["files"])
    told = ("path-equipment-1", "signal path") in hardware_of_pass(view, {"n": 1, "outcome": "complete"})
    assert told == (word == "yes" and number in (1, None))
    assert ("path-equipment-1", "signal path") not in hardware_of_pass(view, {})


# ---- where things are in the file


def areas(root: Any, name: str) -> list[str | None]:
    (div,) = [e for e in root.iter("{*}div") if e.get("ID") == name]
    return [area.get("LABEL") for area in div.iterfind("m:fptr/m:area", M)]


def test_each_source_carrier_ends_where_the_next_one_begins() -> None:
    record = rich()
    record["item"]["source_items"] = [
        {"order": n, "client_item_id": f"C{n}", "join_frame": frame, "record_id": None}
        for n, frame in enumerate((0, 88_200, 44_100), start=1)
    ]
    root = mets(record)
    starts = [areas(root, f"div-source-{n}")[0] or "" for n in (1, 2, 3)]
    assert starts[0].startswith("frames 0 to 44100, end not included")
    assert starts[1].startswith("from frame 88200")
    assert starts[2].startswith("frames 44100 to 88200, end not included")
    assert not list(root.iter("{*}mptr")), "no carrier has a record of its own"


@pytest.mark.parametrize("lack", ["start", "rate"])
def test_a_part_whose_place_is_not_known_is_the_whole_file(lack: str) -> None:
    record = rich()
    record["item"]["programme_segments"] = [{"title": "A song", "start": 44_100, "end": None}]
    assert areas(mets(record), "div-segment-1")[0].startswith("from frame 44100")  # type: ignore[union-attr]
    if lack == "rate":
        record["signal"]["sampling_frequency"] = None
    else:
        record["item"]["programme_segments"][0]["start"] = None
    (div,) = [e for e in mets(record).iter("{*}div") if e.get("ID") == "div-segment-1"]
    assert div.findall("m:fptr/m:area", M) == []
    assert "file-master-1" in [e.get("FILEID") for e in div.iterfind("m:fptr", M)]


# ---- the audio object


@pytest.mark.parametrize("rate", [None, {}, {"num": 0, "den": 1}, {"num": "44100", "den": 1}])
def test_no_object_without_an_exact_rate(rate: Any) -> None:
    record = rich()
    assert audio_object_node(record, record["files"]) is not None
    record["signal"]["sampling_frequency"] = rate
    assert audio_object_node(record, record["files"]) is None
    assert carrier_object_node(record) is None


def words(notes: list[Note]) -> list[str]:
    return [note.words for note in notes]


def test_the_condition_before_and_after_are_told_apart() -> None:
    def told(**condition: Any) -> list[str]:
        return words(carrier_notes({"made_by": {"at": "2031-05-01T10:00:00Z"}, "condition": condition}))

    assert told() == []
    assert told(condition_assessed_at="2031-05-01") == []
    assert told(condition_note="mould") == ["logged: carrier before the transfer: mould"]
    assert told(condition_after="shed oxide") == ["logged: carrier afterwards: shed oxide"]
    assert told(condition_terms=["edge_damage"], condition_after_note="as before") == [
        "logged: carrier before the transfer: edge_damage",
        "logged: carrier afterwards: as before",
    ]


@pytest.mark.parametrize(
    ("field", "entry", "told"),
    [
        ("events_detected", {"type": "mute", "start": 99, "length": 1}, "measured: mute"),
        ("events_detected", {"type": "mute", "start": 100, "length": 1}, None),
        ("events_detected", {"type": "mute", "start": 5, "length": None}, None),
        ("events_detected", {"type": "mute", "start": None, "length": 5}, None),
        ("signal_state_ranges", {"start": 0, "end": 50, "note": "hum"}, "logged: state of this stretch: hum"),
        ("signal_state_ranges", {"start": 0, "end": 50, "note": ""}, None),
        ("signal_state_ranges", {"start": 100, "end": 150, "note": "hum"}, None),
        ("signal_state_ranges", {"start": 9, "end": 9, "note": "hum"}, None),
        ("signal_state_ranges", {"start": None, "end": 9, "note": "hum"}, None),
        ("assembly", {"target_start": 100, "target_end": 120, "pass_n": 1}, None),
        ("assembly", {"target_start": 7, "target_end": 7, "pass_n": 1}, None),
        ("assembly", {"target_start": 0, "target_end": None, "pass_n": 1}, None),
        (
            "assembly",
            {"target_start": 0, "target_end": 100, "pass_n": 2, "source_start": 5, "source_end": 105},
            "logged: copied from pass 2, its frames 5 to 105 (end not included)",
        ),
    ],
)
def test_only_what_lies_in_the_audio_has_a_place(field: str, entry: Json, told: str | None) -> None:
    record: Json = {"made_by": {"at": "2031-05-01T10:00:00Z"}, "measured": {"events_detected": []}}
    part = {"events_detected": "measured", "signal_state_ranges": "signal", "assembly": "processing"}[field]
    record.setdefault(part, {})[field] = [entry]
    found = [note for note in notes_of(record, 100) if note.timed]
    assert words(found) == ([told] if told else [])
    if found:
        assert (found[0].start, found[0].length) in ((99, 1), (0, 50), (0, 100))


def test_what_holds_throughout_begins_with_the_first_frame() -> None:
    delay = {"value_samples": 0.5, "windows_agreeing": 3, "windows": 4}
    record: Json = {
        "made_by": {"at": "2031-05-01T10:00:00Z"},
        "measured": {"events_detected": [], "effective_bits": [0, 14], "interchannel_delay": delay},
        "signal": {"channel_polarity": "inverted_r"},
    }
    found = [note for note in notes_of(record, 100) if note.timed]
    assert [(n.words.partition(";")[0], n.start, n.length, n.channel) for n in found] == [
        ("measured: digital silence throughout", 0, 100, 0),
        ("logged: polarity inverted", 0, 100, 1),
        ("measured: 0.5 samples behind the first channel", 0, 100, 1),
    ]


# ---- documents held against the record


def judged(change: Callable[[Json], None]) -> list[str]:
    record = rich()
    documents = {layout.AUDIO_OBJECT: build_audio_object(record, record["files"]) or b""}
    change(record)
    return [f.what for f in check_metadata(documents, record=record, digests=None, sizes={})]


def test_a_record_without_a_rate_contradicts_no_rate() -> None:
    assert judged(lambda record: None) == []
    faster = judged(lambda record: record["signal"].update(sampling_frequency={"num": 48000, "den": 1}))
    assert len(faster) == 1 and "the record says 48000 Hz" in faster[0]
    assert judged(lambda record: record["signal"].update(sampling_frequency=None)) == []


def test_what_was_found_at_wrapping_is_read_back_or_not_at_all() -> None:
    record = rich()
    many = [Finding(rule="wav-bext-text", severity="warning", what="x", where="y", todo="z")] * 2
    one = Finding(rule="rec-rate", severity="error", what="x", where="y", todo="z")
    document = build_premis(record, files=record["files"], findings=[*many, one])
    assert rules_at_wrapping(document) == {"wav-bext-text": 2, "rec-rate": 1}
    assert rules_at_wrapping(build_premis(record, files=record["files"], findings=())) == {}
    for broken in (b"", b"<premis", document[:-10], b"<!DOCTYPE x><x/>"):
        assert rules_at_wrapping(broken) == {}


def test_what_is_no_premis_element_is_not_judged_as_one() -> None:
    """Comments, and elements of other namespaces outside of extensions, are left to XML Schema."""
    document = build_premis(rich(), files=rich()["files"])
    assert check_premis(document) == ()
    end = document.rindex(b"</")
    for strange in (
        b"<!-- looked at -->",
        b'<x:event xmlns:x="urn:x"><x:eventType>soon</x:eventType></x:event>',
    ):
        assert check_premis(document[:end] + strange + document[end:]) == ()
