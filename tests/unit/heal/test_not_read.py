"""What could not be read may be whole: it is never said to be in no copy, and what was read is used."""

from __future__ import annotations

import tarfile
from pathlib import Path

import pytest
from support.bagmaking import now
from support.copies import IDENTITY, MASTER, NAME, copied, hurt, make_package, run_heal, tree

from provpack.jobs.progress import Silent
from provpack.jobs.secondcopy import compare
from provpack.jobs.verify import verify_paths
from provpack.report.damage_page import damage_page
from provpack.report.heal_text import heal_lines

RECORD = "data/metadata/record.json"


@pytest.fixture
def original(tmp_path: Path) -> Path:
    return make_package(tmp_path / "original" / NAME, blocks=6)


def tar_of(package: Path, to: Path, damaged: str) -> Path:
    """A plain tar of the package, its members by name, with the header of one overwritten."""
    with tarfile.open(to, "w", format=tarfile.USTAR_FORMAT) as archive:
        archive.add(package, NAME)
    with tarfile.open(to) as archive:
        member = archive.getmember(f"{NAME}/{damaged}")
    data = bytearray(to.read_bytes())
    data[member.offset : member.offset + 512] = b"\xa5" * 512
    to.write_bytes(data)
    return to


def test_what_stands_before_the_damage_of_a_tar_is_used(original: Path, tmp_path: Path) -> None:
    (copy,) = copied(original, tmp_path, 1)
    hurt(copy / MASTER, 900)
    # tarfile adds a folder's content sorted by name: data/master stands before data/metadata
    archive = tar_of(original, tmp_path / f"{NAME}.tar", RECORD)
    result = run_heal([archive, copy], tmp_path / "out")
    assert (result.outcome, result.exit_code) == ("healed", 1)
    assert tree(tmp_path / "out" / NAME) == tree(original)
    assert [f.rule for f in result.findings] == ["heal-copy-unreadable"]
    assert "cannot be listed wholly" in result.findings[0].what


def test_a_tar_that_was_cut_short_gives_the_blocks_it_has(original: Path, tmp_path: Path) -> None:
    (copy,) = copied(original, tmp_path, 1)
    hurt(copy / MASTER, 500)
    archive = tmp_path / f"{NAME}.tar"
    tar_of(original, archive, RECORD)
    with tarfile.open(archive) as opened:
        member = opened.getmember(f"{NAME}/{MASTER}")
    archive.write_bytes(archive.read_bytes()[: member.offset_data + 1300])
    result = run_heal([copy, archive], tmp_path / "out")
    assert result.outcome == "healed" and tree(tmp_path / "out" / NAME) == tree(original)
    assert result.as_json()["files"]["joined"] == 1


def test_what_stands_after_the_damage_is_not_known(original: Path, tmp_path: Path) -> None:
    (copy,) = copied(original, tmp_path, 1)
    hurt(copy / MASTER, 900)
    archive = tar_of(original, tmp_path / f"{NAME}.tar", MASTER)  # its blocks are there, and cannot be found
    result = run_heal([archive, copy], tmp_path / "out")
    assert (result.outcome, result.exit_code) == ("could_not_check", 11) and not (tmp_path / "out").exists()
    words = "\n".join(heal_lines(result))
    assert "in no copy" not in words and "no such file" not in words
    assert "copy 1: is not known: this archive cannot be listed wholly" in words
    # What both folders lack is lost all the same, whatever a third copy does not let be read of another file.
    archive = tar_of(original, archive, "data/report/index.html")
    hurt(copy / MASTER, 2000)
    data = tree(original)[MASTER]
    archive.write_bytes(archive.read_bytes().replace(data[1900:2100], bytes(200)))
    lost = run_heal([archive, copy], tmp_path / "out2")
    assert (lost.outcome, lost.exit_code) == ("lost", 10)
    assert lost.as_json()["lost"][0]["master"]["lost_blocks"] == 1


def test_a_folder_that_cannot_be_listed_may_hold_everything(
    original: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, two = copied(original, tmp_path, 2)
    (one / "data/documents/log.txt").unlink()
    hurt(two / MASTER, 900)
    hurt(one / MASTER, 2000)
    from provpack.edge import tree as tree_of_files

    real = tree_of_files._scan

    def failing(root: Path, folder: str) -> object:
        if root == two and folder == "data/documents":
            raise OSError(5, "Input/output error")
        return real(root, folder)

    monkeypatch.setattr(tree_of_files, "_scan", failing)
    result = run_heal([one, two], tmp_path / "out")
    assert (result.outcome, result.exit_code) == ("could_not_check", 11)
    (told,) = result.as_json()["lost"]
    assert told["path"] == "data/documents/log.txt"
    assert told["copies"][0]["what"] == "is not there" and "Input/output error" in told["copies"][1]["what"]


def test_a_second_copy_that_was_not_read_is_not_called_damaged(original: Path, tmp_path: Path) -> None:
    (copy,) = copied(original, tmp_path, 1)
    hurt(copy / MASTER, 900)
    (tmp_path / "second").mkdir()
    tar_of(original, tmp_path / "second" / f"{NAME}.tar", MASTER)
    result = verify_paths([copy], "bytes", progress=Silent(), clock=now)
    (one,) = (copies := compare(result, tmp_path / "second", progress=Silent())).values()
    assert (one.healable, one.lost) == ("not_known", []) and MASTER in one.unread
    page = damage_page(result, copies)
    assert "damaged there, too" not in page and "In neither copy" not in page and "not known" in page


def test_a_link_that_no_manifest_lists_is_named(original: Path, tmp_path: Path) -> None:
    one, two = copied(original, tmp_path, 2)
    (one / "data/elsewhere").symlink_to("/etc/hostname")
    hurt(two / MASTER, 900)
    result = run_heal([one, two], tmp_path / "out")
    assert result.outcome == "healed" and tree(tmp_path / "out" / NAME) == tree(original)
    (found,) = result.findings
    assert found.rule == "heal-not-carried" and found.position["path"] == "data/elsewhere"
    assert "a symbolic link" in found.what


def test_what_a_link_leads_to_is_not_called_lost(original: Path, tmp_path: Path) -> None:
    one, two = copied(original, tmp_path, 2)
    hurt(two / MASTER, 900)
    (one / "data").rename(tmp_path / "real-data")
    (one / "data").symlink_to(tmp_path / "real-data", target_is_directory=True)
    result = run_heal([one, two], tmp_path / "out")
    assert (result.outcome, result.exit_code) == ("could_not_check", 11) and not (tmp_path / "out").exists()
    words = "\n".join(heal_lines(result))
    assert "in no copy" not in words and "'data' is a link; name what it leads to" in words


def test_a_master_saved_outside_of_data_gives_its_blocks(original: Path, tmp_path: Path) -> None:
    one, two = copied(original, tmp_path, 2)
    hurt(one / MASTER, 900)
    hurt(two / MASTER, 2000)
    (one / MASTER).rename(one / "rescued.wav")
    result = run_heal([one, two], tmp_path / "out")
    assert result.outcome == "healed" and tree(tmp_path / "out" / NAME) == tree(original)


def test_a_tag_manifest_saved_under_another_name_is_taken(original: Path, tmp_path: Path) -> None:
    one, two = copied(original, tmp_path, 2)
    hurt(one / MASTER, 900)
    hurt(two / MASTER, 2000)
    for at, copy in zip((20, 300), (one, two), strict=True):
        (copy / "saved.txt").write_bytes((copy / IDENTITY).read_bytes())
        hurt(copy / IDENTITY, at)
    result = run_heal([one, two], tmp_path / "out")
    assert result.outcome == "healed" and tree(tmp_path / "out" / NAME) == tree(original)
    assert {f.position["path"] for f in result.findings} == {"saved.txt"}  # told as not carried over
