"""Zip archives read in place: lawful forms, and hostile ones. Zip APPNOTE.TXT 6.3, sections from memory."""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from support.archives import ZipMember, bag_zip, zip_archive
from support.bagmaking import rules_of

from provpack.chunks.source import BytesSource
from provpack.jobs.verify import VerifyResult
from provpack.package import archiverules as rules
from provpack.package import rules as bag_rules
from provpack.package.archivezip import read_zip

Bag = Callable[..., Path]
Verify = Callable[..., VerifyResult]
CRC = zlib.crc32(b"x")


def put(folder: Path, data: bytes, name: str = "bag.zip") -> Path:
    path = folder / "archives" / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("method", [0, 8])
@pytest.mark.parametrize("comment", [b"", b"made in the office"])
def test_a_good_bag_in_a_zip(bag: Bag, verify: Verify, tmp_path: Path, method: int, comment: bytes) -> None:
    members = bag_zip(bag(), method=method)
    (unit,) = verify(put(tmp_path, zip_archive(members, comment=comment))).units
    assert (unit.outcome, unit.verdict, unit.findings) == ("good", "good", ())
    assert (unit.name, unit.serialisation, unit.payload_files) == ("bag", "application/zip", 2)
    assert unit.identity == verify(tmp_path / "bag").units[0].identity


@pytest.mark.parametrize("signature", [b"PK\7\x08", b""])
@pytest.mark.parametrize("sizes", ["<III", "<IQQ"])
@pytest.mark.parametrize("method", [0, 8])
def test_data_descriptors(
    bag: Bag, verify: Verify, tmp_path: Path, signature: bytes, sizes: str, method: int
) -> None:
    # 4.3.9 and 4.4.4 bit 3: zeros in the local header, the figures behind the data
    members = []
    for one in bag_zip(bag(), method=method):
        full = one.filled()
        behind = signature + struct.pack(sizes, full.crc, full.stored, full.size)
        zeros = {"crc": 0, "stored": 0, "size": 0}
        members.append(replace(one, flags=0x0808, descriptor=behind, local=zeros))
    assert verify(put(tmp_path, zip_archive(members))).verdict == "good"
    members[0] = replace(members[0], descriptor=signature + struct.pack(sizes, 1, 2, 3))
    result = verify(put(tmp_path, zip_archive(members)))
    assert (result.outcome, rules_of(result)) == ("bad", [rules.CONTRADICTS.id])


def test_folders_and_aligned_extra_fields(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    folder = ZipMember(name=b"bag/data/", mode=0o040755)
    by_mode = ZipMember(name=b"bag/data/sub", mode=0o040755)
    members = [replace(m, extra=bytes(3)) for m in bag_zip(bag(), folder, by_mode)]
    assert verify(put(tmp_path, zip_archive(members))).verdict == "good"


def stored(name: bytes = b"bag/x", **told: object) -> ZipMember:
    return replace(ZipMember(name=name, data=b"x"), **told)  # type: ignore[arg-type]


BAD: dict[str, tuple[ZipMember, str]] = {
    "absolute": (stored(b"/etc/passwd"), rules.NAME_UNSAFE.id),
    "climbs": (stored(b"bag/../../x"), rules.NAME_UNSAFE.id),
    "drive": (stored(b"c:x"), rules.NAME_UNSAFE.id),
    "backslash": (stored(b"bag\\x"), rules.NAME_UNSAFE.id),
    "NUL": (stored(b"bag/x\0y"), rules.NAME_UNSAFE.id),
    "empty name": (stored(b""), rules.NAME_UNSAFE.id),
    "not the UTF-8 it says": (stored(b"bag/\xff"), rules.NAME_TEXT.id),
    "device": (stored(mode=0o020644), rules.SPECIAL.id),
    "pipe": (stored(mode=0o010644), rules.SPECIAL.id),
    "twice": (stored(b"bag/bagit.txt"), rules.NAME_TWICE.id),
    "file and folder": (stored(b"bag/bagit.txt/x"), rules.NAME_TWICE.id),
    "second top": (stored(b"other/x"), rules.TOP.id),
    "file at the top": (stored(b"x"), rules.TOP.id),
    "folder with content": (stored(b"bag/f/"), rules.CONTRADICTS.id),
    "other name in front": (stored(local={"name": b"bag/y"}), rules.CONTRADICTS.id),
    "other method in front": (stored(local={"method": 8}), rules.CONTRADICTS.id),
    "other size in front": (stored(local={"size": 0}), rules.CONTRADICTS.id),
    "other stored size in front": (stored(local={"stored": 0}), rules.CONTRADICTS.id),
    "other CRC in front": (stored(local={"crc": 0}), rules.CONTRADICTS.id),
    "other flags in front": (stored(local={"flags": 0}), rules.CONTRADICTS.id),
    "descriptor not announced": (stored(local={"crc": 0, "stored": 0, "size": 0}), rules.CONTRADICTS.id),
    "stored sizes differ": (stored(size=2), rules.CONTRADICTS.id),
    "size beyond": (stored(size=1 << 30, stored=1 << 30), rules.CUT_SHORT.id),
    "header elsewhere": (stored(offset=1), rules.OVERLAP.id),
    "header beyond": (stored(offset=1 << 30), rules.DAMAGED.id),
    "bytes between": (stored(gap=b"hidden"), rules.EXTRA_BYTES.id),
    "broken extra field": (stored(extra=b"\1\0\xff\0"), rules.DAMAGED.id),
    "Zip64 without its field": (stored(stored=0xFFFFFFFF, size=0xFFFFFFFF), rules.DAMAGED.id),
    "impossible growth": (stored(method=8, raw=b"\3\0", size=1 << 20), rules.DATA.id),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_archives(bag: Bag, verify: Verify, tmp_path: Path, case: str) -> None:
    extra, rule = BAD[case]
    result = verify(put(tmp_path, zip_archive(bag_zip(bag(), extra))), depth="meaning")
    assert result.outcome == "bad"
    assert rule in rules_of(result, "error")


COULD_NOT: dict[str, tuple[ZipMember, str]] = {
    "encrypted": (stored(b"bag/data/a2", flags=0x0801), rules.ENCRYPTED.id),
    "strongly encrypted": (stored(b"bag/data/a2", flags=0x0841), rules.ENCRYPTED.id),
    "bzip2": (stored(b"bag/data/a2", method=12), rules.METHOD.id),
    "unknown method": (stored(b"bag/data/a2", method=4711), rules.METHOD.id),
}


@pytest.mark.parametrize("case", COULD_NOT)
def test_what_is_not_read_is_neither_good_nor_bad(
    bag: Bag, verify: Verify, tmp_path: Path, case: str
) -> None:
    extra, rule = COULD_NOT[case]
    result = verify(put(tmp_path, zip_archive(bag_zip(bag(), extra))))
    assert result.outcome == "could_not_check"
    assert rule in rules_of(result, "error")


WHOLE: dict[str, tuple[dict[str, object], bytes, bytes, str, str]] = {
    # arguments, bytes in front, bytes behind -> outcome, rule
    "in front": ({}, b"MZ stub", b"", "bad", rules.EXTRA_BYTES.id),
    "in front, offsets told": ({"shift": 7}, b"MZ stub", b"", "bad", rules.DAMAGED.id),
    "behind": ({}, b"", b"trailing", "bad", rules.EXTRA_BYTES.id),
    "before the end": ({"before_end": b"hidden"}, b"", b"", "bad", rules.EXTRA_BYTES.id),
    "too many entries": ({"entries": 60_000}, b"", b"", "bad", rules.DAMAGED.id),
    "too few entries": ({"entries": 2}, b"", b"", "bad", rules.EXTRA_BYTES.id),
    "two ends": ({"comment": b"PK\5\6" + bytes(18)}, b"", b"", "bad", rules.CONTRADICTS.id),
    "in parts": ({"disk": 2}, b"", b"", "could_not_check", rules.IN_PARTS.id),
}


@pytest.mark.parametrize("case", WHOLE)
def test_whole_archives(bag: Bag, verify: Verify, tmp_path: Path, case: str) -> None:
    options, front, behind, outcome, rule = WHOLE[case]
    data = front + zip_archive(bag_zip(bag()), **options) + behind  # type: ignore[arg-type]
    result = verify(put(tmp_path, data))
    assert (result.outcome, rules_of(result, "error")) == (outcome, [rule])


def zip64_end(entries: int, size: int, start: int) -> bytes:
    record = struct.pack("<4sQ2H2I4Q", b"PK\6\6", 44, 45, 45, 0, 0, entries, entries, size, start)
    locator = struct.pack("<4sIQI", b"PK\6\7", 0, start + size, 1)
    return record + locator + struct.pack("<4s4H2IH", b"PK\5\6", 0, 0, *[0xFFFF] * 2, *[0xFFFFFFFF] * 2, 0)


def test_zip64_end_records(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    # 4.3.14 to 4.3.16
    members = bag_zip(bag())
    data = zip_archive(members)[:-22]
    size = struct.unpack("<I", zip_archive(members)[-10:-6])[0]
    good = data + zip64_end(len(members), size, len(data) - size)
    assert verify(put(tmp_path, good)).verdict == "good"
    millions = data + zip64_end(50_000_000, size, len(data) - size)
    assert rules_of(verify(put(tmp_path, millions))) == [rules.DAMAGED.id]
    elsewhere = data + zip64_end(len(members), size, len(data) - size - 1)
    assert verify(put(tmp_path, elsewhere)).outcome == "bad"
    differ = good[:-14] + struct.pack("<HHII", 3, 3, 0xFFFFFFFF, 0xFFFFFFFF) + good[-2:]
    assert rules_of(verify(put(tmp_path, differ))) == [rules.CONTRADICTS.id]


def deflated(data: bytes) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    return packer.compress(data) + packer.flush()


BOMB = bytes(3_000_000)
MEMBERS = {
    "goes on": {"raw": deflated(b"alpha and more"), "size": 5},
    "ends early": {"raw": deflated(b"alp"), "size": 5},
    "no end": {"raw": deflated(b"alpha")[:-1], "size": 5},
    "garbage": {"raw": b"\xff" * 20, "size": 5},
    "bytes behind": {"raw": deflated(b"alpha") + b"hidden", "size": 5},
    "bomb": {"raw": deflated(BOMB), "size": 5},
    "wrong CRC": {"raw": deflated(b"alpha"), "size": 5, "crc": 7},
}


@pytest.mark.parametrize("case", MEMBERS)
def test_members_that_do_not_unpack_to_what_is_said(
    bag: Bag, verify: Verify, tmp_path: Path, case: str
) -> None:
    members = [
        replace(m, data=b"alpha", **MEMBERS[case]) if m.name == b"bag/data/a.txt" else m  # type: ignore[arg-type]
        for m in bag_zip(bag(), method=8)
    ]
    result = verify(put(tmp_path, zip_archive(members)), depth="meaning")
    assert result.outcome == "bad"
    assert rules_of(result, "error") == [rules.DATA.id]
    assert result.units[0].findings[0].position["path"] == "data/a.txt"


def test_a_tag_file_that_does_not_unpack(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    members = [
        replace(m, raw=deflated(m.data)[:-2] + b"\xff\xff") if m.name == b"bag/manifest-sha512.txt" else m
        for m in bag_zip(bag(), method=8)
    ]
    result = verify(put(tmp_path, zip_archive(members)))
    assert result.outcome == "bad" and rules.DATA.id in rules_of(result)


def test_a_stored_member_with_a_wrong_crc_is_bad_though_its_digest_is_right(
    bag: Bag, verify: Verify, tmp_path: Path
) -> None:
    members = [replace(m, crc=9) if m.name.endswith(b"b.txt") else m for m in bag_zip(bag())]
    result = verify(put(tmp_path, zip_archive(members)))
    assert (result.outcome, rules_of(result)) == ("bad", [rules.DATA.id])


def test_growth_as_a_whole_is_bounded(
    bag: Bag, verify: Verify, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("provpack.package.archive.FREE", 1_000_000)
    blank = ZipMember(name=b"bag/data/blank", data=BOMB, method=8)
    result = verify(put(tmp_path, zip_archive(bag_zip(bag(), blank))))
    assert result.outcome == "could_not_check"
    assert rules_of(result) == [rules.TOO_MUCH.id]


def test_links_are_judged_as_in_a_folder(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    link = ZipMember(name=b"bag/data/l", data=b"/etc/passwd", mode=0o120777)
    assert "bag-link" in rules_of(verify(put(tmp_path, zip_archive(bag_zip(bag(), link)))), "error")
    tag = replace(link, name=b"bag/l")
    result = verify(put(tmp_path, zip_archive(bag_zip(bag("bag"), tag))))
    assert (result.outcome, rules_of(result)) == ("good", [bag_rules.LINK_PASSED.id])
    below = [tag, stored(b"bag/l/x")]
    result = verify(put(tmp_path, zip_archive(bag_zip(bag("bag"), *below))))
    assert result.outcome == "bad" and rules.LINK.id in rules_of(result)


@pytest.mark.parametrize(
    ("raw", "flags", "extra", "rule"),
    [
        ("data/Größe".encode(), 0x0800, b"", None),
        ("data/Größe".encode(), 0, b"", rules.NAME_ENCODING.id),
        ("data/Größe".encode("cp437"), 0, b"", rules.NAME_ENCODING.id),
        ("data/Größe".encode("cp437"), 0, b"unicode", None),
    ],
)
def test_encodings_of_names(
    bag: Bag, verify: Verify, tmp_path: Path, raw: bytes, flags: int, extra: bytes, rule: str | None
) -> None:
    # appendix D; 4.6.9: version 1, CRC-32 of the name in the header, the name in UTF-8
    root = bag(files={"data/Größe": b"x"})
    name = b"bag/" + raw
    if extra:
        body = b"\1" + struct.pack("<I", zlib.crc32(name)) + "bag/data/Größe".encode()
        extra = struct.pack("<HH", 0x7075, len(body)) + body
    members = [
        replace(m, name=name, flags=flags, extra=extra) if m.name.startswith(b"bag/data/") else m
        for m in bag_zip(root)
    ]
    result = verify(put(tmp_path, zip_archive(members)))
    assert result.outcome == "good"
    assert rules_of(result) == ([rule] if rule else [])


def test_times_that_differ_between_the_headers_are_told(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    data = bytearray(zip_archive(bag_zip(bag())))
    data[10] ^= 1  # time of the first local header (4.3.7)
    result = verify(put(tmp_path, bytes(data)))
    assert (result.verdict, rules_of(result)) == ("warnings", [rules.SLACK.id])


@pytest.mark.parametrize("keep", [0, 3, 22, 0.3, 0.9, -1])
def test_a_zip_cut_short(bag: Bag, verify: Verify, tmp_path: Path, keep: float) -> None:
    whole = zip_archive(bag_zip(bag()))
    end = int(len(whole) * keep) if isinstance(keep, float) else keep or 0
    result = verify(put(tmp_path, whole[:end]))
    assert result.outcome == "bad"
    assert set(rules_of(result)) <= {rules.CUT_SHORT.id, rules.EXTRA_BYTES.id}


def test_random_damage_never_breaks_the_reader(bag: Bag) -> None:
    whole, dice = zip_archive(bag_zip(bag(), method=8), comment=b"note"), random.Random(4)
    for _ in range(3000):
        data = bytearray(whole)
        for _ in range(dice.choice((1, 1, 3, 30))):
            # mostly in the directory and the end, where the figures are
            at = len(data) - 1 - dice.randrange(min(len(data), dice.choice((60, 900, len(data)))))
            data[at] = dice.choice((0, 1, 0x7F, 0xFF, dice.randrange(256)))
        contents = read_zip(BytesSource(bytes(data)))
        assert all(m.offset + m.stored <= len(data) for m in contents.members)
