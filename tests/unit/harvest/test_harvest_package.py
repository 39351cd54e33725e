"""One package at a place: what is told of it, and what is said when something stands in the way."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from support.bagmaking import seal
from support.harvested import NOW

from provpack.edge import tree
from provpack.edge.archiveplace import ArchivePlace
from provpack.edge.place import FolderPlace
from provpack.jobs.harvestpackage import MAX_RECORD, package_values

RECORD = "data/metadata/record.json"


def test_a_sealed_package(sealed_shelf: Path) -> None:
    folder = sealed_shelf / "job-1_t02"
    p = package_values(FolderPlace(folder), stamp="s", ledger="l")
    assert (p.place, p.storage, p.name, p.stamp, p.ledger, p.ours) == (
        str(folder), "folder", "job-1_t02", "s", "l", True,
    )  # fmt: skip
    assert p.problem == "" and p.version == "1.0" and p.title == "Evening T02"
    # the identity is what `sha512sum tagmanifest-sha512.txt` prints
    assert p.identity == hashlib.sha512((folder / "tagmanifest-sha512.txt").read_bytes()).hexdigest()
    on_disk = {f.relative_to(folder).as_posix(): f for f in (folder / "data").rglob("*") if f.is_file()}
    assert {f.path: f.bytes for f in p.files} == {k: v.stat().st_size for k, v in on_disk.items()}
    for file in p.files:
        data = on_disk[file.path].read_bytes()
        assert (file.sha256, file.sha512) == (
            hashlib.sha256(data).hexdigest(),
            hashlib.sha512(data).hexdigest(),
        )
    assert {f.role for f in p.files if f.path.startswith("data/master")} == {"master"}
    assert p.payload_files == len(on_disk)
    assert {r.severity for r in p.raised} <= {"error", "warning"}


def test_stock_tools_agree_on_the_identity(sealed_shelf: Path, tool: Callable[[str], str]) -> None:
    # sha512sum of GNU coreutils
    seal_ = sealed_shelf / "job-1_t01" / "tagmanifest-sha512.txt"
    said = subprocess.run([tool("sha512sum"), str(seal_)], capture_output=True, text=True, check=True).stdout
    assert package_values(FolderPlace(seal_.parent)).identity == said.split()[0]


@pytest.mark.parametrize("kind", ["tar", "zip"])
def test_the_same_in_an_archive(sealed_shelf: Path, tmp_path: Path, kind: str) -> None:
    made = shutil.make_archive(str(tmp_path / "job-1_t01"), kind, sealed_shelf, "job-1_t01")
    place = ArchivePlace(Path(made), kind)  # type: ignore[arg-type]
    there, here = package_values(place), package_values(FolderPlace(sealed_shelf / "job-1_t01"))
    place.close()
    assert there.storage == kind and there.problem == ""
    for name in ("name", "identity", "files", "parts", "raised", "title", "payload_bytes"):
        assert getattr(there, name) == getattr(here, name)


def test_a_record_that_was_changed_accuses_itself(shelf: Path) -> None:
    path = shelf / "job-1_t01" / RECORD
    path.write_text(path.read_text(encoding="utf-8").replace("Evening T01", "Evening T09"), encoding="utf-8")
    p = package_values(FolderPlace(shelf / "job-1_t01"))
    assert "is not what was sealed" in p.problem and p.ours and p.identity and p.payload_bytes
    # nothing is believed of it; what bag-info.txt repeats was sealed by itself
    assert p.title == "Evening T01" and p.client is None and p.deck_id is None and p.parts == ()
    assert p.tape_emphasis is None and p.rights_basis is None and p.duration_s is None
    assert [(r.severity, r.where) for r in p.raised if r.rule == "bag-digest-mismatch"] == [
        ("error", RECORD)
    ] * 2


def test_neither_is_a_changed_bag_info_believed(shelf: Path) -> None:
    folder = shelf / "job-1_t01"
    for path in (folder / RECORD, folder / "bag-info.txt"):
        path.write_text(path.read_text(encoding="utf-8").replace("Evening T01", "Evening T09"))
    p = package_values(FolderPlace(folder))
    assert p.title is None and p.transfer_id is None and "bag-info.txt is not what was sealed" in p.problem


def test_one_damaged_manifest_does_not_discredit_the_record(shelf: Path) -> None:
    folder = shelf / "job-1_t01"
    manifest = folder / "manifest-sha512.txt"
    text = manifest.read_text()
    manifest.write_text(text.replace(hashlib.sha512((folder / RECORD).read_bytes()).hexdigest(), "0" * 128))
    p = package_values(FolderPlace(folder))  # manifest-sha256.txt vouches for it still
    assert p.client == "Ambersund Chamber Archive" and "manifest-sha512.txt is not" in p.problem


def test_a_manifest_that_was_changed_with_it_accuses_itself(shelf: Path) -> None:
    folder = shelf / "job-1_t01"
    path, manifest = folder / RECORD, folder / "manifest-sha512.txt"
    old = hashlib.sha512(path.read_bytes()).hexdigest()
    path.write_text(path.read_text(encoding="utf-8").replace("Evening T01", "Evening T09"), encoding="utf-8")
    (folder / "manifest-sha256.txt").unlink()
    new = hashlib.sha512(path.read_bytes()).hexdigest()
    manifest.write_text(manifest.read_text().replace(old, new))
    p = package_values(FolderPlace(folder))
    assert "manifest-sha512.txt is not what was sealed" in p.problem
    assert p.client is None and p.title == "Evening T01"  # nothing sealed vouches for the record


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "not readable JSON"),
        (b"\xff\xfe", "not readable JSON"),
        (b"[" * 100_000, "not readable JSON"),
        (b"1" * 10_000, "not readable JSON"),
        (b"[]", "does not hold a JSON object"),
        (b" " * (MAX_RECORD + 1), "all that is read"),
        (b'{"schema_version": "9.0.0", "record_id": "x", "transfer_id": "T01"}', "9.0.0"),
    ],
)
def test_an_unreadable_record_leaves_what_bag_info_tells(shelf: Path, data: bytes, said: str) -> None:
    (shelf / "job-1_t01" / RECORD).write_bytes(data)
    if "9.0.0" in said:
        seal(shelf / "job-1_t01")
    p = package_values(FolderPlace(shelf / "job-1_t01"))
    assert p.ours and said in p.problem and p.identity and p.files
    if "9.0.0" in said:
        assert p.transfer_id == "T01" and p.record_version == "9.0.0"
    else:
        assert (p.title, p.job_id, p.transfer_id) == ("Evening T01", "JOB-1", "T01")
        assert p.client is None  # bag-info names the house that made the transfer, not its client


def test_missing_things_are_said(shelf: Path) -> None:
    folder = shelf / "job-1_t01"
    (folder / RECORD).unlink()
    (folder / "bagit.txt").unlink()
    (folder / "tagmanifest-sha512.txt").unlink()
    p = package_values(FolderPlace(folder))
    assert (
        p.ours
        and p.identity is None
        and "no bagit.txt" in p.problem
        and "record.json is missing" in p.problem
    )
    assert next(f for f in p.files if f.path == RECORD).bytes is None


def wrong(folder: Path) -> list[tuple[str, str]]:
    """(rule, where) of what is raised about the payload as listed."""
    raised = package_values(FolderPlace(folder)).raised
    return [(r.rule, r.where) for r in raised if r.rule.startswith("harvest-") and r.severity == "error"]


def test_payload_that_is_missing_or_of_another_size_is_raised(shelf: Path) -> None:
    folder = shelf / "job-1_t01"
    assert wrong(folder) == []
    master = next((folder / "data/master").iterdir())
    path = master.relative_to(folder).as_posix()
    data = master.read_bytes()
    master.write_bytes(data[:-1])
    assert wrong(folder) == [("harvest-payload-differs", path)]
    master.write_bytes(bytes(len(data)))  # same size: only verify tells
    assert wrong(folder) == []
    master.unlink()
    assert wrong(folder) == [("harvest-payload-missing", path)]
    assert package_values(FolderPlace(folder)).client == "Ambersund Chamber Archive"
    master.mkdir()
    assert wrong(folder) == [("harvest-payload-missing", path)]
    master.rmdir()
    master.symlink_to(shelf)
    assert wrong(folder) == [("harvest-payload-missing", path)]


def test_payload_that_no_record_tells_of_is_compared_with_its_sum(tmp_path: Path) -> None:
    # RFC 8493 section 2.2.2, Payload-Oxum
    folder = tmp_path / "letters"
    (folder / "data").mkdir(parents=True)
    for n in range(60):
        (folder / "data" / f"{n}.txt").write_text("Dear Ilse")
    seal(folder)
    assert wrong(folder) == []
    (folder / "data" / "1.txt").write_text("Dear")
    assert wrong(folder) == [("harvest-payload-differs", "data")]
    (folder / "data" / "1.txt").unlink()
    assert wrong(folder) == [("harvest-payload-missing", "data/1.txt")]
    # section 2.2.3: what fetch.txt names may be absent
    (folder / "fetch.txt").write_text("http://files.example/1.txt 9 data/1.txt\n")
    assert wrong(folder) == [] and "to be fetched" in package_values(FolderPlace(folder)).problem
    for path in (folder / "data").iterdir():
        path.unlink()
    assert len(wrong(folder)) == 51 and wrong(folder)[-1] == ("harvest-payload-missing", "data")


def test_a_data_folder_that_cannot_be_read_is_not_called_missing(
    shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = shelf / "job-1_t01"
    real = tree._scan

    def refusing(root: Path, path: str) -> object:
        if path == "data":
            raise PermissionError(13, "Permission denied")
        return real(root, path)

    monkeypatch.setattr(tree, "_scan", refusing)
    p = package_values(FolderPlace(folder))
    assert "missing" not in p.problem and "record.json cannot be read" in p.problem
    assert p.payload_files is None and p.payload_bytes is None and wrong(folder) == []
    assert p.ours and p.identity and p.title == "Evening T01" and p.files


def test_a_link_in_place_of_the_record_is_not_followed(shelf: Path) -> None:
    path = shelf / "job-1_t01" / RECORD
    aside = path.rename(shelf / "secret.json")
    path.symlink_to(aside)
    p = package_values(FolderPlace(shelf / "job-1_t01"))
    assert p.record_id == json.loads(aside.read_text(encoding="utf-8"))["record_id"] or p.problem
    assert p.client is None and "record.json" in p.problem


def test_a_strangers_bag(tmp_path: Path) -> None:
    # RFC 8493 section 2.2.2 names the elements; folded lines belong to the value before them
    folder = tmp_path / "letters"
    (folder / "data").mkdir(parents=True)
    (folder / "data" / "a letter.txt").write_text("Dear Ilse")
    seal(folder, ("md5", "sha256"))
    for name in folder.glob("tagmanifest-*"):
        name.unlink()  # section 2.2.1: a bag may do without
    (folder / "bag-info.txt").write_text(
        "Source-Organization: Ambersund Chamber Archive\n"
        "Contact-Name: Per Sandvig\n"
        "External-Description: Letters of the\n  string trio\n"
        "External-Identifier: ACA-77\nBagging-Date: 2019-03-04\nBag-Group-Identifier: letters\n"
    )
    p = package_values(FolderPlace(folder))
    assert not p.ours and p.record_id is None and p.raised == ()
    assert (p.client, p.title, p.client_item_id) == (
        "Ambersund Chamber Archive", "Letters of the string trio", "ACA-77",
    )  # fmt: skip
    assert p.made_at == "2019-03-04T00:00:00Z" and p.made_at < NOW.isoformat()
    assert p.notes and "letters" in p.notes and "Sandvig" not in p.notes
    (file,) = p.files
    assert file.sha256 == hashlib.sha256(b"Dear Ilse").hexdigest() and file.sha512 is None


def test_odd_names_are_shown_and_kept(tmp_path: Path) -> None:
    folder = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9"))
    (folder / "data").mkdir(parents=True)
    (folder / "data" / "x").write_bytes(b"x")
    seal(folder)
    p = package_values(FolderPlace(folder))
    assert p.place == f"{tmp_path}/caf\\xe9" and p.name == "caf\\xe9"
    assert p.place_base64 is not None and p.problem == ""


def test_a_version_nobody_knows_is_listed_all_the_same(tmp_path: Path) -> None:
    (tmp_path / "bag" / "data").mkdir(parents=True)
    seal(tmp_path / "bag")
    (tmp_path / "bag" / "bagit.txt").write_text("BagIt-Version: 7.0\nTag-File-Character-Encoding: UTF-8\n")
    p = package_values(FolderPlace(tmp_path / "bag"))
    assert p.version == "7.0" and "nothing says how to read" in p.problem and p.files == ()
