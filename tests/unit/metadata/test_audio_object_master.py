"""build_audio_object: what of the record stands where in AES57-2011, and back again.

Element names and enumerations: aes57-2011-08-27.xsd. Rates: domain note 1.4 (245 lines x 3 x 60/1.001).
"""

from __future__ import annotations

import copy
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from provpack.package.audio_object import audio_object_node, build_audio_object, carrier_object_node
from provpack.package.audio_object_terms import (
    AES57,
    PRE_EMPHASIS,
    PREFIXES,
    SOUND_FIELD,
    TAPE_PRE_EMPHASIS,
    XLINK,
    edit_units,
    moment,
)
from provpack.xmldoc import parse_untrusted, serialise

HERE = Path(__file__).resolve()
RECORDS = sorted((HERE.parents[2] / "cases" / "records" / "valid").glob("*.json")) + sorted(
    (HERE.parents[1] / "report" / "records").glob("*.json")
)
WITHOUT_AUDIO = ("case-10-blank-tape", "no-pcm-found")
WITH_AUDIO = [p for p in RECORDS if p.stem not in WITHOUT_AUDIO]
N = {"a": AES57}


def load(name: str) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(next(p for p in RECORDS if p.stem == name).read_text(encoding="utf-8"))
    return data


@pytest.fixture
def full() -> dict[str, Any]:
    return load("pcm-14-bit")


def built(record: dict[str, Any], **more: Any) -> Any:
    document = build_audio_object(record, record["files"], **more)
    assert document is not None
    return parse_untrusted(document, where="test")


def carrier(record: dict[str, Any]) -> Any:
    node = carrier_object_node(record)
    assert node is not None
    return parse_untrusted(serialise(node, prefixes=PREFIXES), where="test")


def said(root: Any, path: str) -> list[str]:
    return [str(e.text) for e in root.iterfind(path, N)]


def seconds(element: Any) -> Fraction:
    """A time as its standard defines it: number x 1/(editRate x numerator/denominator)."""
    rate = Fraction(int(element.get("editRate"))) * Fraction(
        int(element.get("factorNumerator")), int(element.get("factorDenominator"))
    )
    return int(element.text) / rate


@pytest.mark.parametrize(
    ("rate", "units"),
    [
        # 44100/1.001 Hz: AES57 sample of the domain note, 44100 x 1000/1001
        (Fraction(44_100_000, 1001), ("44100", "1000", "1001")),
        (Fraction(48_000_000, 1001), ("48000", "1000", "1001")),
        (Fraction(44_100), ("44100", "1", "1")),
        (Fraction(96_000), ("96000", "1", "1")),
        (Fraction(44_101, 2), ("22050", "44101", "44100")),
        (Fraction(1, 3), ("1", "1", "3")),
    ],
)
def test_an_edit_unit_is_one_frame_exactly(rate: Fraction, units: tuple[str, str, str]) -> None:
    got = edit_units(rate)
    assert (got["editRate"], got["factorNumerator"], got["factorDenominator"]) == units
    assert Fraction(int(units[0])) * Fraction(int(units[1]), int(units[2])) == rate


def test_hand_computed_times_on_a_525_line_tape(full: dict[str, Any]) -> None:
    # By hand: 38 500 000 frames x 1001 / 44 100 000 = 385 x 1001 / 441 = 385 385 / 441 = 873.888... s;
    # one frame = 1001/44100000 s = 22.698... us; by the header's 44056 it would be 1.1 ms less.
    root = built(full)
    duration = root.find("a:face/a:timeline/a:duration", N)
    assert seconds(duration) == Fraction(385_385, 441)
    duration.text = "1"
    assert seconds(duration) == Fraction(1001, 44_100_000)
    start = root.findall("a:face/a:region/a:timeRange/a:startTime", N)[1]
    assert seconds(start) == Fraction(37_000_000 * 1001, 44_100_000)


def test_the_master_is_told_with_all_its_names(full: dict[str, Any]) -> None:
    root = built(full, audio_offset=1234)
    flags = {k: root.get(k) for k in ("analogDigitalFlag", "schemaVersion", "title", "disposition")}
    assert flags == {
        "analogDigitalFlag": "FILE_DIGITAL",
        "schemaVersion": "1.0.0",
        "title": "[Harbour Choir, spring concert]",
        "disposition": "in package pe-2031-04_t-07_harbour-choir",
    }
    assert said(root, "a:format") == ["Broadcast WAVE"]
    assert said(root, "a:byteOrder") == ["LITTLE_ENDIAN"]
    assert said(root, "a:firstSampleOffset") == ["1234"]
    assert [u.get("useType") for u in root.iterfind("a:use", N)] == ["PRESERVATION_MASTER"]
    assert said(root, "a:primaryIdentifier") == ["b-00412.wav"]
    names = {e.get("idOtherType"): e.text for e in root.iterfind("a:secondaryIdentifier", N)}
    assert names == {
        "client item identifier": "HC-1984-113",
        "carrier identifier": "B-00412",
        "transfer record identifier": full["record_id"],
        "carrier in premis.xml": f"{full['record_id']}/object/carrier",
    }
    assert root.find("a:objectLink", N).get(f"{{{XLINK}}}href") == "../master/b-00412.wav"
    assert said(root, "a:objectCreationDate") == [full["made_by"]["at"]]
    data = dict(text.split(": ", 1) for text in said(root, "a:appSpecificData"))
    assert data["SHA-256 of the audio payload alone"] == full["audio_sha256"]
    assert data["sampling frequency in the file header, Hz"] == "44056"


def test_what_nobody_knows_is_left_out(full: dict[str, Any]) -> None:
    root = built(full)
    assert root.find("a:firstSampleOffset", N) is None
    assert root.find("a:fileChecksum", N) is None, "AES57 takes CRC, MD5 and SHA-1 only; the record has SHA-2"
    assert root.find("a:soundDataChecksum", N) is None
    full["carrier"]["source_bit_depth"] = "unknown"
    full["signal"]["signal_state_ranges"] = []
    assert built(full).find(".//a:bitDepth", N) is None
    full["files"] = []
    assert build_audio_object(full, full["files"]) is None


@pytest.mark.parametrize("name", WITHOUT_AUDIO)
def test_no_audio_no_object(name: str) -> None:
    record = load(name)
    assert build_audio_object(record, record["files"]) is None
    assert audio_object_node(record, record["files"]) is None
    assert carrier_object_node(record) is None


@pytest.mark.parametrize("path", WITH_AUDIO, ids=lambda p: p.stem)
def test_the_record_can_be_read_back(path: Path) -> None:
    record = json.loads(path.read_text(encoding="utf-8"))
    root = built(record)
    rate = Fraction(
        record["signal"]["sampling_frequency"]["num"], record["signal"]["sampling_frequency"]["den"]
    )
    frames, measured = record["measured"]["frames"], record["measured"]
    assert seconds(root.find("a:face/a:timeline/a:duration", N)) == Fraction(frames) / rate
    assert {int(t) for t in said(root, ".//a:numChannels")} == {measured["channels"]}
    assert len(root.findall(".//a:region/a:stream", N)) == measured["channels"] * len(
        root.findall(".//a:region", N)
    )
    assert set(said(root, ".//a:wordSize")) == {str(measured["container_bits"])}
    assert {float(t) for t in said(root, ".//a:sampleRate")} == {float(rate)}
    back = {v: k for k, v in SOUND_FIELD.items()}
    assert {back[t] for t in said(root, ".//a:soundField")} == {record["signal"]["channel_use"]}
    states = {v: k for k, v in PRE_EMPHASIS.items()}
    tape = {v: k for k, v in TAPE_PRE_EMPHASIS.items()}
    read = {(states[t.split("; ")[0]], tape[t.split("; ")[1]]) for t in said(root, ".//a:equalization")}
    signal = record["signal"]
    if not signal.get("signal_state_ranges"):
        assert read == {(signal["file_emphasis"], signal["tape_emphasis"])}
    else:
        assert {t for _, t in read} == {r["emphasis"] for r in signal["signal_state_ranges"]}
    events = [e for e in record["processing"]["transfer_events"] if e.get("frame") is not None]
    logged = [
        int(note.findtext("a:timeRange/a:startTime", namespaces=N))
        for note in root.iterfind(".//a:conditionNote", N)
        if note.findtext("a:note", namespaces=N).startswith(("logged: ", "logged as measured: "))
        and note.findtext("a:timeRange/a:duration", namespaces=N) == "0"
    ]
    assert sorted(logged) == sorted(e["frame"] for e in events)


def test_words_can_be_told_apart() -> None:
    for words in (SOUND_FIELD, PRE_EMPHASIS, TAPE_PRE_EMPHASIS):
        assert len(set(words.values())) == len(words)
    assert not PRE_EMPHASIS["unknown"].startswith("no ")


def test_every_word_of_the_schema_has_words_here() -> None:
    # schemas/fields.schema.json: a new word there must get words here.
    fields = json.loads((HERE.parents[3] / "schemas" / "fields.schema.json").read_text(encoding="utf-8"))
    for name, words, extra in (
        ("channel_use", SOUND_FIELD, set()),
        ("file_emphasis", PRE_EMPHASIS, {"changing"}),
        ("tape_emphasis", TAPE_PRE_EMPHASIS, {"changing"}),
    ):
        assert set(fields["$defs"][name]["enum"]) | extra == set(words), name


def test_the_carrier_is_an_object_of_its_own(full: dict[str, Any]) -> None:
    root = carrier(full)
    assert root.get("analogDigitalFlag") == "PHYS_DIGITAL"
    assert root.get("disposition") == "returned 2031-05-08, by Port Ellery Museum"
    assert said(root, "a:primaryIdentifier") == ["B-00412"]
    assert said(root, "a:audioDataEncoding") == ["PCM adaptor 14 bit (EIAJ STC-007)"]
    assert said(root, ".//a:trackLayout")[0] == "PCM coded in a video signal, 525 lines 59.94 Hz"
    assert said(root, ".//a:equalization") == [
        "on the carrier: on; evidence: indicator",
        "on the carrier: not known",
    ]
    # Domain note 1.6: Beta, 525 lines, mode II runs at 2.0 cm/s.
    speed = root.find(".//a:speedDesignated", N)
    assert (speed.text, speed.get("unit")) == ("2.0", "CENTIMETRES_PER_SECOND")
    data = dict(text.split(": ", 1) for text in said(root, "a:appSpecificData"))
    assert data["stock"] == "Marrow & Finch HG, batch 4471"
    notes = said(root, ".//a:note")
    assert notes[0].startswith("logged: carrier before the transfer: pack_uneven, mould_suspected")
    assert notes[1] == "logged: carrier afterwards: residue; light residue on guide 3"
    full["item"]["source_domain"] = "unknown"
    assert carrier_object_node(full) is None, "whether it is digital is required, and nobody knows"


def test_an_analogue_carrier_has_no_bits_and_no_rate() -> None:
    record = load("analogue-hifi")
    root = carrier(record)
    assert root.get("analogDigitalFlag") == "ANALOG"
    assert root.find(".//a:bitDepth", N) is None and root.find(".//a:sampleRate", N) is None
    assert said(root, "a:primaryIdentifier") == [record["item"]["client_item_id"]]
    assert said(built(record), ".//a:bitDepth") == ["24"], "what the converter gave"


def test_an_unknown_tape_speed_has_no_figure(full: dict[str, Any]) -> None:
    for mode in ("unknown", "sp"):  # no such mode on this type
        full["carrier"]["tape_speed_mode"] = mode
        assert carrier(full).find(".//a:speed", N) is None


def test_a_master_beyond_4_gib_is_rf64(full: dict[str, Any]) -> None:
    # EBU Tech 3306: the 32-bit size field of RIFF counts all but its first 8 bytes.
    for size, large in ((0xFFFFFFFF + 8, False), (0xFFFFFFFF + 9, True)):
        full["files"][0]["bytes"] = size
        version = built(full).find("a:format", N).get("specificationVersion")
        assert ("RF64" in version) is large


def depths(record: dict[str, Any]) -> list[str]:
    return said(built(record), ".//a:bitDepth")


def test_bit_depth_is_what_was_coded_and_not_the_container(full: dict[str, Any]) -> None:
    # Domain note 1.2: the 14/16-bit mode is a flag of every field, so it belongs to a stretch.
    assert depths(full) == ["14", "14"]
    full["signal"]["signal_state_ranges"][1]["mode"] = "16"
    assert depths(full) == ["14", "16"]
    record = load("case-12-emphasis-unknown")
    assert record["carrier"]["source_bit_depth"] == 14
    assert depths(record) == ["24"], "through an analogue output the converter decides"
    assert depths(load("minidisc")) == ["16"], "a lossy source has no bits of its own"


def test_how_the_file_came_from_the_carrier(full: dict[str, Any]) -> None:
    assert built(full).get("generation") == "copy of the carrier through a digital output"
    assert built(load("analogue-hifi")).get("generation") == "copy of the carrier through an analogue output"
    edited = built(load("case-06-edited-by-client")).get("generation")
    assert edited == "later copy, made by others from an earlier file"
    full["interface"] = None
    assert built(full).get("generation") is None


def test_a_note_on_the_channels_is_told_where_it_is_needed(full: dict[str, Any]) -> None:
    full["signal"].update(channel_use="stereo", channel_use_note="as on the box")
    assert said(built(full), ".//a:soundField")[0] == "STEREO"
    full["signal"].update(channel_use="other", channel_use_note="mid and side")
    assert said(built(full), ".//a:soundField")[0] == "OTHER: mid and side"


def test_a_link_is_a_lawful_reference(full: dict[str, Any]) -> None:
    # RFC 3986, 2: a space and a percent sign are not allowed in a reference as they are.
    full["files"][0]["path"] = "data/master/a b%.wav"
    root = built(full)
    assert root.find("a:objectLink", N).get(f"{{{XLINK}}}href") == "../master/a%20b%25.wav"
    assert said(root, "a:primaryIdentifier") == ["a b%.wav"]


def test_a_lossy_origin_is_said(full: dict[str, Any]) -> None:
    # Domain note 1.7: the digital output of a MiniDisc looks linear, so the origin must be written down.
    (encoding,) = said(built(load("minidisc")), "a:audioDataEncoding")
    assert encoding == "linear PCM, 16 bit words, channels interleaved; decoded from ATRAC"


def test_two_objects_in_one_document_share_no_identifier(full: dict[str, Any]) -> None:
    ids = [e.get("ID") for root in (built(full), carrier(full)) for e in root.iter() if e.get("ID")]
    assert len(ids) == len(set(ids))


def test_hostile_text_stays_text(full: dict[str, Any]) -> None:
    evil = '</aes57:note><evil a="&x;"/>\x00\x1b]]>'
    full["item"]["title"] = evil
    full["processing"]["transfer_events"][0]["note"] = evil
    full["people"]["client"] = evil
    root = built(full)
    clean = evil.replace("\x00", "�").replace("\x1b", "�")
    assert root.get("title") == clean
    assert f"logged: capture start; {clean}" in said(root, ".//a:note")
    assert root.find(".//evil") is None


def test_zones_that_xml_schema_does_not_have_become_utc() -> None:
    # XML Schema 1.1 part 2, 3.3.7.1: a zone lies within 14:00; our schema lets 14:59 pass.
    assert moment("2031-05-05T10:00:00+14:30") == "2031-05-04T19:30:00+00:00"
    assert moment("2031-05-05T10:00:00+14:00") == "2031-05-05T10:00:00+14:00"
    assert moment("9999-12-31T23:00:00-14:30") == "9999-12-31T23:00:00"
    assert moment("2031-05-05T10:00:00.25Z") == "2031-05-05T10:00:00.25Z"


def test_building_does_not_change_the_record(full: dict[str, Any]) -> None:
    before = copy.deepcopy(full)
    assert build_audio_object(full, full["files"]) == build_audio_object(full, full["files"])
    assert full == before
