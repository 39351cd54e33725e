"""`provpack heal`, and `verify --second-copy --page`, as typed."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import pytest
from cli.commandline import fits, no_traceback, run, run_process
from support.copies import MASTER, NAME, copied, make_package, tree

from provpack.edge.ledger import LEDGER_NAME, read_entries
from provpack.edge.schemas import validate


def hurt(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 0x04
    path.write_bytes(data)


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
