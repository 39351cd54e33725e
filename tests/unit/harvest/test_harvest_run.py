"""Filling a catalogue: again, anew, after a kill, and when something is not there."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from support.bagmaking import seal
from support.harvested import NOW, answers, empty, fill

from provpack.cli.main import main
from provpack.edge import tree
from provpack.errors import InputProblem
from provpack.jobs import harvestread
from provpack.jobs.harvest import in_memory
from provpack.jobs.harvestfind import look, read_task, roots_of
from provpack.jobs.harvestrules import RULES
from provpack.jobs.progress import Silent
from provpack.package.rules import LEFTOVER, LINK_PASSED

LEDGER = "custody-ledger.jsonl"
T01 = "job-1_t01"


def rules(result: object) -> list[str]:
    return sorted(f.rule for f in result.findings if f.severity != "note")  # type: ignore[attr-defined]


def test_the_second_time_nothing_is_read_again(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with empty() as catalogue:
        first = fill(catalogue, shelf)
        assert (first.packages, first.unchanged, first.gone, first.ledgers, first.incomplete) == (
            3,
            0,
            0,
            1,
            0,
        )
        assert first.findings == [] and first.exit_code == 0
        before = answers(catalogue)
        monkeypatch.setattr(harvestread, "read_task", None)
        again = fill(catalogue, shelf)
        assert (again.packages, again.unchanged) == (0, 3)
        assert answers(catalogue) == before


def test_steps_come_to_the_same_as_a_rebuild(shelf: Path, tmp_path: Path) -> None:
    away = shutil.move(shelf / T01, tmp_path / T01)
    with empty() as by_steps, empty() as at_once:
        fill(by_steps, shelf)
        assert by_steps.ask.sealed_but_unknown(0)
        shutil.move(away, shelf / T01)
        stranger = shelf / "more" / "letters"
        (stranger / "data").mkdir(parents=True)
        (stranger / "data" / "a.txt").write_text("Dear Ilse")
        seal(stranger)
        fill(by_steps, shelf)
        assert main(["verify", str(shelf)]) in (0, 1)
        record = shelf / T01 / "data" / "metadata" / "record.json"
        record.write_bytes(record.read_bytes().replace(b"Evening", b"Morning"))
        fill(by_steps, shelf)
        assert main(["verify", str(shelf / T01)]) == 10
        shutil.make_archive(str(shelf / "job-1_t03"), "tar", shelf, "job-1_t03")
        fill(by_steps, shelf)
        fill(at_once, shelf, rebuild=True)
        assert answers(by_steps) == answers(at_once)
        told = answers(at_once)
        assert told["size"]["packages"] == 5 and told["size"]["checks"] >= 5
        assert told["once_bad"][0] == 1 and told["not_good"][0] == 1 and not told["sealed"]
        fill(by_steps, shelf, rebuild=True)
        assert answers(by_steps) == told


def test_gone_and_back(shelf: Path, tmp_path: Path) -> None:
    with empty() as catalogue:
        fill(catalogue, shelf)
        away = shutil.move(shelf / T01, tmp_path / T01)
        result = fill(catalogue, shelf)
        assert result.gone == 1 and catalogue.ask.gone(0).first[0].name == T01
        shutil.move(away, shelf / T01)
        result = fill(catalogue, shelf)
        assert (result.packages, result.gone, catalogue.ask.size()["gone"]) == (1, 0, 0)


@pytest.mark.parametrize("emptied", [True, False])
def test_a_disk_that_is_away_takes_nothing_with_it(shelf: Path, tmp_path: Path, emptied: bool) -> None:
    with empty() as catalogue:
        fill(catalogue, shelf)
        shelf.rename(tmp_path / "unplugged")
        if emptied:
            shelf.mkdir()  # a mount point without its disk
        result = fill(catalogue, shelf)
        assert "harvest-root-away" in rules(result) and result.exit_code == 1
        size = catalogue.ask.size()
        assert (size["packages"], size["gone"]) == (3, 0)
        with pytest.raises(InputProblem) as refused:
            fill(catalogue, shelf, rebuild=True)
        assert refused.value.code == "root-away" and catalogue.ask.size() == size


def test_a_root_that_nobody_knows_is_refused_before_anything_is_done(shelf: Path, tmp_path: Path) -> None:
    with empty() as catalogue:
        with pytest.raises(InputProblem) as refused:
            fill(catalogue, shelf, tmp_path / "shlef")
        assert refused.value.code == "root-not-there" and "shlef" in refused.value.where
        assert catalogue.ask.size()["packages"] == 0 and catalogue.ask.roots() == []
        fill(catalogue, shelf)
        shelf.rename(tmp_path / "unplugged")
        result = fill(catalogue, shelf)  # a disk that is away
        assert (result.roots, result.away, result.exit_code) == ([], [str(shelf)], 1)
        assert fill(catalogue, shelf / T01).away == [str(shelf / T01)]  # known beneath
        with pytest.raises(InputProblem):
            fill(catalogue, "memory://nowhere/shlef")


def test_a_folder_without_packages_is_told_as_a_warning(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with empty() as catalogue:
        result = fill(catalogue, tmp_path / "empty")
        assert [(f.rule, f.severity) for f in result.findings] == [("harvest-nothing-here", "warning")]
        assert (result.exit_code, result.roots) == (1, [str(tmp_path / "empty")])


@pytest.mark.parametrize("damage", ["gone", "short", "more"])
def test_a_payload_that_changed_in_number_or_size_is_noticed(shelf: Path, damage: str) -> None:
    with empty() as catalogue:
        fill(catalogue, shelf)
        master = next((shelf / T01 / "data" / "master").iterdir())
        if damage == "gone":
            master.unlink()
        elif damage == "short":
            master.write_bytes(master.read_bytes()[:-5])
        else:
            (shelf / T01 / "data" / "more.txt").write_text("x")
        result = fill(catalogue, shelf)
        assert (result.packages, result.unchanged, result.not_whole, result.exit_code) == (1, 2, 1, 1)
        rule = "harvest-payload-missing" if damage == "gone" else "harvest-payload-differs"
        assert rules(result) == [rule] and (rule, "error", 1) in catalogue.ask.rules_raised()
        assert catalogue.ask.find("evening t01", 0).total == 1 and result.incomplete == 0
        again = fill(catalogue, shelf, rebuild=True)
        assert (again.not_whole, again.as_json()["not_whole"], rules(again)) == (1, 1, [rule])


def test_a_package_whose_data_folder_cannot_be_read_is_told(
    shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with empty() as catalogue:
        fill(catalogue, shelf)
        (shelf / T01 / "note.txt").write_text("a tag file more: the stamp changes")
        real = tree._scan
        monkeypatch.setattr(
            tree, "_scan", lambda root, path: real(root, "no such" if path == "data" else path)
        )
        result = fill(catalogue, shelf)
        (found,) = (f for f in result.findings if f.rule == "harvest-incomplete")
        assert "record.json cannot be read" in found.what and "missing" not in found.what
        assert result.not_whole == 0


def test_a_package_that_cannot_be_read_any_more_is_kept_as_it_was(
    shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with empty() as catalogue:
        fill(catalogue, shelf)
        (shelf / T01 / "note.txt").write_text("a tag file more: the stamp changes")
        monkeypatch.setattr(
            "provpack.edge.place.FolderPlace.listing",
            lambda self: (_ for _ in ()).throw(OSError(5, "I/O error")),
        )
        result = fill(catalogue, shelf)
        assert (result.packages, result.incomplete) == (0, 1) and "harvest-incomplete" in rules(result)
        assert catalogue.ask.find("evening t01", 0).total == 1


def test_a_folder_that_cannot_be_searched_loses_nothing(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    deep = shelf / "deep"
    deep.mkdir()
    shutil.move(shelf / T01, deep / T01)
    real = os.scandir

    def refusing(path: object = ".") -> object:
        if str(path) == str(deep):
            raise PermissionError(13, "Permission denied")
        return real(path)  # type: ignore[call-overload]

    with empty() as catalogue:
        fill(catalogue, shelf)
        monkeypatch.setattr(os, "scandir", refusing)
        result = fill(catalogue, shelf)
        monkeypatch.undo()
        assert "harvest-not-all-seen" in rules(result) and result.gone == 0
        assert catalogue.ask.size()["gone"] == 0


def test_leftovers_and_links_are_told_and_not_taken_in(shelf: Path) -> None:
    shutil.copytree(shelf / T01, shelf / ".partial-job-1_t09")
    (shelf / "link").symlink_to(shelf / T01)
    with empty() as catalogue:
        result = fill(catalogue, shelf)
        assert result.packages == 3
        assert {LEFTOVER.id, LINK_PASSED.id} <= {f.rule for f in result.findings}


def test_stopped_in_the_middle_the_next_run_goes_on(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from provpack.jobs import harvest as job

    monkeypatch.setattr(job, "BATCH", 1)
    real, read = read_task, []

    def stops(task, register=None):  # type: ignore[no-untyped-def]
        if len(read) == 2:
            raise KeyboardInterrupt
        read.append(task)
        return real(task, register)

    with empty() as catalogue:
        monkeypatch.setattr(harvestread, "read_task", stops)
        with pytest.raises(KeyboardInterrupt):
            fill(catalogue, shelf)
        assert catalogue.ask.size()["packages"] == 2 and catalogue.ask.roots() == []
        with pytest.raises(KeyboardInterrupt):
            fill(catalogue, shelf, rebuild=True)
        assert catalogue.ask.size()["packages"] == 2  # a rebuild is whole, or did not happen
        monkeypatch.setattr(harvestread, "read_task", real)
        assert fill(catalogue, shelf).packages == 1 and catalogue.ask.size()["packages"] == 3


def test_worker_processes_come_to_the_same(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with empty() as here, empty() as there:
        fill(here, shelf, workers=1)
        monkeypatch.setattr(harvestread, "WORTH_WORKERS", 1)
        monkeypatch.setattr(harvestread, "BATCH", 1)
        assert fill(there, shelf, workers=2).packages == 3
        assert answers(here) == answers(there)


def test_roots_inside_each_other_are_one(shelf: Path, tmp_path: Path) -> None:
    (tmp_path / "way").symlink_to(shelf)
    assert roots_of([shelf / T01, tmp_path / "way", str(shelf), shelf / "x" / ".."]) == [shelf]
    assert roots_of([f"{shelf}", "http://a/b/c", "http://a/b"]) == [shelf, "http://a/b"]
    assert [str(p) for p in look(shelf).ledgers] == [str(shelf / LEDGER)]


def test_the_ledger_above_the_root_counts(shelf: Path) -> None:
    with empty() as catalogue:
        assert fill(catalogue, shelf / T01).ledgers == 1
        assert {ledger for ledger, _ in catalogue.ask.sealed_but_unknown(0)} == {str(shelf / LEDGER)}


def test_a_check_of_one_copy_says_nothing_of_another(shelf: Path) -> None:
    assert main(["verify", str(shelf / T01)]) in (0, 1)
    shutil.make_archive(str(shelf / T01), "tar", shelf, T01)
    shutil.copytree(shelf / T01, shelf / "second" / T01)
    with empty() as catalogue:
        fill(catalogue, shelf)
        checks = {one.place: one.checks for one in catalogue.ask.find("evening t01", 0).first}
        assert checks == {str(shelf / T01): 1, f"{shelf / T01}.tar": 0, str(shelf / "second" / T01): 0}
        assert main(["verify", str(shelf / "second"), str(shelf / f"{T01}.tar")]) in (0, 1)
        fill(catalogue, shelf)
        checks = {one.place: one.checks for one in catalogue.ask.find("evening t01", 0).first}
        assert checks == {str(shelf / T01): 1, f"{shelf / T01}.tar": 1, str(shelf / "second" / T01): 1}


def test_a_broken_ledger_is_told_and_the_rest_is_done(shelf: Path) -> None:
    lines = (shelf / LEDGER).read_bytes().splitlines(keepends=True)
    (shelf / LEDGER).write_bytes(b"".join(lines[:1] + lines[2:]))
    with empty() as catalogue:
        result = fill(catalogue, shelf)
        assert rules(result) == ["harvest-ledger-broken"] and (result.packages, result.broken) == (3, 1)


def test_a_ledger_cut_at_a_line_is_noticed_by_who_knew_it(shelf: Path) -> None:
    with empty() as catalogue:
        fill(catalogue, shelf)
        lines = (shelf / LEDGER).read_bytes().splitlines(keepends=True)
        (shelf / LEDGER).write_bytes(b"".join(lines[:-1]))
        assert rules(fill(catalogue, shelf)) == ["harvest-ledger-rewritten"]
        assert rules(fill(catalogue, shelf)) == []  # told once: it is the ledger that is known now


def test_in_memory(shelf: Path) -> None:
    with in_memory([shelf], clock=lambda: NOW, progress=Silent()) as catalogue:
        assert catalogue.ask.size()["packages"] == 3


def test_rules_have_ids_of_their_own() -> None:
    assert all(rule.id.startswith("harvest-") and rule.todo for rule in RULES)
