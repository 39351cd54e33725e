"""Names of thousands of folders: told, and never looked up folder by folder. RFC 8493 section 5.3.

Each folder of a name is a name as long as itself, so that a name of 60 kB cost 15 seconds.
"""

from __future__ import annotations

import pytest
from support.archives import END, ZipMember, pax, tar_entry, zip_archive
from support.worktime import at_most

from provpack.chunks.source import BytesSource
from provpack.package.archive import MAX_DEPTH, Contents, inside
from provpack.package.archivetar import read_tar
from provpack.package.archivezip import read_zip
from provpack.package.bagcheck import check_structure
from provpack.package.bagdeclaration import parse_declaration
from provpack.package.bagdisk import BagText, Disk
from provpack.package.bagpaths import Entry, Listing
from provpack.package.bagtext import parse_manifest


def tar_with(name: str) -> Contents:
    member = pax((b"path", name.encode())) + tar_entry(b"b/x", b"audio")
    return read_tar(BytesSource(tar_entry(b"b/", kind=b"5") + member + END))


def zip_with(name: str) -> Contents:
    return read_zip(BytesSource(zip_archive([ZipMember(name=b"b/"), ZipMember(name=name.encode())])))


@pytest.mark.parametrize("read", [tar_with, zip_with])
def test_an_archive_is_not_read_beyond_what_a_folder_is(read: object) -> None:
    assert callable(read)
    contents = read("b/" + "a/" * (MAX_DEPTH - 1) + "x")
    assert not contents.findings and len(contents.members) == 2
    with at_most(5):
        contents = read("b/" + "a/" * 32_000 + "x")
        inside(contents, "b")
    assert [f.rule for f in contents.findings] == ["bag-archive-too-much"] and not contents.complete


def test_a_manifest_may_name_what_it_likes() -> None:
    deep = "data/" + "a/" * 32_000 + "x"
    head = parse_declaration(b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    manifest = parse_manifest(f"{'ab' * 32}  {deep}\n".encode(), "manifest-sha256.txt", head)
    assert [line.path for line in manifest.lines] == [deep]
    listing = Listing(entries=(Entry(path="data", kind="directory"), Entry(path="data/b", kind="unreadable")))
    with at_most(5):
        found = check_structure(BagText(declaration=head, manifests=(manifest,)), listing).findings
    assert "bag-file-missing" in {f.rule for f in found}


def test_what_lies_beneath_the_unreadable_is_not_missing() -> None:
    entries = [Entry(path=p, kind="unreadable") for p in ("data/a/b", "meta")]
    disk = Disk(Listing(entries=tuple(entries)))
    beneath = ("data/a/b", "data/a/b/c", "data/a/b/c/d/e", "meta", "meta/x")
    assert [disk.beneath_unreadable(p) for p in beneath] == [True] * len(beneath)
    assert not any(disk.beneath_unreadable(p) for p in ("data", "data/a", "data/a/bc", "metadata", "x/meta"))
    assert not Disk(Listing(entries=())).beneath_unreadable("data/a")
    assert Disk(Listing(entries=(), complete=False)).beneath_unreadable("data/a")
