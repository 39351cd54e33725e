"""Archives among what is verified: found in trees, named, located in time, read without unpacking."""

from __future__ import annotations

import gzip
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.archives import ZipMember, bag_tar, bag_zip, zip_archive
from support.bagmaking import MASTER, now, rules_of

from provpack.edge.archiveplace import ArchivePlace, DeflatedFile
from provpack.edge.place import FolderPlace
from provpack.edge.reading import BrokenMember, FileSource
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verify import VerifyResult, verify_paths
from provpack.package import archiverules, rules
from provpack.package.archive import Member

Bag = Callable[..., Path]
Verify = Callable[..., VerifyResult]


def pack(root: Path, form: str, into: Path | None = None, name: str = "") -> Path:
    """The bag as `<name>.tar` or `.zip`."""
    path = (into or root.parent) / f"{name or root.name}.{'tar' if form == 'tar' else 'zip'}"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(
        bag_tar(root) if form == "tar" else zip_archive(bag_zip(root, method=8 * (form == "deflated")))
    )
    return path


@pytest.mark.parametrize("depth", ["listed", "bytes", "meaning"])
@pytest.mark.parametrize("form", ["tar", "zip", "deflated"])
def test_a_package_of_ours_says_the_same_as_its_folder(
    package: Bag, verify: Verify, form: str, depth: str
) -> None:
    root = package()
    options: dict[str, Any] = {"depth": depth, "recover": lambda source: record_of(source)}
    (folder,) = verify(root, **options).units
    (unit,) = verify(pack(root, form), **options).units
    for key in (
        "outcome",
        "ours",
        "bag_version",
        "payload_bytes",
        "bytes_read",
        "identity",
        "damage",
        "name",
    ):
        assert getattr(unit, key) == getattr(folder, key), key
    # The other reader of bags is asked about folders only.
    told = [f for f in folder.findings if f.rule != rules.SECOND_OPINION.id]
    assert list(unit.findings) == told


@pytest.mark.parametrize("form", ["tar", "zip", "deflated"])
def test_damage_is_located_inside_an_archive(package: Bag, verify: Verify, form: str) -> None:
    root = package()
    master = bytearray((root / MASTER).read_bytes())
    master[44 + 450 * 4] ^= 1  # frame 450: block 4 of 100 frames
    (root / MASTER).write_bytes(master)
    (unit,) = verify(pack(root, form)).units
    assert unit.outcome == "bad"
    (damage,) = unit.damage
    assert [(r.first_block, r.last_block) for r in damage.ranges] == [(4, 4)]
    assert unit.damage == verify(root).units[0].damage


def test_archives_in_a_tree(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    shelf = tmp_path / "shelf"
    pack(bag("one"), "tar", shelf)
    pack(bag("two"), "zip", shelf / "box")
    inner = bag("three", {"data/a": b"x"})
    (shelf / "papers.zip").write_bytes(zip_archive([ZipMember(name=b"papers/note.txt", data=b"x")]))
    (shelf / "names.zip").write_bytes(zip_archive([ZipMember(name="n/ä".encode(), flags=0)]))
    (shelf / "secret.zip").write_bytes(zip_archive([ZipMember(name=b"s/letter", flags=0x0801)]))
    (shelf / "climbs.zip").write_bytes(zip_archive([ZipMember(name=b"../b/bagit.txt")]))
    (shelf / "._one.tar").write_bytes(b"what an operating system leaves beside a file")
    (shelf / "four.partial-1.tar").write_bytes(b"an interrupted run")
    (shelf / "logs.tar.gz").write_bytes(gzip.compress(b"x"))
    (shelf / "link.tar").symlink_to(shelf / "one.tar")
    (shelf / "torn.tar").write_bytes(bag_tar(inner)[:-2000])
    result = verify(shelf)
    units = {Path(u.path).relative_to(shelf).as_posix(): u.outcome for u in result.units}
    assert units == {"box/two.zip": "good", "climbs.zip": "bad", "one.tar": "good", "torn.tar": "bad"}
    told = {(f.rule, Path(f.where).name) for f in result.findings}
    assert told == {
        (archiverules.PASSED_OVER.id, "papers.zip"),
        (archiverules.PASSED_OVER.id, "names.zip"),
        (archiverules.PASSED_OVER.id, "secret.zip"),
        (rules.LEFTOVER.id, "four.partial-1.tar"),
        (archiverules.PASSED_OVER.id, "logs.tar.gz"),
        (rules.LINK_PASSED.id, "link.tar"),
    }


def test_an_archive_inside_a_bag_is_payload(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    inner = pack(bag("inner"), "tar", tmp_path / "elsewhere")
    outer = bag("outer", {"data/inner.tar": inner.read_bytes()[:-1500]})
    assert [Path(u.path).name for u in verify(outer).units] == ["outer"]
    assert verify(outer).verdict == "good"
    (unit,) = verify(pack(outer, "tar", tmp_path / "elsewhere")).units
    assert (unit.outcome, unit.name) == ("good", "outer")


def test_the_name_of_the_archive_should_be_that_of_the_bag(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    # 0.97 draft, Serialization
    result = verify(pack(bag("tape-7"), "tar", tmp_path / "x", "delivery"))
    assert (result.outcome, result.verdict) == ("good", "warnings")
    assert rules_of(result) == [archiverules.FILE_NAME.id]
    assert result.units[0].name == "tape-7"
    upper = pack(bag("tape-8"), "tar")
    assert verify(upper.rename(upper.with_suffix(".TAR"))).verdict == "good"


@pytest.mark.parametrize(
    ("name", "data", "outcome", "rule"),
    [
        ("a.tar.gz", gzip.compress(b"x"), "could_not_check", archiverules.COMPRESSED.id),
        ("a.tar", gzip.compress(b"x"), "could_not_check", archiverules.COMPRESSED.id),
        ("a.7z", b"7z\xbc\xaf\x27\x1c" + bytes(50), "could_not_check", archiverules.COMPRESSED.id),
        ("a.wav", b"RIFF" + bytes(600), "could_not_check", rules.NOT_A_FOLDER.id),
        ("a.tar", b"", "bad", archiverules.CUT_SHORT.id),
        ("a.zip", b"", "bad", archiverules.CUT_SHORT.id),
        ("a.tar", bytes(10240), "missing", rules.NO_BAG_HERE.id),
        ("a.zip", zip_archive([]), "missing", rules.NO_BAG_HERE.id),
        # A warning about the archive must not make good what was never read.
        ("a.zip", zip_archive([ZipMember(name="b/ä".encode(), flags=0)]), "missing", rules.NO_BAG_HERE.id),
        ("a.bin", zip_archive([ZipMember(name=b"b/x")]), "missing", rules.NO_BAG_HERE.id),
    ],
)
def test_single_files(
    verify: Verify, tmp_path: Path, name: str, data: bytes, outcome: str, rule: str
) -> None:
    (tmp_path / name).write_bytes(data)
    result = verify(tmp_path / name)
    assert (result.outcome, rules_of(result, "error")) == (outcome, [rule])


def test_a_pipe_named_like_an_archive_does_not_hang(verify: Verify, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "bag.tar")
    assert verify(tmp_path / "bag.tar").outcome == "could_not_check"


def test_nothing_is_written_and_nothing_stays_open(bag: Bag, verify: Verify, tmp_path: Path) -> None:
    archive = pack(bag(), "deflated")
    before = (archive.stat().st_mtime_ns, sorted(tmp_path.rglob("*")))
    descriptors = Path("/proc/self/fd")
    opened = len(list(descriptors.iterdir())) if descriptors.is_dir() else 0
    assert verify(archive, depth="meaning").verdict == "good"
    assert (archive.stat().st_mtime_ns, sorted(tmp_path.rglob("*"))) == before
    if opened:
        assert len(list(descriptors.iterdir())) == opened


def test_an_archive_that_changes_while_it_is_read(
    bag: Bag, verify: Verify, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = pack(bag(), "tar")
    real = FileSource.read_into

    def meddled(self: FileSource, offset: int, view: memoryview) -> int:
        os.utime(archive, ns=(1, 1))
        return real(self, offset, view)

    monkeypatch.setattr(FileSource, "read_into", meddled)
    result = verify(archive)
    assert result.outcome == "could_not_check"
    assert set(rules_of(result, "error")) == {rules.CHANGED.id}


def test_a_disk_that_fails_under_an_archive(
    bag: Bag, verify: Verify, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = pack(bag(), "zip")

    def fails(self: FileSource, offset: int, length: int) -> bytes:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(FileSource, "read_at", fails)
    result = verify(archive)
    assert (result.outcome, rules_of(result)) == ("could_not_check", [rules.UNREADABLE.id])


@pytest.mark.parametrize("form", ["tar", "zip", "deflated"])
@pytest.mark.parametrize("workers", [1, 3])
def test_many_members_in_parallel(bag: Bag, verify: Verify, form: str, workers: int) -> None:
    root = bag(files={f"data/{n:03}": bytes([n % 251]) * (n * 50) for n in range(60)})
    assert verify(pack(root, form), workers=workers).verdict == "good"
    (root / "data/017").write_bytes(b"!")
    assert verify(pack(root, form), workers=workers).outcome == "bad"


def test_progress_and_json(bag: Bag) -> None:
    told: list[int] = []
    begun: list[int] = []

    class Counts(Silent):
        def begin(self, label: str, total: int) -> None:
            begun.append(total)

        def advance(self, amount: int) -> None:
            told.append(amount)

    result = verify_paths([pack(bag(), "deflated")], "bytes", progress=Counts(), clock=now)
    assert sum(told) == begun[0] == result.units[0].bytes_read
    unit = json.loads(json.dumps(result.as_json()))["units"][0]
    assert (unit["serialisation"], unit["name"]) == ("application/zip", "bag")


def test_a_deflated_member_is_read_by_position(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Backwards and forwards, from kept places; what is broken says so."""
    monkeypatch.setattr("provpack.edge.archiveplace._BETWEEN", 4096)
    content = b"".join(b"%07d\n" % n for n in range(20_000))
    (tmp_path / "x.zip").write_bytes(zip_archive([ZipMember(name=b"b/bagit.txt", data=content, method=8)]))
    place = ArchivePlace(tmp_path / "x.zip", "zip")
    with place.open("bagit.txt") as file:
        assert isinstance(file, DeflatedFile) and file.size == len(content)
        for offset in (150_000, 0, 80_001, 159_999, 3, 160_000, 70_000):
            assert file.read_at(offset, 100) == content[offset : offset + 100]
        assert file.read_at(-1, 5) == file.read_at(0, 0) == b""
        assert 10 < len(file._kept) <= 64  # about one for each 4096 bytes
        assert file.stream.read(8) == content[:8]
    member = Member(path="x", kind="file", size=len(content) + 1, offset=41, stored=30, method="deflated")
    with pytest.raises(BrokenMember):
        DeflatedFile(place._source, member).read_at(len(content) - 1, 2)
    place.close()


def test_the_folder_and_the_archive_name_the_bag_alike(bag: Bag, monkeypatch: pytest.MonkeyPatch) -> None:
    root = bag("tape-9")
    monkeypatch.chdir(root)
    assert FolderPlace(Path()).name == FolderPlace(Path("data/..")).name == "tape-9"
