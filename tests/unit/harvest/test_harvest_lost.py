"""What was exchanged, destroyed, taken away or never there is told, by adding and by rebuilding."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.bagmaking import seal
from support.harvested import answers, empty, fill

from provpack.cli.main import main
from provpack.edge.place import FolderPlace
from provpack.errors import InputProblem
from provpack.jobs.harvestpackage import package_values

LEDGER = "custody-ledger.jsonl"
T01, T02 = "job-1_t01", "job-1_t02"
RECORD = "data/metadata/record.json"


def told(result: Any) -> list[str]:
    return sorted(f.rule for f in result.findings if f.severity != "note")


def reseal(folder: Path, record: Callable[[dict[str, Any]], object] | None) -> None:
    """Change the record, or take it away (None), and seal the package anew, as a forger would."""
    path = folder / RECORD
    if record is None:
        path.unlink()
    else:
        value = json.loads(path.read_text(encoding="utf-8"))
        changed = record(value)
        path.write_text(json.dumps(value if changed is None else changed), encoding="utf-8")
    for old in folder.glob("*manifest-*.txt"):
        old.unlink()
    seal(folder)


@pytest.mark.parametrize("rebuild", [False, True])
def test_another_package_in_the_place_of_one_that_was_lost(shelf: Path, rebuild: bool) -> None:
    with empty() as catalogue:
        fill(catalogue, shelf)
        shutil.rmtree(shelf / T01)
        shutil.copytree(shelf / T02, shelf / T01)
        result = fill(catalogue, shelf, rebuild=rebuild)
        assert told(result) == ["harvest-not-what-was-sealed"] and result.exit_code == 1
        ask = catalogue.ask
        assert [s.package for _, s in ask.sealed_but_unknown(0)] == [T01]
        assert [one.name for one in ask.other_than_sealed(0).first] == [T01]
        assert [one.name for one in ask.not_read(0).first] == [T01]


@pytest.mark.parametrize("rebuild", [False, True])
def test_a_line_put_in_before_a_break_does_not_vouch_for_another_package(shelf: Path, rebuild: bool) -> None:
    """Whoever puts another package there may put a line about it into the ledger, and so break it."""
    ledger = shelf / LEDGER
    with empty() as catalogue:
        fill(catalogue, shelf)
        shutil.rmtree(shelf / T01)
        shutil.copytree(shelf / T02, shelf / T01)
        lines = ledger.read_bytes().splitlines(keepends=True)
        own = next(line for line in lines if json.loads(line).get("package") == T02)
        put_in = own.replace(T02.encode(), T01.encode())
        ledger.write_bytes(b"".join([*lines, put_in, own]))
        result = fill(catalogue, shelf, rebuild=rebuild)
        assert "harvest-ledger-broken" in told(result) and "harvest-not-what-was-sealed" in told(result)
        ask = catalogue.ask
        assert [one.name for one in ask.other_than_sealed(0).first] == [T01]
        assert [s.package for _, s in ask.sealed_but_unknown(0)] == [T01]


def test_a_forged_record_took_part_in_nothing(shelf: Path) -> None:
    def forge(record: dict[str, Any]) -> None:
        record["deck"]["deck_id"] = "DECK-9"

    reseal(shelf / T01, forge)
    with empty() as catalogue:
        assert told(fill(catalogue, shelf)) == ["harvest-not-what-was-sealed"]
        assert list(catalogue.ask.touched("DECK-9", None, None)) == []
        assert "DECK-9" not in str(catalogue.ask.parts_like("DECK-9", 5))


@pytest.mark.parametrize("kind", ["tar", "zip"])
def test_an_archive_destroyed_since_is_known_and_not_read(shelf: Path, tmp_path: Path, kind: str) -> None:
    archive = Path(shutil.make_archive(str(tmp_path / "a" / T01), kind, shelf, T01))
    with empty() as catalogue:
        fill(catalogue, archive.parent)
        whole = archive.read_bytes()
        archive.write_bytes(whole[: len(whole) // 2])
        for _ in range(2):  # and it is looked at again the next time
            result = fill(catalogue, archive.parent)
            assert (result.packages, result.incomplete, result.exit_code) == (0, 1, 1)
            (one,) = catalogue.ask.not_read(0).first
            assert one.place == str(archive) and one.detail
            assert catalogue.ask.find("evening t01", 0).total == 1  # what was known stays
        archive.write_bytes(whole)
        assert fill(catalogue, archive.parent).packages == 1
        assert catalogue.ask.not_read(0).total == 0


def vanish(shelf: Path, how: str) -> None:
    ledger = shelf / LEDGER
    kept = ledger.rename(shelf / "custody-ledger (1).jsonl")
    if how == "fifo":
        os.mkfifo(ledger)
    elif how == "folder":
        ledger.mkdir()
    elif how == "link":
        ledger.symlink_to(kept)


@pytest.mark.parametrize("how", ["gone", "fifo", "folder", "link"])
def test_a_ledger_that_is_gone_is_told_and_not_forgotten(shelf: Path, how: str) -> None:
    assert main(["verify", str(shelf / T01)]) in (0, 1)
    assert main(["enter", str(shelf), "fault_noted", "--equipment", "DECK-1", "--note", "hum"]) == 0
    with empty() as catalogue:
        fill(catalogue, shelf)
        before = answers(catalogue)
        vanish(shelf, how)
        result = fill(catalogue, shelf)
        assert "harvest-ledger-gone" in told(result) and result.exit_code == 1
        assert ("harvest-ledger-unread" in told(result)) is (how != "gone")
        after = answers(catalogue)
        assert [v.path for v in after.pop("broken")] == [str(shelf / LEDGER)] and before.pop("broken") == []
        assert after == before and len(after["faults"]) == 1
        with pytest.raises(InputProblem) as refused:
            fill(catalogue, shelf, rebuild=True)
        assert refused.value.code == "ledger-away" and len(catalogue.ask.faults("DECK-1")) == 1
        assert "harvest-ledger-gone" in told(fill(catalogue, shelf / T01, shelf / T02))  # it lay above these
        if how == "folder":
            (shelf / LEDGER).rmdir()
        elif how != "gone":
            (shelf / LEDGER).unlink()
        (shelf / "custody-ledger (1).jsonl").rename(shelf / LEDGER)
        assert told(fill(catalogue, shelf)) == [] and catalogue.ask.broken_ledgers() == []
        assert told(fill(catalogue, shelf, rebuild=True)) == []


def test_something_in_the_place_of_a_ledger_is_told_without_a_catalogue(shelf: Path) -> None:
    vanish(shelf, "fifo")
    with empty() as catalogue:
        assert told(fill(catalogue, shelf)) == ["harvest-ledger-unread"]
        assert [v.path for v in catalogue.ask.broken_ledgers()] == [str(shelf / LEDGER)]


@pytest.mark.parametrize("rebuild", [False, True])
def test_a_folder_moved_with_its_ledger_is_no_loss(shelf: Path, tmp_path: Path, rebuild: bool) -> None:
    with empty() as catalogue:
        fill(catalogue, tmp_path)
        shelf.rename(tmp_path / "elsewhere")
        assert main(["verify", str(tmp_path / "elsewhere" / T01)]) in (0, 1)  # the ledger goes on
        assert told(fill(catalogue, tmp_path, rebuild=rebuild)) == []
        assert catalogue.ask.broken_ledgers() == []


@pytest.mark.parametrize("rebuild", [False, True])
def test_packages_that_are_gone_are_told(shelf: Path, rebuild: bool) -> None:
    with empty() as catalogue:
        fill(catalogue, shelf)
        shutil.rmtree(shelf / T01)
        result = fill(catalogue, shelf, rebuild=rebuild)
        assert told(result) == ["harvest-packages-gone"] and (result.gone, result.exit_code) == (1, 1)
        (found,) = result.findings
        assert T01 in found.what
        assert told(fill(catalogue, shelf)) == []  # told once here; audit tells it as long as it is so


def test_a_root_that_is_away_is_remembered(shelf: Path, tmp_path: Path) -> None:
    with empty() as catalogue:
        fill(catalogue, shelf)
        assert catalogue.ask.roots_away() == []
        shelf.rename(tmp_path / "unplugged")
        fill(catalogue, shelf)
        assert [root for root, _ in catalogue.ask.roots_away()] == [str(shelf)]
        shelf.mkdir()
        fill(catalogue, shelf)
        assert [root for root, _ in catalogue.ask.roots_away()] == [str(shelf)]
        shelf.rmdir()
        (tmp_path / "unplugged").rename(shelf)
        fill(catalogue, shelf)
        assert catalogue.ask.roots_away() == []


def passes_as_object(record: dict[str, Any]) -> None:
    record["deck"], record["processing"]["passes"] = "DECK-1 (Ostrane)", {}


@pytest.mark.parametrize(
    ("forge", "said"),
    [
        (lambda record: {}, "not as it must be"),
        (passes_as_object, "not as it must be"),
        (None, "no manifest lists it"),
    ],
)
def test_a_record_that_tells_nothing_is_not_read(shelf: Path, forge: Any, said: str) -> None:
    reseal(shelf / T01, forge)
    p = package_values(FolderPlace(shelf / T01))
    assert p.ours and said in p.problem


def test_a_violation_elsewhere_leaves_who_took_part(shelf: Path) -> None:
    reseal(shelf / T01, lambda record: record["rights"].update(personal_data="perhaps"))
    p = package_values(FolderPlace(shelf / T01))
    assert "bag-record-invalid" in {r.rule for r in p.raised} and p.problem == ""


def test_a_package_of_ours_without_its_seal_is_told(shelf: Path) -> None:
    (shelf / T01 / "tagmanifest-sha512.txt").unlink()
    p = package_values(FolderPlace(shelf / T01))
    assert p.identity is None and "tagmanifest-sha512.txt is missing" in p.problem
    with empty() as catalogue:
        fill(catalogue, shelf)
        assert [one.name for one in catalogue.ask.not_read(0).first] == [T01]


def test_a_strangers_bag_needs_no_seal(tmp_path: Path) -> None:
    """RFC 8493 section 2.2.1: tag manifests are optional."""
    (tmp_path / "bag" / "data").mkdir(parents=True)
    (tmp_path / "bag" / "data" / "a.txt").write_text("Dear Ilse")
    seal(tmp_path / "bag")
    for manifest in (tmp_path / "bag").glob("tagmanifest-*"):
        manifest.unlink()
    assert package_values(FolderPlace(tmp_path / "bag")).problem == ""
