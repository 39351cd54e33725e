"""Limits of what is read from strangers and of what is told, from both sides. The numbers are those written
at each limit in provpack/package (ours, unless a source is named), written out here, so that one that moves
is noticed."""

from __future__ import annotations

import pytest
from support.archives import END, ZipMember, tar_entry, zip_archive
from unit.sign.test_key_stretching import PBKDF2, SCRYPT, key

from provpack.chunks.source import BytesSource
from provpack.errors import InputProblem
from provpack.package import archiverules, bagrules
from provpack.package.archive import Gatherer, Member
from provpack.package.archivetar import read_tar
from provpack.package.archivezip import read_zip
from provpack.package.audio_object_notes import shorten
from provpack.package.bagdeclaration import Declaration
from provpack.package.bagpaths import Findings
from provpack.package.bagprofile_json import read_document
from provpack.package.bagtext import parse_manifest
from provpack.package.benchglob import pattern_fault
from provpack.package.keystretch import check_stretching
from provpack.package.ledgertorn import may_be_torn
from provpack.package.names import package_name, safe_file_name
from provpack.package.signers import matches, parse_signers
from provpack.package.sshsig import parse_signature
from provpack.package.sshwire import NotWire, WireReader, wire_string

# ---- archives


def member(**more: object) -> Member:
    made = {"path": "bag/x", "kind": "file", "size": 1, "offset": 0, "stored": 1, "header": 0}
    return Member(**{**made, **more})  # type: ignore[arg-type]


@pytest.mark.parametrize(("members", "room"), [(249_999, True), (250_000, False)])
def test_so_many_members_are_listed(members: int, room: bool) -> None:
    gather = Gatherer(archive_size=1, members=[member()] * members)
    assert gather.room(b"bag/y") == room == gather.complete


@pytest.mark.parametrize(("length", "room"), [(32 * 1024 * 1024, True), (32 * 1024 * 1024 + 1, False)])
def test_so_many_bytes_of_names_are_kept(length: int, room: bool) -> None:
    gather = Gatherer(archive_size=1)
    assert gather.room(b"x" * 1024) and gather.room(b"x" * (length - 1024)) == room


@pytest.mark.parametrize(("folders", "room"), [(130, True), (131, False)])
def test_so_deep_a_member_may_lie(folders: int, room: bool) -> None:
    assert Gatherer(archive_size=1).room(b"a/" * folders + b"x") == room


@pytest.mark.parametrize(("more", "usable"), [(0, True), (1, False)])
def test_what_an_archive_may_unpack_to(more: int, usable: bool) -> None:
    """Sixteen GiB, and a hundred times the archive."""
    gather = Gatherer(archive_size=1000)
    gather.take(member(size=16 * 1024**3 + 100 * 1000 + more, method="deflated"))
    assert gather.done().usable == usable


def test_a_thousand_letters_of_a_name_are_told() -> None:
    gather = Gatherer(archive_size=1)
    gather.say(archiverules.DAMAGED, "w" * 2001, 7, "n" * 1001)
    (found,) = gather.done().findings
    assert found.where == "n" * 1000 + ", offset 7" and found.what == "w" * 2000


@pytest.mark.parametrize(("size", "told"), [(2064, []), (2065, [archiverules.DATA.id])])
def test_what_deflate_can_come_to(size: int, told: list[str]) -> None:
    """1032:1, the most that deflate packs (zlib, "Technical Details", from memory): 2064 from two bytes."""
    packed = ZipMember(name=b"bag/x", method=8, raw=b"\3\0", size=size)
    assert [f.rule for f in read_zip(BytesSource(zip_archive([packed]))).findings] == told


@pytest.mark.parametrize(("length", "told"), [(262_144, []), (262_145, [archiverules.TOO_MUCH.id])])
def test_so_long_an_extended_header_is_read(length: int, told: list[str]) -> None:
    record = b"%d comment=" % length
    body = record + b"x" * (length - len(record) - 1) + b"\n"
    data = tar_entry(b"p", body, b"x") + tar_entry(b"bag/x", b"x") + END
    contents = read_tar(BytesSource(data))
    assert [f.rule for f in contents.findings] == told and contents.usable == (not told)


@pytest.mark.parametrize("beyond", [0, 3])
def test_so_many_zeros_behind_the_end_are_looked_at(beyond: int) -> None:
    data = tar_entry(b"bag/x", b"x") + END + bytes(16 * 1024 * 1024 - 512 + beyond)
    told = [f.what for f in read_tar(BytesSource(data)).findings]
    assert told == ["3 bytes after the end were not looked at."] * (beyond > 0)


# ---- texts

BAGIT = Declaration(version=(1, 0), encoding="UTF-8", codec="utf-8", findings=())


@pytest.mark.parametrize(
    ("times", "listed", "more"), [(10_000, 10_000, 0), (10_001, 10_000, 1), (10_500, 10_000, 500)]
)
def test_ten_thousand_findings_of_a_rule_are_listed(times: int, listed: int, more: int) -> None:
    found = Findings("manifest-sha512.txt")
    for n in range(times):
        found.add(bagrules.MANIFEST_LINE, "x", line=n)
    told = found.done()
    assert len(told) == listed + (more > 0)
    assert not more or told[-1].what == f"{more} more of the same kind are not listed."


def test_after_a_hundred_thousand_faults_nothing_is_read_on() -> None:
    found = Findings("manifest-sha512.txt")
    found._count[f"{bagrules.MANIFEST_LINE.id} error"] = 99_999  # as if so many had been added
    for more in (0, 1):
        found.add(bagrules.MANIFEST_LINE, "x", severity="error")
        assert found.hopeless(bagrules.MANIFEST_LINE) == bool(more)


@pytest.mark.parametrize(("length", "read"), [(65_536, True), (65_537, False)])
def test_how_long_a_line_of_a_manifest_may_be(length: int, read: bool) -> None:
    line = "ab" * 64 + "  data/"
    data = f"{line}{'x' * (length - len(line))}\n".encode()
    manifest = parse_manifest(data, "manifest-sha512.txt", BAGIT)
    assert len(manifest.lines) == read
    assert [f.rule for f in manifest.findings] == [bagrules.MANIFEST_LINE.id] * (not read)


def test_how_large_a_document_of_a_stranger_may_be() -> None:
    def why(text: str) -> str:
        return read_document(text.encode())[1]

    most = '{"a":"' + "x" * (1024 * 1024 - 8) + '"}'
    assert (why(most), why(most + " ")) == ("", "it is larger than 1048576 bytes")
    deep = ['{"a":' + "[" * n + "]" * n + "}" for n in (15, 16)]
    assert [why(text) for text in deep] == ["", "it is nested too deeply"]
    many = ['{"a":[' + ",".join("1" * n) + "]}" for n in (19_999, 20_000)]
    assert [why(text) for text in many] == ["", "it has more than 20000 entries"]
    twice = "{" + ",".join(f'"{n}":1,"{n}":2' for n in range(21)) + "}"
    assert len(read_document(twice.encode())[2]) == 20


@pytest.mark.parametrize(("parts", "fault"), [(64, ""), (65, "names more than 64 folders")])
def test_so_many_folders_a_pattern_may_name(parts: int, fault: str) -> None:
    assert pattern_fault("/".join("a" * parts)) == fault


@pytest.mark.parametrize(
    ("job", "name"),
    [
        ("a" * 96, "a" * 96 + "_t01"),
        ("a" * 97, "a" * 91 + "-"),  # and eight letters that tell two such names apart
    ],
)
def test_how_long_a_name_may_be(job: str, name: str) -> None:
    found = package_name(job, "T01")
    assert found.startswith(name) and len(found) == 100


def test_how_long_an_extension_may_be() -> None:
    assert safe_file_name("a." + "b" * 12) == "a." + "b" * 12
    assert safe_file_name("a." + "b" * 13) == "a." + "b" * 12


@pytest.mark.parametrize("length", [1000, 1001])
def test_a_thousand_letters_of_a_note_are_repeated(length: int) -> None:
    told = shorten("x" * length)
    assert told == ("x" * 1000 if length == 1000 else "x" * 1000 + "… (the whole stands in record.json)")


# ---- the end of a ledger, cut short


@pytest.mark.parametrize(("number", "most"), [(1, 1024 * 1024), (0, 256 * 1024)])
def test_how_long_the_beginning_of_an_entry_may_be(number: int, most: int) -> None:
    """The second where no entry stands before, and nothing else speaks for a ledger."""
    begun = b'{"kind":"'
    assert may_be_torn(begun + b"x" * (most - len(begun)), number, "ab" * 64)
    assert not may_be_torn(begun + b"x" * (most - len(begun) + 1), number, "ab" * 64)


@pytest.mark.parametrize(("deep", "torn"), [(19, True), (20, False)])
def test_how_deep_it_may_be(deep: int, torn: bool) -> None:
    """Twenty brackets, with that of the entry."""
    assert may_be_torn(b'{"a":' + b"[" * deep, 1, "ab" * 64) == torn


# ---- signatures


def test_how_long_a_field_of_a_signature_may_be() -> None:
    assert len(WireReader(wire_string(b"x" * 65_536)).string()) == 65_536
    with pytest.raises(NotWire, match="a field of 65537 bytes"):
        WireReader(wire_string(b"x" * 65_537)).string()


@pytest.mark.parametrize(("length", "large"), [(32_768, False), (32_769, True)])
def test_how_large_a_signature_may_be(length: int, large: bool) -> None:
    with pytest.raises(InputProblem) as told:
        parse_signature(b"A" * length, "x.sig")
    assert ("it is larger than 32768 bytes" in told.value.what) == large


def test_how_large_a_list_of_signers_may_be() -> None:
    most = (b"#" * 32_767 + b"\n") * 32
    assert len(most) == 1024 * 1024 and parse_signers(most, "s").lines == ()
    with pytest.raises(InputProblem, match="larger than 1048576 bytes"):
        parse_signers(most + b"\n", "s")


@pytest.mark.parametrize(("length", "told"), [(32_768, 0), (32_769, 1)])
def test_how_long_a_line_of_it_may_be(length: int, told: int) -> None:
    found = parse_signers(b"#" * length, "s").findings
    assert [f.what for f in found if "longer than" in f.what] == [
        "The line is longer than 32768 bytes."
    ] * told


@pytest.mark.parametrize(("length", "taken"), [(1022, True), (1023, False)])
def test_how_long_a_pattern_may_be(length: int, taken: bool) -> None:
    """OpenSSH, match.c, match_pattern_list: 1024 bytes with the end of the text (from memory)."""
    assert matches("a" * length, "a" * length) == taken


@pytest.mark.parametrize(
    ("body", "good"),
    [
        (key(PBKDF2, 20_000_000), True),
        (key(PBKDF2, 20_000_001), False),
        (key(SCRYPT, 2**18, 8, 1), True),  # 2^21 in all, RFC 7914 section 5: 256 MiB
        (key(SCRYPT, 2**18, 8, 2), False),
        (key(SCRYPT, 2**21 + 1, 1, 1), False),
    ],
)
def test_how_much_work_a_passphrase_may_be(body: bytes, good: bool) -> None:
    if good:
        check_stretching(body, "key")
        return
    with pytest.raises(InputProblem, match="stretched by more work"):
        check_stretching(body, "key")
