"""`provpack heal`, and `verify --second-copy --page`, as typed."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import pytest
from cli.commandline import fits, no_traceback, run, run_process
from support.copies import MASTER, NAME, copied, hurt, make_package, tree

from provpack.edge.ledger import LEDGER_NAME, read_entries
from provpack.edge.schemas import validate


@pytest.fixture
def original(tmp_path: Path) -> Path:
    return make_package(tmp_path / "original" / NAME, blocks=8)


@pytest.fixture
def copies(original: Path, tmp_path: Path) -> list[Path]:
    """Neither is whole; together they hold everything."""
    both = list(copied(original, tmp_path, 2))
    hurt(both[0] / MASTER, 44 + 450)
    hurt(both[1] / MASTER, 44 + 2000)
    (both[1] / "READ-ME-FIRST.txt").unlink()
    return both


def test_healed_in_json(original: Path, copies: list[Path], tmp_path: Path) -> None:
    said = run("heal", *copies, "--to", tmp_path / "out", "--json")
    value = said.json()
    fits("heal", value)
    assert (said.code, value["outcome"], value["exit_code"]) == (0, "healed", 0) and said.err == ""
    assert tree(tmp_path / "out" / NAME) == tree(original)
    assert [c["state"] for c in value["copies"]] == ["damaged", "damaged"]
    assert value["files"]["joined"] == 1 and value["files"]["lost"] == 0
    noted = (tmp_path / "out" / f"{NAME}.healing.json").read_bytes()
    record = json.loads(noted)
    assert validate("healing-record", record) == []
    (line,) = read_entries(tmp_path / "out" / LEDGER_NAME)
    assert validate("ledger-entry", line) == []
    assert (line["kind"], line["package"]) == ("healed", NAME)
    assert line["document_sha512"] == value["document_sha512"] == hashlib.sha512(noted).hexdigest()
    assert line["tagmanifest_sha512"] == value["tagmanifest_sha512"] == record["tagmanifest_sha512"]
    (master,) = record["masters"]
    runs = [(p["copy"], p["blocks"]["first_block"], p["blocks"]["last_block"])
            for p in master["pieces"] if p["part"] == "blocks"]  # fmt: skip
    assert runs == [(1, 0, 0), (2, 1, 1), (1, 2, 7)]
    assert sum(p["bytes"] for p in master["pieces"]) == len(tree(original)[MASTER])
    at = 0
    for piece in master["pieces"]:  # each piece is what the record says it is, where it says
        held = (copies[piece["copy"] - 1] / piece["found_in"]).read_bytes()
        part = held[piece["offset"] : piece["offset"] + piece["bytes"]]
        assert part == tree(original)[MASTER][at : at + piece["bytes"]]
        at += piece["bytes"]
    assert run("verify", tmp_path / "out", "--json").code == 0, "the new package is good, and its ledger"
    again = run("heal", *copies, "--to", tmp_path / "out", "--json")
    assert again.code == 14 and again.json()["error"]["code"] == "destination-exists"


def test_lost_in_words_and_in_json(original: Path, copies: list[Path], tmp_path: Path) -> None:
    hurt(copies[1] / MASTER, 44 + 460)
    before = [tree(c) for c in copies]
    said = run("heal", *copies, "--to", tmp_path / "out")
    assert said.code == 10 and not (tmp_path / "out").exists()
    # block 1 is frames 100 to 199 at 44100000/1001 Hz: 0.00226984... s to 0.00453968... s, outwards rounded
    assert "blocks 1-1, frames 100-199, 0:00:00.002 to 0:00:00.005" in said.out
    assert "400 bytes are needed from elsewhere" in said.out and "Outcome: lost (exit code 10)" in said.out
    value = run("heal", *copies, "--to", tmp_path / "out", "--json").json()
    fits("heal", value)
    assert [one["path"] for one in value["lost"]] == [MASTER]
    assert value["lost"][0]["master"]["lost_blocks"] == 1
    assert [tree(c) for c in copies] == before


def test_whole_and_refused(original: Path, copies: list[Path], tmp_path: Path) -> None:
    said = run("heal", original, copies[0], "--to", tmp_path / "out", "--json")
    fits("heal", said.json())
    assert (said.code, said.json()["outcome"]) == (0, "nothing_to_heal")
    assert run("heal", original, "--to", tmp_path / "out").code == 2
    assert run("heal", original, tmp_path / "nowhere", "--to", tmp_path / "out").code == 12
    assert run("heal", *copies, "--to", copies[0]).code == 14
    assert run("heal", *copies, "--to", tmp_path / "no" / "such" / "folder").code == 14


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_copy_that_may_not_be_read(copies: list[Path], tmp_path: Path) -> None:
    (copies[1]).chmod(0)
    try:
        said = run("heal", *copies, "--to", tmp_path / "out", "--json")
        assert said.code == 11 and said.json()["outcome"] == "could_not_check"
    finally:
        (copies[1]).chmod(0o755)


def test_a_copy_that_is_nothing_of_the_kind(copies: list[Path], tmp_path: Path) -> None:
    junk = tmp_path / "junk.tar"
    junk.write_bytes(b"\x00" * 4096)
    said = run_process("heal", copies[0], junk, "--to", tmp_path / "out", "--json")
    no_traceback(said.err)
    assert said.code in (10, 11, 12)


def test_verify_with_second_copy_and_page(copies: list[Path], tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    said = run("verify", tmp_path / "copy-1", "--second-copy", tmp_path / "copy-2", "--page", page, "--json")
    value = said.json()
    fits("verify", value)
    (unit,) = value["units"]
    assert said.code == 10 and unit["second_copy"]["healable"] == "yes"
    assert unit["second_copy"]["blocks_there"][0]["first_block"] == 1
    assert "provpack heal" in page.read_text() and '<svg class="picture"' in page.read_text()
    assert run("verify", tmp_path / "copy-1", "--page", page).code == 14, "a page is never overwritten"
    told = run("verify", tmp_path / "copy-1", "--second-copy", tmp_path / "copy-2")
    assert f"provpack heal {copies[0]} {copies[1]} --to healed" in told.out


def test_a_missing_second_copy_is_a_warning(original: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    said = run("verify", original, "--second-copy", tmp_path / "empty", "--json")
    fits("verify", said.json())
    assert said.code == 1 and said.json()["units"][0]["second_copy"]["state"] == "missing"


def test_nothing_is_built_inside_a_package_or_at_an_empty_path(copies: list[Path], tmp_path: Path) -> None:
    other = make_package(tmp_path / "shelf" / "tape-8", blocks=3, seed=4)
    (tmp_path / "way").symlink_to(other / "data", target_is_directory=True)
    before = tree(other)
    for place in (other / "data", other / "healed", tmp_path / "way", tmp_path / "way" / "new"):
        said = run("heal", *copies, "--to", place, "--json")
        assert said.code == 14 and said.json()["error"]["code"] == "destination-in-package", place
    assert tree(other) == before and not (other / "healed").exists()


def test_an_empty_path_stands_for_nothing(copies: list[Path], tmp_path: Path) -> None:
    for words in (
        ("heal", *copies, "--to", ""),
        ("heal", copies[0], "", "--to", tmp_path / "out"),
        ("verify", ""),
        ("verify", copies[0], "--second-copy", ""),
        ("verify", copies[0], "--page", ""),
        ("verify", copies[0], "--ledger", ""),
    ):
        said = run(*words)
        assert said.code == 2 and "empty path" in said.out + said.err, words


def test_a_page_that_cannot_be_written_keeps_the_result(
    copies: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from provpack.errors import EnvironmentProblem
    from provpack.jobs.newfile import NewFile

    def full(_self: NewFile, _pieces: object) -> None:
        raise EnvironmentProblem(
            "disk-full", "The disk is full.", where="x", todo="Choose another with --to."
        )

    monkeypatch.setattr(NewFile, "write", full)
    page = tmp_path / "page.html"
    said = run("verify", copies[0], "--page", page, "--brief")
    assert said.code == 10
    first = said.out.splitlines()[0]
    assert "the page could NOT be written: The disk is full; " in first and "1 bad" in first
    assert "Page:" not in said.out and "--to" not in said.out
    told = run("verify", copies[0], "--page", page, "--json")
    fits("verify", told.json())
    assert told.code == 10 and "page" not in told.json()
    assert [f["rule"] for f in told.json()["findings"]] == ["bag-page-not-written"]


def test_a_good_package_without_its_page_is_a_warning(
    original: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from provpack.jobs.newfile import NewFile

    real = NewFile.refuse

    def then_somebody_else(one: NewFile) -> None:
        real(one)
        one.target.mkdir()

    monkeypatch.setattr(NewFile, "refuse", then_somebody_else)
    said = run("verify", original, "--page", tmp_path / "page.html")
    assert said.code == 1 and "could not be written" in said.out


def test_second_copies_looked_for_at_a_wrong_path_accuse_no_package(original: Path, tmp_path: Path) -> None:
    both = list(copied(original, tmp_path, 2))
    nowhere = tmp_path / "nowhere"
    said = run("verify", *both, "--second-copy", nowhere, "--json")
    fits("verify", said.json())
    (found,) = said.json()["findings"]
    assert said.code == 1 and found["rule"] == "second-copy-none-there"
    assert found["where"] == str(nowhere) and "Make a second copy" not in found["todo"]
