"""Archives of forms that are seldom met: those GNU tar 1.34 writes (if it is installed), and hand-made ones
by POSIX.1-2001 pax and the zip APPNOTE.TXT 6.3 (sections from memory)."""

from __future__ import annotations

import shutil
import struct
import subprocess
import zlib
from dataclasses import replace
from pathlib import Path

import pytest
from support.archives import END, ZipMember, pax, tar_entry, zip_archive

from provpack.chunks.source import BytesSource
from provpack.findings import Rule
from provpack.package import archive, archivetar, archivezip
from provpack.package import archiverules as rules
from provpack.package.archive import Contents, top_directory
from provpack.package.archivetar import read_tar
from provpack.package.archivezip import looks_like_zip, read_zip


def told(contents: Contents) -> list[str]:
    return [f.rule for f in contents.findings]


def listed(contents: Contents) -> list[tuple[str, str, int]]:
    return [(m.path, m.kind, m.size) for m in contents.members]


# ---- tar


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    root = tmp_path / "tree"
    (root / "bag" / "data").mkdir(parents=True)
    (root / "bag" / "bagit.txt").write_bytes(b"declared")
    (root / "bag" / "data" / "far").symlink_to("x" * 120 + "/y")
    return root


BAG = [("bag", "directory", 0), ("bag/bagit.txt", "file", 8), ("bag/data", "directory", 0)]


@pytest.mark.parametrize(
    ("options", "more"),
    [
        (["--format=gnu", "--label=reel 7"], True),  # kind V, and kind K for the long target of the link
        (["--format=v7", "--exclude=far"], False),
        (["--format=oldgnu"], True),
        (["--format=ustar", "--exclude=far"], False),
        (["--format=pax"], True),
    ],
)
@pytest.mark.parametrize("dot", [False, True])
def test_what_gnu_tar_writes(tree: Path, options: list[str], more: bool, dot: bool) -> None:
    gnu = shutil.which("tar")
    if gnu is None or b"GNU tar" not in subprocess.run([gnu, "--version"], capture_output=True).stdout:
        pytest.skip("GNU tar is not installed")
    made = subprocess.run(
        [gnu, "--sort=name", *options, "-cf", "-", "-C", str(tree), "." if dot else "bag"],
        capture_output=True,
        check=True,
    )
    contents = read_tar(BytesSource(made.stdout))
    assert listed(contents) == BAG + ([("bag/data/far", "symlink", 0)] if more else [])
    assert contents.usable and told(contents) == []
    assert top_directory(contents) == ("bag", ())


def test_a_bag_whose_files_lie_at_the_top() -> None:
    flat = tar_entry(b"bagit.txt", b"x") + tar_entry(b"data/", b"", b"5") + tar_entry(b"data/a", b"x")
    top, (finding,) = top_directory(read_tar(BytesSource(flat + END)))
    assert top is None and finding.rule == rules.TOP.id
    assert finding.what.startswith("bagit.txt lies at its top, not in a directory. At its top are 2 things")


def test_a_folder_as_it_was_told_before_ustar() -> None:
    """POSIX.1-2001 pax, typeflag 0: a name that ends in a slash is that of a folder; folders hold nothing."""
    old = tar_entry(b"bag/data/", kind=b"\0", magic=b"") + tar_entry(b"bag/data/x", b"x", b"\0", magic=b"")
    contents = read_tar(BytesSource(old + END))
    assert (listed(contents), told(contents)) == (
        [("bag/data", "directory", 0), ("bag/data/x", "file", 1)],
        [],
    )
    full = read_tar(BytesSource(tar_entry(b"bag/data/", b"x", b"\0", magic=b"") + END))
    assert (told(full), full.usable) == ([rules.CONTRADICTS.id], False)


def checked_anew(entry: bytes, form: bytes) -> bytes:
    """The entry with its checksum written otherwise: the header as bytes, the field by this format."""
    blank = entry[:148] + b" " * 8 + entry[156:512]
    return entry[:148] + form % sum(blank) + entry[156:]


def test_a_checksum_in_an_unusual_form_is_told() -> None:
    # six digits, NUL, blank is what every writer of today has; the old ones put the blank first
    usual = tar_entry(b"bag/x", b"abc")
    assert checked_anew(usual, b"%06o\0 ") == usual
    for form in (b"%06o \0", b"%7o\0", b"%07o\0"):
        contents = read_tar(BytesSource(checked_anew(usual, form) + END))
        assert listed(contents) == [("bag/x", "file", 3)]
        assert (told(contents), contents.sound) == ([rules.SLACK.id], True)
    signed = tar_entry("bag/ä".encode(), b"abc")
    low = sum(b - 256 if b > 127 else b for b in signed[:148] + b" " * 8 + signed[156:512])
    assert told(read_tar(BytesSource(signed[:148] + b"%06o\0 " % low + signed[156:] + END))) == []
    other = read_tar(BytesSource(signed[:148] + b"%06o\0 " % (low + 1) + signed[156:] + END))
    assert (told(other), other.usable) == ([rules.DAMAGED.id], False)


@pytest.mark.parametrize(
    "body", [b"x path=a\n", b"path=a\n", b"5 abc", b"9 path a\n", b"6 =ab\n", b"3 \n", b"-1 a=b\n"]
)
def test_an_extended_header_that_is_not_made_of_records(body: bytes) -> None:
    contents = read_tar(BytesSource(tar_entry(b"p", body, b"x") + tar_entry(b"bag/x", b"x") + END))
    assert (told(contents), contents.usable, contents.members) == ([rules.DAMAGED.id], False, ())
    (finding,) = contents.findings
    assert "'length key=value'" in finding.what


def test_zeros_behind_the_end_are_looked_at_up_to_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archivetar, "MAX_TRAILER", 4096)
    whole = tar_entry(b"bag/x", b"x") + END
    assert told(read_tar(BytesSource(whole + bytes(4096 - 512)))) == []
    contents = read_tar(BytesSource(whole + bytes(4096 - 512 + 3)))
    assert told(contents) == [rules.EXTRA_BYTES.id]
    assert "3 bytes after the end were not looked at" in contents.findings[0].what


def test_a_tar_that_ends_within_a_block() -> None:
    whole = tar_entry(b"bag/x", b"abc")
    for end in (513, 600, 1023):
        contents = read_tar(BytesSource(whole[: 512 + 3] if end == 513 else whole[:end]))
        assert (told(contents), contents.usable) == ([rules.CUT_SHORT.id], False)
        assert "within a block" in contents.findings[0].what


def test_a_long_target_of_a_link_that_comes_alone() -> None:
    """Kind K speaks of the next member's target only: the name stays as it is."""
    long = tar_entry(b"././@LongLink", b"t" * 150 + b"\0", b"K", magic=b"ustar  \0")
    contents = read_tar(BytesSource(long + tar_entry(b"bag/x", b"x") + END))
    assert (listed(contents), told(contents)) == ([("bag/x", "file", 1)], [])
    assert told(read_tar(BytesSource(pax((b"path", b"y"), kind=b"g") + tar_entry(b"x") + END))) == [
        rules.CONTRADICTS.id
    ]


# ---- zip


X = ZipMember(name=b"bag/x", data=b"x")


def test_what_begins_like_a_zip() -> None:
    assert looks_like_zip(zip_archive([X])) and looks_like_zip(zip_archive([]))
    assert not looks_like_zip(b"PK\1\2") and not looks_like_zip(b"PK") and not looks_like_zip(b"")
    assert listed(read_zip(BytesSource(zip_archive([])))) == []


def test_more_than_is_listed() -> None:
    deep = ZipMember(name=b"a/" * (archive.MAX_DEPTH + 1) + b"x", data=b"x")
    contents = read_zip(BytesSource(zip_archive([X, deep, replace(X, name=b"bag/y")])))
    assert listed(contents) == [("bag/x", "file", 1)]
    assert (told(contents), contents.complete) == ([rules.TOO_MUCH.id], False)


def test_bytes_of_nobody_before_the_directory() -> None:
    contents = read_zip(BytesSource(zip_archive([X, replace(X, name=b"bag/y", descriptor=b"hidden")])))
    assert told(contents) == [rules.EXTRA_BYTES.id]
    assert contents.findings[0].what.startswith("6 bytes in front of the central directory")


@pytest.mark.parametrize(("bound", "most"), [("MAX_MEMBERS", 1), ("MAX_DIRECTORY", 100)])
def test_a_directory_that_is_too_long(monkeypatch: pytest.MonkeyPatch, bound: str, most: int) -> None:
    data = zip_archive([X, replace(X, name=b"bag/y")])
    assert len(read_zip(BytesSource(data)).members) == 2
    monkeypatch.setattr(archivezip, bound, most)
    contents = read_zip(BytesSource(data))
    assert (told(contents), contents.usable, contents.members) == ([rules.TOO_MUCH.id], False, ())


TWO = [X, replace(X, name=b"bag/y")]


def damaged(at: bytes, add: int, form: str, value: int) -> Contents:
    """The archive of two members with one field set otherwise, counted from the last place of these bytes."""
    data = bytearray(zip_archive(TWO))
    struct.pack_into(form, data, data.rindex(at) + add, value)
    return read_zip(BytesSource(bytes(data)))


@pytest.mark.parametrize(
    ("at", "add", "form", "value", "rule", "words"),
    [
        # the end record, 4.3.16: size of the directory at 12
        (b"PK\5\6", 12, "<I", 5000, rules.DAMAGED, "would reach beyond its own end record"),
        # a header of the directory, 4.3.12: its signature, lengths at 28 to 32, disk at 34, offset at 42
        (b"PK\1\2", 0, "<I", 0, rules.DAMAGED, "A header of the central directory is not there"),
        (b"PK\1\2", 28, "<H", 500, rules.DAMAGED, "A header reaches beyond the central directory"),
        (b"PK\1\2", 34, "<H", 3, rules.IN_PARTS, "lies in another part"),
        (b"PK\1\2", 42, "<I", 2, rules.OVERLAP, "within the member before it"),
        # a local header, 4.3.7: its signature, length of the extra fields at 28
        (b"PK\3\4", 0, "<I", 0, rules.DAMAGED, "there is no local header of 'bag/y'"),
        (b"PK\3\4", 28, "<H", 60_000, rules.DAMAGED, "has broken extra fields"),
    ],
)
def test_a_field_of_a_header_that_is_wrong(
    at: bytes, add: int, form: str, value: int, rule: Rule, words: str
) -> None:
    contents = damaged(at, add, form, value)
    assert (told(contents), contents.usable) == ([rule.id], False)
    assert words in contents.findings[0].what


def with_zip64_end(members: list[ZipMember], **wrong: int) -> bytes:
    """The archive with Zip64 end records (4.3.14, 4.3.15), one of their fields set wrong."""
    plain = zip_archive(members)
    data, size = plain[:-22], struct.unpack("<I", plain[-10:-6])[0]
    told = {
        "length": 44, "this": 0, "first": 0, "here": len(members), "disk": 0, "disks": 1, **wrong,
    }  # fmt: skip
    record = struct.pack(
        "<4sQ2H2I4Q", b"PK\6\6", told["length"], 45, 45, told["this"], told["first"], told["here"],
        len(members), size, len(data) - size,
    )  # fmt: skip
    locator = struct.pack("<4sIQI", b"PK\6\7", told["disk"], len(data), told["disks"])
    full = (0xFFFF, 0xFFFF, 0xFFFFFFFF, 0xFFFFFFFF)
    return data + record + locator + struct.pack("<4s4H2IH", b"PK\5\6", 0, 0, *full, 0)


@pytest.mark.parametrize(
    ("wrong", "rule"),
    [
        ({}, None),
        ({"disks": 0}, None),
        ({"length": 45}, rules.EXTRA_BYTES),
        ({"length": 43}, rules.EXTRA_BYTES),
        ({"this": 1}, rules.IN_PARTS),
        ({"first": 1}, rules.IN_PARTS),
        ({"disk": 1}, rules.IN_PARTS),
        ({"disks": 2}, rules.IN_PARTS),
        ({"here": 1}, rules.IN_PARTS),
    ],
)
def test_zip64_ends_that_are_wrong(wrong: dict[str, int], rule: Rule | None) -> None:
    contents = read_zip(BytesSource(with_zip64_end([X, replace(X, name=b"bag/y")], **wrong)))
    assert told(contents) == ([rule.id] if rule else [])
    assert len(contents.members) == (0 if rule else 2)


def test_a_descriptor_that_is_read_out_of_the_directory() -> None:
    """The directory is laid out so that its own first bytes say what the descriptor of the last member must
    say: CRC = the signature PK\\1\\2, stored = the versions, size = flags and method (4.3.9, 4.3.12)."""
    stored = 20 << 16  # made by 0, needed 2.0
    member = ZipMember(
        name=b"bag/x", raw=bytes(stored), flags=0x0008, crc=0x02014B50, stored=stored, size=8, made_by=0,
        local={"crc": 0, "stored": 0, "size": 0},
    )  # fmt: skip
    contents = read_zip(BytesSource(zip_archive([member])))
    assert (told(contents), contents.usable, contents.members) == ([rules.OVERLAP.id], False, ())


def test_a_descriptor_of_a_member_beyond_four_gibibytes() -> None:
    """Its sizes have eight bytes there (4.3.9.2); what it claims to unpack to is then weighed too."""
    size, raw = 5 << 30, b"\3\0"
    extra = struct.pack("<HHQ", 1, 8, size)
    member = ZipMember(
        name=b"bag/x", raw=raw, method=8, flags=0x0808, size=0xFFFFFFFF, stored=2, crc=7, extra=extra,
        local={"crc": 0, "stored": 0, "size": 0xFFFFFFFF},
        descriptor=struct.pack("<IQQ", 7, 2, size),
    )  # fmt: skip
    contents = read_zip(BytesSource(zip_archive([member])))
    assert told(contents) == [rules.DATA.id]
    assert f"claims to unpack to {size} bytes, from 2" in contents.findings[0].what
    wrong = replace(member, descriptor=struct.pack("<IQQ", 7, 2, size + 1))
    assert told(read_zip(BytesSource(zip_archive([wrong])))) == [rules.CONTRADICTS.id]


def test_a_second_name_that_is_not_the_text_it_is_said_to_be() -> None:
    # 4.6.9: version 1, CRC-32 of the name in the header, the name in UTF-8
    def named(second: bytes) -> Contents:
        name = b"bag/\x84"
        field = b"\1" + struct.pack("<I", zlib.crc32(name)) + second
        extra = struct.pack("<HH", 0x7075, len(field)) + field
        return read_zip(BytesSource(zip_archive([replace(X, name=name, flags=0, extra=extra)])))

    assert listed(named("bag/ä".encode())) == [("bag/ä", "file", 1)]
    contents = named(b"bag/\xff")
    assert (told(contents), contents.members) == ([rules.NAME_TEXT.id], ())
    assert "its second name is said to be UTF-8 and is not" in contents.findings[0].what
