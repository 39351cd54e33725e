"""Tar archives read in place: lawful forms, and hostile ones. POSIX.1-2001 pax, from memory; RFC 8493 5.1."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from support.archives import END, bag_files, bag_tar, pax, tar_entry
from support.bagmaking import rules_of

from provpack.chunks.source import BytesSource
from provpack.jobs.verify import VerifyResult
from provpack.package import archiverules as rules
from provpack.package import archivetar
from provpack.package.archivetar import read_tar

Bag = Callable[..., Path]
Verify = Callable[..., VerifyResult]


def put(folder: Path, data: bytes, name: str = "bag.tar") -> Path:
    path = folder / "archives" / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)
    return path


def test_a_good_bag_in_a_tar(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    (unit,) = verify(put(tmp_path, bag_tar(bag()))).units
    assert (unit.outcome, unit.verdict, unit.findings) == ("good", "good", ())
    assert (unit.name, unit.serialisation, unit.payload_files) == ("bag", "application/x-tar", 2)
    assert unit.identity == verify(tmp_path / "bag").units[0].identity


@pytest.mark.parametrize(
    "form", ["pax", "gnu", "prefix", "old", "dot", "folders", "contiguous", "binary size", "pax size"]
)
def test_lawful_forms(bag: Bag, verify: Verify, tmp_path: Path, form: str) -> None:
    long = "data/" + "x" * 60 + "/" + "y" * 60
    root = bag(files={long: b"long", "data/b": b"beta"})
    out = b""
    for name, data in bag_files(root):
        raw = name.encode()
        head, _, tail = raw.rpartition(b"/")
        if form == "gnu":
            out += tar_entry(b"././@LongLink", raw + b"\0", b"L", magic=b"ustar  \0")
            out += tar_entry(raw[:100], data, magic=b"ustar  \0")
        elif form == "prefix" or (form != "pax" and len(raw) > 95):
            out += tar_entry(tail, data, prefix=head)
        elif form == "pax":
            out += pax((b"path", raw), (b"mtime", b"1.5")) + tar_entry(b"other", data)
        elif form == "old":
            out += tar_entry(raw, data, b"\0", magic=b"")
        elif form == "dot":
            out += tar_entry(b"./" + raw, data)
        elif form == "folders":
            out += tar_entry(head + b"/", b"", b"5") + tar_entry(raw, data)
        elif form == "contiguous":
            out += tar_entry(raw, data, b"7")
        elif form == "binary size":
            out += tar_entry(raw, data, size=b"\x80" + len(data).to_bytes(11, "big"))
        else:
            out += pax((b"size", b"%d" % len(data))) + tar_entry(raw, data, size=b"%011o\0" % 7)
    assert verify(put(tmp_path, out + END)).verdict == "good"


BAD: dict[str, tuple[bytes, str]] = {
    "absolute": (tar_entry(b"/etc/passwd", b"x"), rules.NAME_UNSAFE.id),
    "climbs": (tar_entry(b"bag/../../x", b"x"), rules.NAME_UNSAFE.id),
    "climbs, pax": (pax((b"path", b"bag/../../x")) + tar_entry(b"bag/x", b"x"), rules.NAME_UNSAFE.id),
    "drive": (tar_entry(b"C:/x", b"x"), rules.NAME_UNSAFE.id),
    "backslash first": (tar_entry(b"\\\\host\\x", b"x"), rules.NAME_UNSAFE.id),
    "backslash climbs": (tar_entry(b"bag\\..\\x", b"x"), rules.NAME_UNSAFE.id),
    "NUL": (pax((b"path", b"bag/a\0b")) + tar_entry(b"x", b"x"), rules.NAME_UNSAFE.id),
    "empty name": (tar_entry(b"", b"x"), rules.NAME_UNSAFE.id),
    "hard link outside": (tar_entry(b"bag/l", b"", b"1", link=b"../../etc/passwd"), rules.NAME_UNSAFE.id),
    "device": (tar_entry(b"bag/dev", b"", b"3"), rules.SPECIAL.id),
    "block device": (tar_entry(b"bag/dev", b"", b"4"), rules.SPECIAL.id),
    "pipe": (tar_entry(b"bag/pipe", b"", b"6"), rules.SPECIAL.id),
    "twice": (tar_entry(b"bag/bagit.txt", b"other"), rules.NAME_TWICE.id),
    "twice, not plain": (tar_entry(b"bag/.//bagit.txt", b"other"), rules.NAME_TWICE.id),
    "file and folder": (tar_entry(b"bag/bagit.txt/x", b""), rules.NAME_TWICE.id),
    "file and folder entry": (tar_entry(b"bag/bagit.txt/", b"", b"5"), rules.NAME_TWICE.id),
    "through a link": (
        tar_entry(b"bag/l", b"", b"2", link=b"/tmp") + tar_entry(b"bag/l/x", b"x"), rules.LINK.id,
    ),
    "second top": (tar_entry(b"other/x", b"x"), rules.TOP.id),
    "file at the top": (tar_entry(b"x", b"x"), rules.TOP.id),
    "link with content": (tar_entry(b"bag/l", b"x", b"2", link=b"y"), rules.CONTRADICTS.id),
    "folder with content": (tar_entry(b"bag/f/", b"x", b"5"), rules.CONTRADICTS.id),
    "one name for all": (pax((b"path", b"bag/x"), kind=b"g"), rules.CONTRADICTS.id),
    "size beyond": (tar_entry(b"bag/x", b"x", size=b"77777777777\0"), rules.CUT_SHORT.id),
    "binary size beyond": (tar_entry(b"bag/x", b"", size=b"\x80" + b"\x7f" * 11), rules.DAMAGED.id),
    "negative size": (tar_entry(b"bag/x", b"", size=b"\xff" * 12), rules.DAMAGED.id),
    "size no number": (tar_entry(b"bag/x", b"", size=b"12x45678901\0"), rules.DAMAGED.id),
    "pax size no number": (pax((b"size", b"-1")) + tar_entry(b"bag/x", b""), rules.DAMAGED.id),
    "pax not records": (tar_entry(b"p", b"99999 path=x\n", b"x"), rules.DAMAGED.id),
    "pax without line end": (tar_entry(b"p", b"9 path=xy", b"x"), rules.DAMAGED.id),
    "pax at the end": (pax((b"path", b"bag/x")), rules.DAMAGED.id),
    "wrong checksum": (b"x" + tar_entry(b"bag/x", b"")[1:], rules.DAMAGED.id),
    "no header": (b"\1" * 512, rules.DAMAGED.id),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_bad_archives(bag: Bag, verify: Verify, tmp_path: Path, case: str) -> None:
    extra, rule = BAD[case]
    result = verify(put(tmp_path, bag_tar(bag(), extra)), depth="meaning")
    assert result.outcome == "bad"
    assert rule in rules_of(result, "error")


COULD_NOT: dict[str, tuple[bytes, str]] = {
    "hard link": (tar_entry(b"bag/data/l", b"", b"1", link=b"bag/data/a.txt"), rules.ENTRY_KIND.id),
    "hard link with content": (tar_entry(b"bag/l", b"x", b"1", link=b"bag/x"), rules.ENTRY_KIND.id),
    "sparse": (tar_entry(b"bag/x", b"x", b"S", magic=b"ustar  \0"), rules.ENTRY_KIND.id),
    "sparse, pax": (
        pax((b"GNU.sparse.major", b"1"), (b"GNU.sparse.name", b"bag/x")) + tar_entry(b"bag/x", b"x"),
        rules.ENTRY_KIND.id,
    ),
    "another part": (tar_entry(b"bag/x", b"x", b"M"), rules.IN_PARTS.id),
    "unknown kind": (tar_entry(b"bag/x", b"x", b"Q"), rules.ENTRY_KIND.id),
    "long pax": (
        tar_entry(b"p", b"", b"x", size=b"%011o\0" % (archivetar.MAX_EXTENDED + 1)), rules.TOO_MUCH.id,
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", COULD_NOT)
def test_what_is_not_read_is_neither_good_nor_bad(
    bag: Bag, verify: Verify, tmp_path: Path, case: str
) -> None:
    extra, rule = COULD_NOT[case]
    result = verify(put(tmp_path, bag_tar(bag(), extra)))
    assert result.outcome == "could_not_check"
    assert rule in rules_of(result, "error")


def test_a_payload_file_that_is_a_hard_link_is_not_called_missing(
    bag: Bag, verify: Verify, tmp_path: Path
) -> None:
    root = bag(files={"data/a": b"same", "data/b": b"same"})
    parts = [
        tar_entry(n.encode(), b"", b"1", link=b"bag/data/a")
        if n == "bag/data/b"
        else tar_entry(n.encode(), d)
        for n, d in bag_files(root)
    ]
    result = verify(put(tmp_path, b"".join(parts) + END))
    assert result.outcome == "could_not_check"
    assert rules.ENTRY_KIND.id in rules_of(result)


@pytest.mark.parametrize("cut", [1, 511, 512, 513, 1024, 1500, 3000])
def test_a_tar_cut_short(bag: Bag, verify: Verify, tmp_path: Path, cut: int) -> None:
    whole = bag_tar(bag())
    result = verify(put(tmp_path, whole[:-cut]))
    if cut <= 512:
        # One empty block of the two is left: every member is whole, but the end is not as it was written.
        assert (result.outcome, result.verdict) == ("good", "warnings")
        assert rules_of(result) == [rules.SLACK.id]
    else:
        assert result.outcome == "bad" and rules_of(result) == [rules.CUT_SHORT.id]


def test_bytes_after_the_end(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    whole = bag_tar(bag())
    assert verify(put(tmp_path, whole + bytes(10_000))).verdict == "good"
    result = verify(put(tmp_path, whole + bytes(600) + tar_entry(b"bag/hidden", b"x")))
    assert (result.outcome, rules_of(result)) == ("bad", [rules.EXTRA_BYTES.id])


def test_padding_that_is_not_zero_is_told(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    root = bag()
    whole = bytearray(bag_tar(root))
    whole[512 + len(bag_files(root)[0][1])] ^= 1
    result = verify(put(tmp_path, bytes(whole)))
    assert (result.verdict, rules_of(result)) == ("warnings", [rules.SLACK.id])


def test_a_key_word_that_no_standard_knows_is_told(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    # POSIX pax: key words of one's own begin with a name and a dot
    fine = pax((b"atime", b"1"), (b"MAKER.acl", b"x"), (b"comment", b"y")) + bag_tar(bag())
    assert verify(put(tmp_path, fine)).verdict == "good"
    result = verify(put(tmp_path, pax((b"qath", b"bag/bagit.txt")) + bag_tar(bag())))
    assert (result.verdict, rules_of(result)) == ("warnings", [rules.SLACK.id])


def test_too_many_members_are_not_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("provpack.package.archive.MAX_MEMBERS", 3)
    contents = read_tar(BytesSource(b"".join(tar_entry(b"b/%d" % n) for n in range(5)) + END))
    assert len(contents.members) == 3 and not contents.complete
    assert [f.rule for f in contents.findings] == [rules.TOO_MUCH.id]
    monkeypatch.setattr("provpack.package.archive.MAX_NAMES", 8)
    assert not read_tar(BytesSource(b"".join(tar_entry(b"b/%d" % n) for n in range(3)) + END)).complete


def test_names_that_are_not_utf8_get_the_folders_verdict(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    result = verify(put(tmp_path, bag_tar(bag(), tar_entry(b"bag/data/caf\xe9", b"x"))))
    finding = next(f for u in result.units for f in u.findings if f.rule == "bag-payload-unlisted")
    assert finding.position["path_base64"] == "ZGF0YS9jYWbp"


def test_random_damage_never_breaks_the_reader(bag: Bag) -> None:
    whole, dice = bag_tar(bag(), pax((b"path", b"bag/long"))), random.Random(3)
    for _ in range(2000):
        data = bytearray(whole)
        for _ in range(dice.choice((1, 1, 3, 30))):
            data[dice.randrange(len(data))] = dice.choice((0, 0x20, 0x37, 0x80, 0xFF, dice.randrange(256)))
        contents = read_tar(
            BytesSource(bytes(data[: dice.randrange(len(data)) if dice.random() < 0.3 else None]))
        )
        assert all(m.offset + m.stored <= len(data) for m in contents.members)
