"""Short answers whose every branch counts: media types, digest lengths, quoted encodings, sealing times."""

from __future__ import annotations

import hashlib
import struct
from datetime import UTC, datetime
from fractions import Fraction

import pytest

from provpack.package.archivebytes import DOS_DATE, DOS_TIME
from provpack.package.archivezip import _large
from provpack.package.bagdeclaration import parse_declaration
from provpack.package.baginfo import parse_bag_info
from provpack.package.bagtext import DIGEST_LENGTH
from provpack.package.bagwrite import BAGIT_TXT
from provpack.package.dublincore import urn
from provpack.package.layout import media_type
from provpack.package.ledgerwords import sentence
from provpack.package.mets_struct import area_words
from provpack.package.mets_time import clock_time
from provpack.package.names import MAX_NAME_BYTES, distinct_file_names, safe_file_name
from provpack.package.signwords import signature_steps


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("data/a.b/tape-12.PNG", "image/png"),
        (".pdf", "application/pdf"),
        ("README", "application/octet-stream"),
        ("png", "application/octet-stream"),
        ("a.png.xyz", "application/octet-stream"),
    ],
)
def test_media_type_by_the_last_extension(name: str, kind: str) -> None:
    assert media_type(name) == kind


@pytest.mark.parametrize("algorithm", sorted(DIGEST_LENGTH))
def test_digest_lengths_are_those_of_the_algorithms(algorithm: str) -> None:
    """Source: hashlib, where it has the algorithm; SM3 has 256 bits (GB/T 32905, from memory)."""
    length = DIGEST_LENGTH[algorithm]
    assert length % 8 == 0
    if algorithm == "sm3":
        assert length == 64
    names = {name.lower().replace("-", "").replace("_", ""): name for name in hashlib.algorithms_available}
    if algorithm in names:
        try:
            made = hashlib.new(names[algorithm])
        except ValueError:  # the library knows the name and has it switched off
            return
        assert made.digest_size * 2 == length


def test_an_encoding_is_quoted_to_80_characters() -> None:
    name = "x" * 79 + "yz"
    data = f"BagIt-Version: 1.0\nTag-File-Character-Encoding: {name}\n".encode()
    (finding,) = (f for f in parse_declaration(data).findings if "declared to be in" in f.what)
    assert f"'{name[:80]}'" in finding.what and "z" not in finding.what.partition(",")[0]


def test_nothing_continues_an_element_after_a_blank_line() -> None:
    declaration = parse_declaration(BAGIT_TXT)
    read = parse_bag_info(b"Contact-Name: A\n goes on\n\n does not\n", declaration)
    assert [(e.label, e.value, e.line) for e in read.elements] == [("Contact-Name", "A\ngoes on", 1)]
    assert ["continuation" in f.what for f in read.findings] == [False, True]
    assert "line 4" in read.findings[1].where


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (
            {"kind": "pass_made", "carrier_id": "C-1", "transfer_id": "T-2", "pass_n": 3, "chain_id": "A",
             "equipment_ids": ["deck-a", "dec-b"], "pass_outcome": "clean"},
            "C-1 T-2 pass 3 on chain A (deck-a, dec-b) clean.",
        ),
        ({"kind": "pass_made"}, "."),
        ({"kind": "pass_made", "equipment_ids": [], "pass_n": "3"}, "."),
        ({"kind": "fixity_checked", "package": "P", "depth": "full", "outcome": "good"}, "P (full): good."),
        ({"kind": "fixity_checked"}, "(depth unknown): unknown."),
        ({"kind": "note", "place": "vault 2", "since": "2031", "until": "2032", "note": "Dry."},
         "at vault 2 since 2031 until 2032. Dry."),
        ({"kind": "accepted", "organisation": "Archive", "person": "I. Varrow"}, "by Archive (I. Varrow)."),
    ],
)  # fmt: skip
def test_a_line_of_the_ledger_in_words(entry: dict[str, object], words: str) -> None:
    said = sentence(entry)
    assert said.endswith(words)
    assert said.removesuffix(words).strip().replace(" ", "").isalpha()


def test_names_no_system_can_hold_are_made_safe() -> None:
    assert safe_file_name("con.wav") == "x_con.wav"
    assert safe_file_name("concert.wav") == "concert.wav"
    first, second = distinct_file_names(["tape", "TAPE"])
    assert first == "tape" and second.lower().startswith("tape") and len({first.lower(), second.lower()}) == 2
    long = "a" * 500
    one, two = distinct_file_names([long, long.upper()])
    assert max(len(one), len(two)) <= MAX_NAME_BYTES and one.lower() != two.lower()


@pytest.mark.parametrize(
    ("sealed_at", "words", "stamp"),
    [
        (datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC), "time of sealing in UTC:", "20310506070809Z"),
        (None, "time of sealing (year, month, day, hour, minute, second in UTC):", "YYYYMMDDHHMMSSZ"),
    ],
)
def test_the_time_of_sealing_is_asked_for_where_it_is_not_known(
    sealed_at: datetime | None, words: str, stamp: str
) -> None:
    steps = "\n".join(signature_steps("op@example", "ns", "SHA256:abc", sealed_at=sealed_at))
    assert words in " ".join(steps.split())
    assert f"verify-time={stamp} " in steps


def test_frames_of_a_stretch_in_words_and_on_the_clock() -> None:
    rate = Fraction(44_100_000, 1001)
    assert area_words(3, 9, rate) == "frames 3 to 9, end not included, at 44100000/1001 Hz"
    assert area_words(3, None, rate) == "from frame 3, at 44100000/1001 Hz"
    assert clock_time(44_100_000, rate) == "00:16:41.000000"
    assert clock_time(1, Fraction(2_000_000)) == "00:00:00.000001"  # half a microsecond goes up
    assert (urn("abc"), urn(""), urn(None)) == ("urn:uuid:abc", None, None)


U32 = 0xFFFFFFFF


@pytest.mark.parametrize(
    ("told", "values", "answer"),
    [
        ((1, 2, 3), (), (1, 2, 3)),
        ((U32, 2, 3), (7 << 32,), (7 << 32, 2, 3)),
        ((U32, U32, U32), (7 << 32, 8 << 32, 9 << 32), (7 << 32, 8 << 32, 9 << 32)),
        ((1, 2, U32), (9 << 32,), (1, 2, 9 << 32)),
        ((U32, 2, U32), (7 << 32,), None),
    ],
)
def test_sizes_beyond_32_bits_stand_in_the_zip64_field(
    told: tuple[int, int, int], values: tuple[int, ...], answer: tuple[int, int, int] | None
) -> None:
    """APPNOTE 4.5.1 (fields) and 4.5.3 (field 0x0001: only what does not fit, in this order)."""
    body = struct.pack(f"<{len(values)}Q", *values)
    other = struct.pack("<HHI", 0x5455, 4, 5)
    assert _large(other + struct.pack("<HH", 1, len(body)) + body, told) == answer
    assert _large(other, told) == (told if U32 not in told else None)
    assert _large(struct.pack("<HH", 1, len(body) + 1) + body, told) is None


def test_the_earliest_date_of_zip() -> None:
    """APPNOTE 4.4.6: year from 1980 in bits 9 to 15, month in 5 to 8, day in 0 to 4; midnight is 0."""
    assert (DOS_DATE >> 9, DOS_DATE >> 5 & 15, DOS_DATE & 31, DOS_TIME) == (0, 1, 1, 0)
