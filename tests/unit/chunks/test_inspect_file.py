"""Inspecting one file of any kind. Sources: RFC 9639 (FLAC metadata blocks); for W64 libsndfile is the writer
and the reader."""

from __future__ import annotations

import io
import json
import struct
import sys
from fractions import Fraction

import pytest
from unit.chunks.wavbytes import AUDIO, FMT, U32, chunk, riff

from provpack.chunks.bext import Bext, build_bext
from provpack.chunks.embedded import Embedded, read_embedded
from provpack.chunks.info import build_info
from provpack.chunks.markers import Marker, build_adtl, build_cue
from provpack.chunks.source import BytesSource, SourceReader
from provpack.chunks.walk import read_layout
from provpack.edge.audio import W64_MAGIC, read_audio_facts
from provpack.edge.tags import MAX_BLOCKS, read_flac
from provpack.errors import EnvironmentProblem, InputProblem
from provpack.jobs.inspect import InspectResult, clock_text, inspect_file, recover_record

F, D = chunk(b"fmt ", FMT), chunk(b"data", AUDIO)
RECORD = '{"schema_version": "1.0.0", "item": {"title": "Föhn & <sea>"}}\n'
AXML = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<p:premis xmlns:p="urn:x"><p:object><r:transferRecord '
    'xmlns:r="urn:provpack:record:1">'
    + RECORD.replace("&", "&amp;").replace("<", "&lt;")
    + "</r:transferRecord></p:object></p:premis>"
).encode()


def inspect(data: bytes, name: str = "tape-12.wav") -> InspectResult:
    return inspect_file(BytesSource(data), name)


def embedded_with(axml: bytes) -> Embedded:
    data = riff(F, D, chunk(b"axml", axml))
    return read_embedded(BytesSource(data), read_layout(BytesSource(data)))


def ids(result: InspectResult) -> list[str]:
    return [f.rule for f in result.findings]


# -- WAVE --------------------------------------------------------------------------------------------


def test_a_good_master() -> None:
    marks = (Marker(id=1, frame=3, label="a", length=2),)
    bext = Bext(
        description="x",
        origination_date="2025-03-04",
        origination_time="05:06:07",
        coding_history="A=PCM,F=44056,W=16,M=stereo,T=x\r\n",
    )
    result = inspect(
        riff(
            chunk(b"bext", build_bext(bext)),
            F,
            D,
            chunk(b"LIST", build_info([("INAM", "Reel 7")])),
            chunk(b"cue ", build_cue(marks)),
            chunk(b"LIST", build_adtl(marks)),
            chunk(b"axml", AXML),
        )
    )
    assert result.findings == ()
    assert (result.outcome, result.has_record, result.flac) == ("good", True, None)
    plain = result.as_json()
    assert json.loads(json.dumps(plain)) == plain
    facts = plain["facts"]
    assert isinstance(facts, dict)
    assert facts | {} == {
        "container": "RIFF",
        "file_bytes": facts["file_bytes"],
        "declared_bytes": facts["file_bytes"],
        "encoding": "pcm",
        "format_tag": 1,
        "channels": 2,
        "sample_rate": 44056,
        "bits_per_sample": 16,
        "valid_bits": 16,
        "frame_bytes": 4,
        "channel_mask": None,
        "frames": 10,
        "audio_offset": facts["audio_offset"],
        "audio_bytes": 40,
        "trailing_bytes": 0,
        "rate_note": facts["rate_note"],
        "duration_s": "5/22028",
        "duration": "0:00:00.000",
    }
    assert "44100/1.001" in facts["rate_note"]
    embedded = plain["embedded"]
    assert isinstance(embedded, dict)
    assert embedded["bext"][0]["description"] == "x"
    assert embedded["bext"][0]["loudness_value"] is None
    assert embedded["bext"][0]["umid"] is None
    assert embedded["coding_history"][0]["frequency"] == 44056
    assert embedded["info"] == [[{"tag": "INAM", "text": "Reel 7"}]]
    assert embedded["markers"] == [{"id": 1, "frame": 3, "label": "a", "note": None, "length": 2}]
    assert embedded["axml"] == {"bytes": len(AXML), "text": AXML.decode()}
    chunks = plain["chunks"]
    assert isinstance(chunks, list)
    assert chunks[3] == {
        "id": "LIST",
        "list_type": "INFO",
        "offset": chunks[3]["offset"],
        "data_offset": chunks[3]["offset"] + 8,
        "declared_size": 20,
        "size": 20,
        "pad": "none",
    }


def test_outcomes() -> None:
    assert inspect(riff(F, D)).outcome == "good"
    assert inspect(riff(F, D, size=7)).outcome == "warnings"
    assert inspect(riff(F)).outcome == "refused"
    nothing = inspect(b"")
    assert (nothing.outcome, ids(nothing), nothing.facts.container) == ("refused", ["wav-not-wave"], None)
    assert nothing.as_json()["embedded"] is None
    assert nothing.facts.duration is None


def test_unsupported_encoding_has_no_frames() -> None:
    fmt = struct.pack("<HHIIHH", 0x55, 2, 44100, 16000, 1, 0)
    result = inspect(riff(chunk(b"fmt ", fmt), D))
    assert (result.facts.frames, result.facts.duration_s, result.facts.channels) == (None, None, 2)


def test_chna_in_json() -> None:
    record = struct.pack("<H12s14s11sx", 1, b"ATU_00000001", b"AT_00010001_01", b"AP_00010002")
    embedded = inspect(riff(F, D, chunk(b"chna", struct.pack("<HH", 1, 1) + record))).as_json()["embedded"]
    assert isinstance(embedded, dict)
    assert embedded["chna"]["records"][0]["track_ref"] == "AT_00010001_01"


def test_large_documents_are_not_repeated() -> None:
    result = inspect(riff(F, D, chunk(b"axml", b"<a>" + b"x" * 70_000 + b"</a>"))).as_json()
    assert isinstance(result["embedded"], dict)
    assert result["embedded"]["axml"] == {"bytes": 70_007, "text": None}


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (Fraction(0), "0:00:00.000"),
        (Fraction(1, 2000), "0:00:00.001"),
        (Fraction(59999, 1000), "0:00:59.999"),
        (Fraction(599996, 10000), "0:01:00.000"),
        (Fraction(3600 * 6 + 46 * 60 + 12), "6:46:12.000"),
        (Fraction(100 * 3600), "100:00:00.000"),
    ],
)
def test_clock_text(seconds: Fraction, text: str) -> None:
    assert clock_text(seconds) == text


# -- the record in the axml document -----------------------------------------------------------------


def test_record_is_recovered_byte_for_byte() -> None:
    assert recover_record(embedded_with(AXML)) == RECORD.encode()


@pytest.mark.parametrize(
    "axml",
    [
        b"",
        b"<a>",
        b"<a/>",
        b'<transferRecord>{"a": 1}</transferRecord>',
        b'<r:transferRecord xmlns:r="urn:provpack:record:1"/>',
        b'<r:transferRecord xmlns:r="urn:provpack:record:1">[1]</r:transferRecord>',
        b'<r:transferRecord xmlns:r="urn:provpack:record:1">{"a": </r:transferRecord>',
        b'<r:transferRecord xmlns:r="urn:provpack:record:1">' + b"[" * 200_000 + b"</r:transferRecord>",
    ],
)
def test_no_record(axml: bytes) -> None:
    assert recover_record(embedded_with(axml)) is None


def test_no_axml_and_second_record() -> None:
    data = riff(F, D)
    assert recover_record(read_embedded(BytesSource(data), read_layout(BytesSource(data)))) is None
    two = (
        b'<a xmlns:r="urn:provpack:record:1"><r:transferRecord>none</r:transferRecord>'
        b'<r:transferRecord>{"a"<!-- by hand -->: 1}</r:transferRecord></a>'
    )
    assert recover_record(embedded_with(two)) == b'{"a": 1}'


@pytest.mark.parametrize("axml", [b"<a>", b"<!DOCTYPE a><a/>", b""])
def test_unreadable_axml_is_a_finding(axml: bytes) -> None:
    result = inspect(riff(F, D, chunk(b"axml", axml)))
    assert ids(result) == ["wav-xml-unreadable"]
    assert result.findings[0].position["offset"] == 12 + len(F) + len(D) + 8
    assert result.has_record is False


# -- FLAC --------------------------------------------------------------------------------------------


def block(kind: int, body: bytes, *, last: bool = False, size: int | None = None) -> bytes:
    length = len(body) if size is None else size
    return bytes([kind | (0x80 if last else 0)]) + length.to_bytes(3, "big") + body


def streaminfo(rate: int = 44056, samples: int = 4405, md5: bytes = bytes(range(16))) -> bytes:
    # RFC 9639: 16+16 bit block sizes, 24+24 bit frame sizes, 20 rate, 3 channels-1, 5 bits-1, 36 samples, MD5
    packed = (rate << 44) | (1 << 41) | (15 << 36) | samples
    return struct.pack(">HH", 4096, 4096) + bytes(6) + packed.to_bytes(8, "big") + md5


def vorbis(*comments: str, vendor: str = "writer", count: int | None = None) -> bytes:
    raw = [c.encode() for c in (vendor, *comments)]
    total = len(comments) if count is None else count
    return (
        struct.pack("<I", len(raw[0])) + raw[0] + struct.pack("<I", total)
        + b"".join(struct.pack("<I", len(c)) + c for c in raw[1:])
    )  # fmt: skip


def test_flac_facts() -> None:
    data = (
        b"fLaC"
        + block(0, streaminfo())
        + block(4, vorbis("TITLE=Föhn", "TITLE=two"))
        + block(1, b"\0", last=True)
    )
    result = inspect(data, "tape-12.flac")
    assert ids(result) == ["wav-other-container"]
    assert result.outcome == "good"
    facts = result.facts
    assert (facts.container, facts.sample_rate, facts.channels, facts.bits_per_sample) == (
        "FLAC",
        44056,
        2,
        16,
    )
    assert (facts.frames, facts.duration_s) == (4405, "4405/44056")
    assert result.flac is not None
    assert result.flac.comments == (("TITLE", "Föhn"), ("TITLE", "two"))
    assert (result.flac.vendor, result.flac.md5) == ("writer", bytes(range(16)).hex())
    plain = result.as_json()
    assert json.loads(json.dumps(plain)) == plain
    assert isinstance(plain["flac"], dict)
    assert [b["name"] for b in plain["flac"]["blocks"]] == ["STREAMINFO", "VORBIS_COMMENT", "PADDING"]


def test_flac_unknowns_stay_unknown() -> None:
    flac = read_flac(
        BytesSource(b"fLaC" + block(0, streaminfo(samples=0, md5=bytes(16)), last=True)), "a.flac"
    )
    assert (flac.frames, flac.md5, flac.comments, flac.problem) == (None, None, (), "")


@pytest.mark.parametrize(
    ("rest", "word"),
    [
        (block(4, vorbis("A=b", count=2**32 - 1), last=True), "Vorbis comment"),
        (block(4, struct.pack("<I", 147_000_000), last=True), "Vorbis comment"),
        (block(4, b"ab", last=True), "Vorbis comment"),
        (block(4, bytes(2_000_000), last=True), "was not read"),
        (block(6, b"ab", last=True, size=0xFFFFFF), "claims 16777215 bytes but 2 remain"),
        (b"", "before the last one"),
        (block(1, b"") * (MAX_BLOCKS + 1), "more than"),
    ],
)
def test_hostile_flac_metadata(rest: bytes, word: str) -> None:
    result = inspect(b"fLaC" + block(0, streaminfo()) + rest)
    assert ids(result) == ["wav-other-container", "wav-other-container-unreadable"]
    assert (result.outcome, result.facts.sample_rate) == ("warnings", 44056)
    assert word in result.findings[1].what


@pytest.mark.parametrize(
    "data",
    [b"fLaC", b"fLaC" + block(0, b"ab"), b"fLaC" + block(4, b""), b"fLaC" + block(0, streaminfo(rate=0))],
)
def test_flac_without_streaminfo(data: bytes) -> None:
    result = inspect(data)
    assert ids(result) == ["wav-other-container-unreadable"]
    assert result.outcome == "refused"
    with pytest.raises(InputProblem):
        read_flac(BytesSource(data), "a.flac")


def test_missing_libraries_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "mutagen", None)
    monkeypatch.setitem(sys.modules, "soundfile", None)
    with pytest.raises(EnvironmentProblem, match="mutagen"):
        inspect(b"fLaC" + block(0, streaminfo(), last=True))
    with pytest.raises(EnvironmentProblem, match="soundfile"):
        inspect(W64_MAGIC + bytes(100))


# -- W64 ---------------------------------------------------------------------------------------------


def test_w64_facts() -> None:
    soundfile = pytest.importorskip("soundfile")
    numpy = pytest.importorskip("numpy")
    file = io.BytesIO()
    soundfile.write(file, numpy.zeros((100, 2), dtype="int16"), 44056, format="W64", subtype="PCM_16")
    result = inspect(file.getvalue(), "tape-12.w64")
    assert ids(result) == ["wav-other-container"]
    facts = result.facts
    assert (facts.container, facts.sample_rate, facts.channels, facts.frames) == ("W64", 44056, 2, 100)
    assert facts.duration_s == "25/11014"


def test_broken_w64() -> None:
    result = inspect(W64_MAGIC + b"\xff" * 200)
    assert ids(result) == ["wav-other-container-unreadable"]
    assert result.facts.container == "W64"
    with pytest.raises(InputProblem):
        read_audio_facts(BytesSource(b""), "a.w64")


def test_w64_that_seeks_before_its_start_prints_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    soundfile = pytest.importorskip("soundfile")
    numpy = pytest.importorskip("numpy")
    file = io.BytesIO()
    soundfile.write(file, numpy.zeros((100, 2), dtype="int16"), 44056, format="W64", subtype="PCM_16")
    whole = file.getvalue()
    for offset in range(16, 120):
        inspect(whole[:offset] + b"\xff" * 8 + whole[offset + 8 :])
        inspect(whole[:offset] + bytes(8) + whole[offset + 8 :])
    assert capfd.readouterr() == ("", "")


def test_a_failing_disk_is_told_as_such() -> None:
    class Failing:
        size = 1000

        def read_at(self, offset: int, length: int) -> bytes:
            if length > 16 or offset:
                raise EnvironmentProblem("disk", "The disk failed.", where="a.w64", todo="Copy it again.")
            return (W64_MAGIC + bytes(100))[:length]

    with pytest.raises(EnvironmentProblem, match="disk failed"):
        read_audio_facts(Failing(), "a.w64")


# -- the reader that libraries see -------------------------------------------------------------------


def test_source_reader_is_a_bounded_read_only_file() -> None:
    reader = SourceReader(BytesSource(b"0123456789"), "a")
    assert (reader.readable(), reader.seekable(), reader.writable(), reader.name) == (True, True, False, "a")
    assert reader.read(3) == b"012"
    assert reader.seek(-2, io.SEEK_END) == 8
    assert reader.read() == b"89"
    assert reader.read(1 << 60) == b""
    assert reader.seek(-5, io.SEEK_CUR) == 5
    buffer = bytearray(8)
    assert reader.readinto(buffer) == 5
    assert bytes(buffer) == b"56789\0\0\0"
    reader.seek(100)
    assert (reader.tell(), reader.read(None)) == (100, b"")
    with pytest.raises(OSError, match="before the start"):
        reader.seek(-1)
    assert BytesSource(b"abc").read_at(-1, 2) == b""
    assert BytesSource(b"abc").read_at(1, U32) == b"bc"
