"""The bext chunk: EBU Tech 3285 v2 (May 2011), 2.3; traps 8 to 13 of the fact sheet, section 16."""

from __future__ import annotations

import struct
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from provpack.chunks.bext import NO_UMID, Bext, build_bext, parse_bext
from provpack.chunks.history import parse_history
from provpack.chunks.limits import MAX_HISTORY
from provpack.errors import RecordProblem

UMID = bytes.fromhex("060A2B340101010501010F1013000000") + bytes(range(16)) + bytes(32)
FULL = Bext(
    description="Harbour choir, reel 7; kept apart",
    originator="XX, Lantern Sound Archive",
    originator_reference="XXLSA0123456789AB235959000000042",
    origination_date="2025-03-04",
    origination_time="05:06:07",
    time_reference=3_806_438_400 - 1,
    version=2,
    umid=UMID,
    loudness_value=Decimal("-23.05"),
    loudness_range=Decimal("7.55"),
    max_true_peak=Decimal("-1.25"),
    max_momentary=Decimal("-18.40"),
    max_short_term=Decimal("-20.15"),
    coding_history="A=PCM,F=44056,W=14,M=stereo,T=source\r\nA=PCM,F=44056,W=16,M=stereo\r\n",
)


def raw(**fields: Any) -> bytes:
    """A body built from its table of offsets, not by the writer under test."""
    body = bytearray(602)
    places = {"description": 0, "originator": 256, "reference": 288, "date": 320, "time": 330, "umid": 348}
    for name, value in fields.items():
        if name in places:
            body[places[name] : places[name] + len(value)] = value
    struct.pack_into("<QH", body, 338, fields.get("time_reference", 0), fields.get("version", 2))
    struct.pack_into("<5h", body, 412, *fields.get("loudness", (0x7FFF,) * 5))
    if "reserved" in fields:
        body[601] = fields["reserved"]
    history: bytes = fields.get("history", b"")
    return bytes(body) + history


DATED = {"date": b"2025-03-04", "time": b"05:06:07"}


def ids(body: bytes) -> list[str]:
    return [f.rule for f in parse_bext(body)[1]]


def test_every_field_stands_at_its_offset() -> None:
    # Offsets and lengths: Tech 3285 v2, 2.3, packed structure.
    body = build_bext(FULL)
    assert body[0:33] == b"Harbour choir, reel 7; kept apart"
    assert body[33:256] == bytes(223)
    assert body[256:288].rstrip(b"\0") == b"XX, Lantern Sound Archive"
    assert body[288:320] == b"XXLSA0123456789AB235959000000042"  # trap 8: full, no NUL
    assert body[320:338] == b"2025-03-0405:06:07"
    assert struct.unpack("<II", body[338:346]) == (3_806_438_399, 0)
    assert body[346:348] == b"\x02\0"
    assert body[348:412] == UMID
    assert struct.unpack("<5h", body[412:422]) == (-2305, 755, -125, -1840, -2015)
    assert body[422:602] == bytes(180)
    assert body[602:] == FULL.coding_history.encode("ascii") + b"\0"
    even = build_bext(replace(FULL, coding_history=FULL.coding_history + "A=PCM,W=8\r\n"))
    assert len(body) % 2 == len(even) % 2 == 0
    assert even.endswith(b"W=8\r\n")


def test_written_fields_are_read_back() -> None:
    assert parse_bext(build_bext(FULL)) == (FULL, ())
    plain = Bext(origination_date="2025-03-04", origination_time="05:06:07")
    assert parse_bext(build_bext(plain)) == (plain, ())
    assert len(build_bext(plain)) == 602


def test_loudness_not_measured_is_7fff() -> None:  # trap 11
    body = build_bext(replace(FULL, loudness_value=None, max_true_peak=Decimal("-Infinity")))
    assert struct.unpack("<5h", body[412:422]) == (0x7FFF, 755, 0x7FFF, -1840, -2015)


@pytest.mark.parametrize(
    ("value", "word"),
    [
        ("-22.645", -2265),
        ("-22.644999", -2264),
        ("22.645", 2265),
        ("0.005", 1),
        ("-0.005", -1),
        ("99.99", 9999),
    ],
)
def test_loudness_is_rounded_half_away_from_zero(value: str, word: int) -> None:
    # -22.645 -> -2265: the example of Tech 3285 v2, from memory.
    body = build_bext(replace(FULL, loudness_value=Decimal(value)))
    assert struct.unpack("<h", body[412:414]) == (word,)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"description": "Café"}, "U+00E9"),
        ({"description": "a\0b"}, "U+0000"),
        ({"originator": "two\nlines"}, "U+000A"),
        ({"originator": "x" * 33}, "33 characters"),
        ({"description": "x" * 257}, "257"),
        ({"origination_date": "2025-02-29"}, "2025-02-29"),
        ({"origination_date": "2025x03x04"}, "2025x03x04"),
        ({"origination_date": "yesterday!"}, "yesterday!"),
        ({"origination_time": "24:00:00"}, "24:00:00"),
        ({"origination_time": "12:60:00"}, "12:60:00"),
        ({"origination_time": "12x00x00"}, "12x00x00"),
        ({"time_reference": -1}, "-1"),
        ({"time_reference": 2**64}, "64 bits"),
        ({"version": 3}, "3 is not"),
        ({"umid": bytes(32)}, "64 bytes"),
        ({"umid": b"\x01" * 64}, "UMID"),
        ({"version": 1}, "no loudness"),
        ({"loudness_value": Decimal("-100")}, "-99.99"),
        ({"loudness_range": Decimal("-0.01")}, "0.00"),
        ({"loudness_range": Decimal("1e300")}, "99.99"),
        ({"coding_history": "A=PCM"}, "CR LF"),
        ({"coding_history": "A=PCM\nA=PCM\r\n"}, "CR LF"),
        ({"coding_history": "A=PCM,T=50 µs\r\n"}, "U+00B5"),
    ],
)
def test_unlawful_values_are_refused_by_name(change: dict[str, Any], word: str) -> None:
    with pytest.raises(RecordProblem) as caught:
        build_bext(replace(FULL, **change))
    assert word in caught.value.what
    assert next(iter(change)) in caught.value.where
    assert caught.value.todo


def test_older_versions_are_written_without_later_fields() -> None:
    names = ("loudness_value", "loudness_range", "max_true_peak", "max_momentary", "max_short_term")
    none: dict[str, Any] = dict.fromkeys(names)
    body = build_bext(replace(FULL, version=1, **none))
    assert body[412:602] == bytes(190)
    assert parse_bext(body)[0] == replace(FULL, version=1, **none)
    with pytest.raises(RecordProblem):
        build_bext(replace(FULL, version=0, **none))
    assert build_bext(replace(FULL, version=0, umid=NO_UMID, **none))[348:602] == bytes(254)


def test_too_short() -> None:
    bext, findings = parse_bext(bytes(601))
    assert bext is None
    assert [f.rule for f in findings] == ["wav-bext-too-short"]


def test_an_endless_history_is_cut() -> None:
    bext, findings = parse_bext(raw(history=b"," * (MAX_HISTORY + 1), **DATED))
    assert bext is not None
    assert len(bext.coding_history) == MAX_HISTORY
    assert [f.rule for f in findings] == ["wav-metadata-too-large"]
    rows, _ = parse_history(bext.coding_history)  # a row of a million commas: linear, not quadratic
    assert len(rows) == 1


def test_32_characters_without_nul() -> None:  # trap 8
    bext, findings = parse_bext(raw(reference=b"R" * 32, **DATED))
    assert bext is not None
    assert bext.originator_reference == "R" * 32
    assert findings == ()


def test_garbage_after_nul_is_ignored_and_told() -> None:  # trap 9
    bext, findings = parse_bext(raw(description=b"one\0two", history=b"A=PCM\r\n\0rubbish", **DATED))
    assert bext is not None
    assert (bext.description, bext.coding_history) == ("one", "A=PCM\r\n")
    assert [(f.rule, f.position["offset"]) for f in findings] == [
        ("wav-bext-stray-bytes", 3),
        ("wav-bext-stray-bytes", 609),
    ]


def test_history_padded_with_nul_is_not_garbage() -> None:  # trap 13
    bext, findings = parse_bext(raw(history=b"A=PCM\r\n" + bytes(249), **DATED))
    assert bext is not None
    assert (bext.coding_history, findings) == ("A=PCM\r\n", ())


@pytest.mark.parametrize(
    ("version", "umid", "kept", "flagged"),
    [
        (1, UMID, UMID, False),
        (1, NO_UMID, NO_UMID, False),
        (1, b"\x01" * 64, b"\x01" * 64, True),
        (2, b"0123456789abcdef", b"0123456789abcdef" + bytes(48), True),
    ],
)
def test_umid_label(version: int, umid: bytes, kept: bytes, flagged: bool) -> None:  # trap 9, SMPTE ST 330
    body = raw(version=version, umid=umid, loudness=(0,) * 5 if version < 2 else (0x7FFF,) * 5, **DATED)
    bext, findings = parse_bext(body)
    assert bext is not None
    assert bext.umid == kept
    assert bext.umid_is_valid is (kept == UMID)
    assert [f.rule for f in findings] == (["wav-umid-invalid"] if flagged else [])


def test_version_0_has_neither_umid_nor_loudness() -> None:  # trap 11
    bext, findings = parse_bext(raw(version=0, umid=UMID, loudness=(1, 2, 3, 4, 5), **DATED))
    assert bext is not None
    assert bext.umid == NO_UMID
    assert (bext.loudness_value, bext.max_short_term) == (None, None)
    assert [f.rule for f in findings] == ["wav-bext-stray-bytes"]


def test_version_1_has_no_loudness() -> None:
    bext, findings = parse_bext(raw(version=1, loudness=(-2300, 0, 0, 0, 0), **DATED))
    assert bext is not None
    assert bext.loudness_value is None
    assert [f.rule for f in findings] == ["wav-bext-stray-bytes"]


def test_reserved_bytes_of_version_2() -> None:
    assert ids(raw(reserved=1, **DATED)) == ["wav-bext-stray-bytes"]


def test_version_beyond_2_is_read_as_2() -> None:
    bext, findings = parse_bext(raw(version=7, loudness=(-2300, 500, -100, -1800, -2000), **DATED))
    assert bext is not None
    assert bext.loudness_value == Decimal("-23")
    assert [f.rule for f in findings] == ["wav-bext-version"]


def test_five_zeros_are_not_zero_loudness() -> None:  # trap 11
    bext, findings = parse_bext(raw(loudness=(0,) * 5, **DATED))
    assert bext is not None
    assert bext.loudness_value is None
    assert [f.rule for f in findings] == ["wav-loudness-all-zero"]


def test_loudness_out_of_range() -> None:
    bext, findings = parse_bext(raw(loudness=(-10000, -1, 9999, 0x7FFF, -32768), **DATED))
    assert bext is not None
    assert bext.max_true_peak == Decimal("99.99")
    assert (bext.loudness_value, bext.loudness_range, bext.max_momentary, bext.max_short_term) == (None,) * 4
    assert [f.position["offset"] for f in findings] == [412, 414, 420]


@pytest.mark.parametrize(
    ("date", "iso", "severities"),
    [
        (b"2025-03-04", "2025-03-04", []),
        (b"2019:01:01", "2019-01-01", ["note"]),
        (b"2019/01/01", "2019-01-01", ["note"]),
        (b"2011-05-0\0", None, ["warning"]),
        (b"BWDate", None, ["warning"]),
        (b"2025-13-01", None, ["warning"]),
        (b"\0" * 10, None, ["note"]),
    ],
)
def test_dates_are_kept_as_they_stand(date: bytes, iso: str | None, severities: list[str]) -> None:  # trap 10
    bext, findings = parse_bext(raw(date=date, time=b"05-06-07"))
    assert bext is not None
    assert bext.origination_date == date.rstrip(b"\0").decode("ascii")
    assert bext.iso_date == iso
    assert [f.severity for f in findings] == severities
    assert {f.rule for f in findings} <= {"wav-bext-date"}


@pytest.mark.parametrize(
    ("text", "iso"),
    [(b"23-59-59", "23:59:59"), (b"14:48:2\0", None), (b"24:00:00", None), (b"00:60:00", None), (b"", None)],
)
def test_times(text: bytes, iso: str | None) -> None:
    bext, findings = parse_bext(raw(date=b"2025-03-04", time=text))
    assert bext is not None
    assert bext.iso_time == iso
    assert len(findings) == (0 if iso else 1)


def test_time_reference_is_unsigned_64_bit() -> None:  # trap 12
    for value in (2_354_414_956, 2**31, 2**63 + 5, 2**64 - 1):
        bext, _ = parse_bext(raw(time_reference=value, **DATED))
        assert bext is not None
        assert bext.time_reference == value


@pytest.mark.parametrize(("text", "read"), [("Zoë".encode(), "Zoë"), (b"Zo\xeb", "Zoë"), (b"\x81", "\x81")])
def test_text_outside_ascii(text: bytes, read: str) -> None:
    bext, findings = parse_bext(raw(originator=text, **DATED))
    assert bext is not None
    assert bext.originator == read
    assert [f.rule for f in findings] == ["wav-text-not-ascii"]
