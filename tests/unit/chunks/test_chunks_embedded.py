"""Everything embedded, listed as found. Traps 9, 12, 21 of the fact sheet; chna: BS.2088-2, 8."""

from __future__ import annotations

import struct

import pytest
from unit.chunks.wavbytes import AUDIO, FMT, chunk, riff, walk

from provpack.chunks import embedded as module
from provpack.chunks.bext import Bext, build_bext
from provpack.chunks.embedded import Embedded, read_embedded
from provpack.chunks.history import CodingRow
from provpack.chunks.info import build_info
from provpack.chunks.ixml import trimmed
from provpack.chunks.limits import MAX_METADATA
from provpack.chunks.markers import Marker, build_adtl, build_cue
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import read_layout

F, D = chunk(b"fmt ", FMT), chunk(b"data", AUDIO)
BEXT = Bext(
    description="x",
    origination_date="2025-03-04",
    origination_time="05:06:07",
    time_reference=2_354_414_956,
    coding_history="A=PCM,F=44056,W=16,M=stereo\r\n",
)


def embed(*parts: bytes) -> Embedded:
    data = riff(F, *parts, D)
    return read_embedded(BytesSource(data), walk(data))


def ids(found: Embedded) -> list[str]:
    return [f.rule for f in found.findings]


def test_nothing_embedded() -> None:
    found = embed()
    assert (found.bext, found.history, found.info_lists, found.markers) == (None, (), (), ())
    assert (found.axml, found.ixml, found.id3_count, found.chna, found.findings) == (None, None, 0, None, ())


def test_all_of_it() -> None:
    marks = (Marker(id=1, frame=3, label="a"),)
    found = embed(
        chunk(b"bext", build_bext(BEXT)),
        chunk(b"LIST", build_info([("INAM", "t")])),
        chunk(b"cue ", build_cue(marks)),
        chunk(b"LIST", build_adtl(marks)),
        chunk(b"axml", b"<a/>\0\0 "),
        chunk(b"ID3 ", bytes(10)),
    )
    assert found.findings == ()
    assert found.bext == BEXT
    assert found.bext_all == (BEXT,)
    assert found.history == (CodingRow(algorithm="PCM", frequency=44056, word_length=16, mode="stereo"),)
    assert found.info_lists == ((("INAM", "t"),),)
    assert found.markers == marks
    assert (found.axml, found.id3_count) == (b"<a/>", 1)


def test_several_of_a_kind_are_listed_never_merged() -> None:  # trap 21
    marks = (Marker(id=1, frame=3, label="a"),)
    other = Bext(description="other", origination_date="2025-03-04", origination_time="05:06:07")
    found = embed(
        chunk(b"bext", build_bext(BEXT)),
        chunk(b"bext", build_bext(other)),
        chunk(b"LIST", build_info([("INAM", "one")])),
        chunk(b"LIST", build_info([("INAM", "two")])),
        chunk(b"cue ", build_cue(marks)),
        chunk(b"cue ", build_cue([Marker(id=7, frame=7, label="")])),
        chunk(b"axml", b"<one/>"),
        chunk(b"axml", b"<two/>"),
        chunk(b"id3 ", b"ab"),
        chunk(b"ID3 ", b"ab"),
    )
    assert found.bext == BEXT
    assert found.bext_all == (BEXT, other)
    assert found.info_lists == ((("INAM", "one"),), (("INAM", "two"),))
    assert found.axml == b"<one/>"
    assert found.markers == (Marker(id=1, frame=3, label=""),)
    assert found.id3_count == 2
    assert ids(found) == ["wav-several-of-one-kind"] * 5


def test_offsets_are_those_of_the_file() -> None:
    body = bytearray(build_bext(BEXT))
    body[200:203] = b"abc"
    found = embed(chunk(b"bext", bytes(body)))
    assert [f.rule for f in found.findings] == ["wav-bext-stray-bytes"]
    assert found.findings[0].position == {"file": "tape-12.wav", "chunk": "bext", "offset": 44 + 1}
    assert found.findings[0].where == "tape-12.wav, offset 45"
    nameless = riff(F, chunk(b"bext", bytes(body)), D)
    layout = read_layout(BytesSource(nameless))
    assert read_embedded(BytesSource(nameless), layout).findings[0].where == "offset 45"


def test_short_bext_is_passed_over_for_the_next() -> None:
    found = embed(chunk(b"bext", b"abcd"), chunk(b"bext", build_bext(BEXT)))
    assert found.bext == BEXT
    assert ids(found) == ["wav-several-of-one-kind", "wav-bext-too-short"]


def test_history_and_time_reference_against_the_format() -> None:
    late = Bext(
        origination_date="2025-03-04",
        origination_time="05:06:07",
        time_reference=86_400 * 44_056,
        coding_history="A=PCM,F=44100,W=16\r\n",
    )
    assert ids(embed(chunk(b"bext", build_bext(late)))) == [
        "wav-time-reference-beyond-day",
        "wav-history-frequency-differs",
    ]
    bad_fmt = riff(chunk(b"fmt ", bytes(16)), chunk(b"bext", build_bext(late)), D)
    assert read_embedded(BytesSource(bad_fmt), walk(bad_fmt)).findings == ()


IXML = "<BWFXML><BEXT><BWF_TIME_REFERENCE_LOW>{}</BWF_TIME_REFERENCE_LOW>{}</BEXT></BWFXML>"


@pytest.mark.parametrize(
    ("low", "high", "severities"),
    [
        ("2354414956", "", []),
        ("-1940552340", "", ["note"]),  # trap 12: the negative twin
        ("1", "", ["warning"]),
        ("2354414956", "<BWF_TIME_REFERENCE_HIGH>1</BWF_TIME_REFERENCE_HIGH>", ["warning"]),
        ("none", "", []),
        ("", "", []),
    ],
)
def test_ixml_time_reference(low: str, high: str, severities: list[str]) -> None:
    text = IXML.format(low, high).encode() + b" \0\0"
    found = embed(chunk(b"bext", build_bext(BEXT)), chunk(b"iXML", text))
    assert found.ixml == text.rstrip(b" \0")
    assert [f.severity for f in found.findings] == severities
    assert set(ids(found)) <= {"wav-ixml-differs"}
    assert embed(chunk(b"iXML", text)).findings == ()


@pytest.mark.parametrize("text", [b"<BWFXML>", b"", b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>'])
def test_unreadable_ixml(text: bytes) -> None:
    assert ids(embed(chunk(b"iXML", text))) == ["wav-xml-unreadable"]


@pytest.mark.parametrize("coding", ["utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("padding", [b"", b"\0", b"\0" * 6, b"\0 \0\r", b" \0\n\0", b" \0\0\0 \0\0"])
def test_utf16_loses_its_padding_and_no_half_character(coding: str, mark: str, padding: bytes) -> None:
    """XML 1.0 appendix F: told by the byte order mark or by '<'. The last byte of '>' may be a NUL."""
    text = f"{mark}<a>\u0420</a>".encode(coding)
    assert trimmed(text + padding) == text
    assert trimmed(b"\xff\xfe" + padding)[:2] == b"\xff\xfe"


def test_a_finding_about_a_whole_chunk_points_to_the_first_byte_of_its_body() -> None:
    found = embed(chunk(b"bext", bytes(10)))
    (finding,) = found.findings
    assert finding.rule == "wav-bext-too-short"
    assert finding.position["offset"] == 12 + len(F) + 8


def test_markers_beyond_the_audio() -> None:
    assert ids(embed(chunk(b"cue ", build_cue([Marker(id=1, frame=11, label="")])))) == ["wav-cue-malformed"]
    assert ids(embed(chunk(b"cue ", build_cue([Marker(id=1, frame=10, label="")])))) == []


def test_chna() -> None:
    record = struct.pack("<H12s14s11sx", 1, b"ATU_00000001", b"AT_00010001_01", b"AP_00010002")
    found = embed(chunk(b"chna", struct.pack("<HH", 1, 1) + record + bytes(40)))
    assert found.chna is not None
    assert (found.chna.tracks, found.chna.uids, len(found.chna.records)) == (1, 1, 1)
    assert found.chna.records[0].pack_ref == "AP_00010002"
    assert found.findings == ()
    assert ids(embed(chunk(b"chna", struct.pack("<HH", 1, 9) + record))) == ["wav-chna-malformed"]
    short = embed(chunk(b"chna", b"ab"))
    assert (short.chna, ids(short)) == (None, ["wav-chna-malformed"])


def test_a_large_metadata_chunk_is_not_read() -> None:
    found = embed(chunk(b"axml", bytes(MAX_METADATA + 2)), chunk(b"chna", b""))
    assert found.axml is None
    assert ids(found)[0] == "wav-metadata-too-large"


def test_the_sum_of_metadata_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MAX_METADATA_TOTAL", 1000)
    found = embed(*[chunk(b"LIST", build_info([("INAM", "x" * 400)]))] * 4)
    assert len(found.info_lists) == 2
    assert ids(found).count("wav-metadata-too-large") == 2
