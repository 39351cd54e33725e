"""LIST INFO, cue and LIST adtl. Source: RIFF/WAVE 1991; traps 15, 16 and 21 of the fact sheet, section 16."""

from __future__ import annotations

import struct
from dataclasses import replace

import pytest

from provpack.chunks.info import build_info, parse_info
from provpack.chunks.limits import MAX_POINTS, MAX_SUB_CHUNKS
from provpack.chunks.markers import (
    AdtlEntry,
    CuePoint,
    Marker,
    build_adtl,
    build_cue,
    markers,
    parse_adtl,
    parse_cue,
)
from provpack.errors import RecordProblem

# -- INFO: one table, both ways ----------------------------------------------------------------------

INFO_CASES = [
    ((), b"INFO"),
    ((("INAM", "Reel 7"),), b"INFOINAM\x07\0\0\0Reel 7\0\0"),
    ((("IARL", "abc"), ("ICRD", "1984-05-01")), b"INFOIARL\x04\0\0\0abc\0ICRD\x0b\0\0\x001984-05-01\0\0"),
    ((("ICMT", ""),), b"INFOICMT\x01\0\0\0\0\0"),
]


@pytest.mark.parametrize(("entries", "body"), INFO_CASES)
def test_info_both_ways(entries: tuple[tuple[str, str], ...], body: bytes) -> None:
    assert build_info(entries) == body
    assert parse_info(body) == (entries, ())


@pytest.mark.parametrize(
    ("entry", "word"),
    [
        (("inam", "x"), "capitals"),
        (("INAMX", "x"), "capitals"),
        (("XNAM", "x"), "capitals"),
        (("ICMT", "two\nlines"), "U+000A"),
        (("IART", "Zoë"), "U+00EB"),
        (("IART", "a\0b"), "U+0000"),
    ],
)
def test_info_refuses(entry: tuple[str, str], word: str) -> None:
    with pytest.raises(RecordProblem) as caught:
        build_info([entry])
    assert word in caught.value.what


def test_info_refuses_a_tag_twice() -> None:
    with pytest.raises(RecordProblem):
        build_info([("INAM", "a"), ("INAM", "b")])


@pytest.mark.parametrize(
    ("body", "entries", "rules"),
    [
        (b"adtl", (), ["wav-list-malformed"]),
        (b"", (), ["wav-list-malformed"]),
        (b"INFOINAM\x05\0\0\0abcde", (("INAM", "abcde"),), ["wav-pad-missing"]),
        (b"INFOINAM\x03\0\0\0abcIART\x02\0\0\0xy", (("INAM", "abc"), ("IART", "xy")), ["wav-pad-missing"]),
        (b"INFOINAM\xff\xff\xff\xffabc", (("INAM", "abc"),), ["wav-list-malformed"]),
        (b"INFOINAM\x02\0\0\0ab\xff\xff\xff", (("INAM", "ab"),), ["wav-list-malformed"]),
        (b"INFOINAM\x02\0\0\0ab\0\0\0\0", (("INAM", "ab"),), []),
        (
            b"INFOINAM\x02\0\0\0ab\x01\x02\x03\x04\x05\x06\x07\x08\x09",
            (("INAM", "ab"),),
            ["wav-list-malformed"],
        ),
        (b"INFOINAM\x03\0\0\0\xc3\xab\0\0", (("INAM", "ë"),), ["wav-text-not-ascii"]),
        (b"INFOINAM\x02\0\0\0\xeb\0", (("INAM", "ë"),), ["wav-text-not-ascii"]),
        (b"INFOINAM\x06\0\0\0ab\0cd\0", (("INAM", "ab"),), []),
    ],
)
def test_info_read_leniently(body: bytes, entries: tuple[tuple[str, str], ...], rules: list[str]) -> None:
    found, findings = parse_info(body)
    assert found == entries
    assert [f.rule for f in findings] == rules


def test_info_sub_chunks_are_bounded() -> None:
    entries, findings = parse_info(b"INFO" + b"INAM\0\0\0\0" * (MAX_SUB_CHUNKS + 10))
    assert len(entries) == MAX_SUB_CHUNKS
    assert [f.rule for f in findings] == ["wav-list-malformed"]


# -- cue and adtl ------------------------------------------------------------------------------------

REGION = Marker(id=2, frame=44056, label="side B", note="hiss", length=88112)
POINT = Marker(id=1, frame=0, label="start")
LAST = Marker(id=3, frame=0xFFFFFFFF, label="", length=0)


def test_markers_both_ways() -> None:
    items = (POINT, REGION, LAST)
    assert markers(build_cue(items), build_adtl(items)) == items
    assert markers(build_cue(items))[1] == Marker(id=2, frame=44056, label="")
    assert parse_cue(build_cue(items)) == (tuple(CuePoint(id=m.id, frame=m.frame) for m in items), ())


def test_cue_point_bytes() -> None:
    # RIFF-1991 cue-points: dwName, dwPosition, fccChunk, dwChunkStart, dwBlockStart, dwSampleOffset.
    assert build_cue([]) == bytes(4)
    assert build_cue([REGION]) == struct.pack("<I II4sIII", 1, 2, 44056, b"data", 0, 0, 44056)


def test_adtl_bytes() -> None:
    # RIFF-1991 associated data list; a region is a ltxt of purpose "rgn " [common practice, no source].
    assert build_adtl([REGION]) == (
        b"adtl"
        + b"labl" + struct.pack("<II", 11, 2) + b"side B\0" + b"\0"
        + b"note" + struct.pack("<II", 9, 2) + b"hiss\0" + b"\0"
        + b"ltxt" + struct.pack("<III4s4H", 20, 2, 88112, b"rgn ", 0, 0, 0, 0)
    )  # fmt: skip
    assert build_adtl([]) == b"adtl"


@pytest.mark.parametrize("frame", [2**32, -1])
def test_positions_beyond_32_bits_are_refused_with_the_frame(frame: int) -> None:
    far = replace(POINT, frame=frame)
    for build in (build_cue, build_adtl):
        with pytest.raises(RecordProblem) as caught:
            build([far])
        assert str(frame) in caught.value.what
        assert str(frame) in caught.value.where
        assert "the record keeps it" in caught.value.todo


@pytest.mark.parametrize(
    "items",
    [
        [POINT, replace(REGION, id=1)],
        [replace(POINT, id=2**32)],
        [replace(POINT, length=2**32)],
    ],
)
def test_cue_refuses(items: list[Marker]) -> None:
    with pytest.raises(RecordProblem):
        build_cue(items)


def test_label_must_be_ascii() -> None:
    with pytest.raises(RecordProblem) as caught:
        build_adtl([replace(POINT, label="Zoë")])
    assert "U+00EB" in caught.value.what


@pytest.mark.parametrize(
    ("body", "points", "count"),
    [
        (b"", 0, 1),
        (b"\x05\0\0\0", 0, 1),
        (b"\xff\xff\xff\xff" + bytes(24), 1, 2),  # count not bounded by the chunk: clamped
        (b"\x01\0\0\0" + bytes(30), 1, 2),
        (b"\x01\0\0\0" + struct.pack("<II4sIII", 9, 0, b"slnt", 1, 2, 7), 1, 1),
        (b"\x02\0\0\0" + struct.pack("<II4sIII", 9, 0, b"data", 0, 0, 7) * 2, 2, 1),
    ],
)
def test_broken_cue(body: bytes, points: int, count: int) -> None:
    found, findings = parse_cue(body)
    assert len(found) == points
    assert len(findings) == count
    assert {f.rule for f in findings} == {"wav-cue-malformed"}


def test_cue_points_are_bounded() -> None:
    point = struct.pack("<II4sIII", 1, 0, b"data", 0, 0, 7)
    body = struct.pack("<I", MAX_POINTS + 5) + point * (MAX_POINTS + 5)
    points, findings = parse_cue(body)
    assert len(points) == MAX_POINTS
    assert "first 65536" in findings[0].what


def test_broken_adtl() -> None:
    body = (
        b"adtl"
        + b"labl" + struct.pack("<I", 2) + b"ab"
        + b"ltxt" + struct.pack("<I", 8) + bytes(8)
        + b"file" + struct.pack("<I", 8) + bytes(8)
        + b"labl" + struct.pack("<II", 9, 5) + "ü".encode() + b"\0\0\0" + b"\0"
    )  # fmt: skip
    entries, findings = parse_adtl(body)
    assert entries == (AdtlEntry(kind="labl", cue_id=5, text="ü"),)
    assert [f.rule for f in findings] == ["wav-list-malformed", "wav-list-malformed", "wav-text-not-ascii"]
    assert [f.rule for f in parse_adtl(b"INFO")[1]] == ["wav-list-malformed"]


def test_first_label_wins_and_ltxt_text_serves_at_need() -> None:
    cue = build_cue([POINT, REGION])
    adtl = (
        b"adtl"
        + b"labl" + struct.pack("<II", 6, 1) + b"a\0"
        + b"labl" + struct.pack("<II", 6, 1) + b"b\0"
        + b"ltxt" + struct.pack("<III4s4H", 24, 2, 5, b"scrp", 0, 0, 0, 0) + b"abc\0"
    )  # fmt: skip
    assert markers(cue, adtl) == (
        Marker(id=1, frame=0, label="a"),
        Marker(id=2, frame=44056, label="abc", length=5),
    )
    assert parse_adtl(adtl)[0][2].purpose == "scrp"
