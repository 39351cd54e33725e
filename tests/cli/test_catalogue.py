"""`provpack catalogue`: filled, searched, told; with and without what it needs."""

from __future__ import annotations

import hashlib
import json
import os
import shlex
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest
from cli.commandline import command, fits, imported_by, no_traceback, run, run_process
from support.bagmaking import seal
from support.jobs import make_job

T01 = "job-1_t01"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("catalogue")
    job = make_job(folder / "job", ids=("T01", "T02"), frames=4000)
    assert run("wrap", job, "--to", folder / "shelf").code in (0, 1)
    return folder / "shelf"


@pytest.fixture
def shelf(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PROVPACK_CATALOGUE", str(tmp_path / "index.sqlite"))
    return Path(shutil.copytree(made, tmp_path / "shelf"))


def test_add_find_state_rebuild(shelf: Path) -> None:
    said = run("catalogue", "add", shelf, "--json")
    assert said.code == 0, said.err
    fits("catalogue", said.json())
    assert said.json()["harvest"]["packages"] == 2 and said.json()["harvest"]["ledgers"] == 1
    again = run("catalogue", "add", "--json").json()  # the roots that are known
    assert again["harvest"]["unchanged"] == 2 and again["harvest"]["roots"] == [str(shelf)]
    found = run("catalogue", "find", "EVENING", "t01", "--json")
    fits("catalogue", found.json())
    (one,) = found.json()["found"]["packages"]
    assert one["place"] == str(shelf / T01) and one["client"] == "Ambersund Chamber Archive"
    assert one["last_checked_at"] is None
    assert run("verify", shelf).code in (0, 1)
    assert run("catalogue", "rebuild", shelf).code == 0
    text = run("catalogue", "find", "evening").out
    assert text.count("Evening T0") == 2 and text.count(" good  ") == 2 and str(shelf / T01) in text
    state = run("catalogue", "state", "--json")
    fits("catalogue", state.json())
    assert state.json()["state"]["counts"]["checks"] == 2
    assert state.json()["state"]["roots"][0]["days"] == 0
    words = run("catalogue", "state").out
    assert "only an index" in words and "provpack catalogue rebuild" in words and "(today)" in words


def test_find_by_digest(shelf: Path) -> None:
    run("catalogue", "add", shelf)
    master = next((shelf / T01 / "data" / "master").iterdir())
    digest = hashlib.sha256(master.read_bytes()).hexdigest()
    (one,) = run("catalogue", "find", "--digest", digest.upper(), "--json").json()["found"]["packages"]
    assert (one["name"], one["file"]) == (T01, f"data/master/{master.name}")
    identity = hashlib.sha512((shelf / T01 / "tagmanifest-sha512.txt").read_bytes()).hexdigest()
    assert T01 in run("catalogue", "find", "--digest", identity).out
    nothing = run("catalogue", "find", "--digest", "0" * 64)
    assert nothing.code == 0 and "Nothing was found" in nothing.out


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["find"], 2, "Give words"),
        (["find", "a", "--digest", "0" * 64], 2, "Give words"),
        (["find", "--digest", "xyz"], 2, "is no SHA-256"),
        (["find", "anything"], 15, "catalogue"),
        (["state"], 15, "catalogue"),
        (["add"], 15, "catalogue"),
        (["frobnicate"], 2, "frobnicate"),
    ],
)
def test_what_cannot_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], code: int, said: str
) -> None:
    monkeypatch.setenv("PROVPACK_CATALOGUE", str(tmp_path / "none.sqlite"))
    result = run("catalogue", *words)
    no_traceback(result.err)
    assert result.code == code and said in result.err, result.err
    assert not (tmp_path / "none.sqlite").exists()


def test_no_catalogue_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, made: Path) -> None:
    # XDG Base Directory Specification: $XDG_DATA_HOME, else ~/.local/share; a relative one does not count
    monkeypatch.delenv("PROVPACK_CATALOGUE", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert run("catalogue", "add", made).code == 0
    assert (tmp_path / "data" / "provpack" / "catalogue.sqlite").is_file()
    monkeypatch.setenv("XDG_DATA_HOME", "data")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    assert run("catalogue", "add", made).code == 0
    assert (tmp_path / "home" / ".local" / "share" / "provpack" / "catalogue.sqlite").is_file()
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "file"))
    refused = run("catalogue", "add", made)
    assert refused.code == 15 and "--catalogue" in refused.err


@pytest.mark.parametrize("action", ["add", "rebuild", "find", "state"])
def test_an_empty_name_is_not_the_usual_catalogue(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, made: Path, action: str
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("PROVPACK_CATALOGUE", raising=False)
    words = ["catalogue", action, *([] if action == "state" else [made])]
    for named in ("", "  "):
        refused = run(*words, "--catalogue", named)
        no_traceback(refused.err)
        assert refused.code == 2 and "names no catalogue" in refused.err
    monkeypatch.setenv("PROVPACK_CATALOGUE", "")
    refused = run(*words)
    assert refused.code == 2 and "PROVPACK_CATALOGUE" in refused.err
    assert not (tmp_path / "data").exists()
    assert run("verify", made).code in (0, 1)  # uses no catalogue: none of its business
    assert run("catalogue", "add", made, "--catalogue", tmp_path / "index.sqlite").code == 0


def test_a_file_that_is_no_catalogue_is_left_alone(shelf: Path, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("my notes\n" * 1000)
    for words in (["add", shelf], ["rebuild", shelf], ["find", "x"]):
        result = run("catalogue", *words, "--catalogue", tmp_path / "notes.txt")
        no_traceback(result.err)
        assert result.code in (12, 15), result.err
    assert (tmp_path / "notes.txt").read_text() == "my notes\n" * 1000


@pytest.mark.parametrize("first", [1, 3])
def test_a_damaged_catalogue_is_made_anew(shelf: Path, tmp_path: Path, first: int) -> None:
    run("catalogue", "add", shelf)
    path = tmp_path / "index.sqlite"
    data = bytearray(path.read_bytes())
    data[first * 4096 : (first + 12) * 4096] = b"\xa5" * (12 * 4096)
    path.write_bytes(data)
    for words in (["find", "evening"], ["state"], ["add"], ["rebuild"]):
        result = run("catalogue", *words)
        no_traceback(result.err)
        assert result.code in (0, 15), result.err
        if result.code == 15 and "damaged" in result.err:  # a way out that is no circle
            assert "catalogue rebuild ROOT" in result.err
    assert run("catalogue", "rebuild", shelf).code == 0
    assert run("catalogue", "find", "evening", "--json").json()["found"]["total"] == 2


def test_what_could_not_be_read_is_a_warning(shelf: Path) -> None:
    (shelf / T01 / "data" / "metadata" / "record.json").write_bytes(b"{")
    said = run("catalogue", "add", shelf)
    assert said.code == 1 and "harvest-incomplete" in said.out and "2 packages taken in" in said.out
    result = run("catalogue", "rebuild", shelf, "--json")
    fits("catalogue", result.json())
    assert result.code == 1 and result.json()["harvest"]["incomplete"] == 1
    assert run("catalogue", "find", "evening", "--json").json()["found"]["total"] == 2


def test_a_root_that_is_not_there(shelf: Path) -> None:
    run("catalogue", "add", shelf)
    slip = run("catalogue", "add", shelf / "nowhere")
    assert slip.code == 12 and "nothing at this path" in slip.err and "Looked at" not in slip.out
    away = shelf.rename(shelf.parent / "unplugged")
    known = run("catalogue", "add", shelf)
    assert known.code == 1 and f"NOT THERE: {shelf}" in known.out and "Looked at" not in known.out
    told = run("catalogue", "add", shelf, "--json")
    fits("catalogue", told.json())
    assert (told.json()["harvest"]["roots"], told.json()["harvest"]["away"]) == ([], [str(shelf)])
    away.rename(shelf)
    refused = run("catalogue", "rebuild", shelf, shelf.parent / "away", "--json")
    assert refused.code == 12 and refused.json()["error"]["code"] == "root-not-there"
    assert run("catalogue", "state", "--json").json()["state"]["counts"]["packages"] == 2


def test_a_truncated_catalogue_names_the_way_out(shelf: Path, tmp_path: Path) -> None:
    run("catalogue", "add", shelf)
    path = tmp_path / "index.sqlite"
    path.write_bytes(path.read_bytes()[:6000])
    refused = run("catalogue", "rebuild")
    assert refused.code == 15 and "rebuild ROOT" in refused.err
    assert run("catalogue", "rebuild", shelf).code == 0
    assert run("catalogue", "find", "evening", "--json").json()["found"]["total"] == 2


def test_a_deleted_master_is_told(shelf: Path) -> None:
    run("catalogue", "add", shelf)
    next((shelf / T01 / "data" / "master").iterdir()).unlink()
    said = run("catalogue", "add", shelf)
    assert said.code == 1 and "harvest-payload-missing" in said.out and "1 warning" in said.out
    assert "Outcome: good, with warnings" in said.out and "1 error" not in said.out
    result = run("catalogue", "rebuild", shelf, "--json")
    fits("catalogue", result.json())
    assert result.code == 1 and result.json()["harvest"]["not_whole"] == 1


def test_names_of_strangers_do_not_move_the_cursor(shelf: Path) -> None:
    bag = shelf / "odd\x1b[2J\nname"
    (bag / "data").mkdir(parents=True)
    (bag / "data" / "x").write_text("x")
    seal(bag)
    for name in bag.glob("tagmanifest-*"):
        name.unlink()
    (bag / "bag-info.txt").write_text("External-Description: evil \x1b[31m \u202e title\n")
    for words in (["add", shelf], ["find", "evil"], ["find", "odd"], ["state"]):
        said = run("catalogue", *words)
        no_traceback(said.err)
        assert "\x1b" not in said.out and "\u202e" not in said.out
        fits("catalogue", json.loads(run("catalogue", *words, "--json").out))


def test_killed_in_the_middle(made: Path, tmp_path: Path) -> None:
    many = tmp_path / "many"
    for n in range(150):
        shutil.copytree(made / T01, many / f"p{n:03d}")
    where = tmp_path / "index.sqlite"
    for action in ("add", "rebuild"):
        process = subprocess.Popen(
            command("catalogue", action, many, "--catalogue", where),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        time.sleep(1.0)
        process.send_signal(signal.SIGKILL)
        process.communicate(timeout=30)
    done = run_process("catalogue", "add", many, "--catalogue", where, "--json", timeout=120)
    assert done.code == 0, done.err
    assert (
        run("catalogue", "state", "--catalogue", where, "--json").json()["state"]["counts"]["packages"] == 150
    )


def test_help_needs_no_database() -> None:
    assert imported_by(["catalogue", "add", "--help"], ["sqlalchemy", "jsonschema", "numpy"]) == []


@pytest.mark.parametrize("action", ["add", "rebuild"])
def test_a_slip_of_the_pen_leaves_no_catalogue_behind(tmp_path: Path, action: str) -> None:
    new = tmp_path / "new"
    said = run("catalogue", action, tmp_path / "nonexist", "--catalogue", new, "--json")
    assert said.code == 12 and said.json()["error"]["code"] == "root-not-there", "nothing was known of it"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("blocks", [0, 1, 20, 400])
def test_what_fails_under_a_limit_leaves_no_empty_catalogue(shelf: Path, tmp_path: Path, blocks: int) -> None:
    new = tmp_path / "new"
    words = [os.fsdecode(w) for w in command("catalogue", "add", shelf, "--workers", "1", "--catalogue", new)]
    limited = f"ulimit -f {blocks}; trap '' XFSZ; exec {shlex.join(words)}"
    done = subprocess.run(["bash", "-c", limited], capture_output=True, text=True, check=False)
    no_traceback(done.stderr)
    assert done.returncode in ((0, 1) if blocks == 400 else (15,)), done.stderr
    assert new.exists() is (blocks == 400), "kept only with what was read"
    assert not new.with_name("new-journal").exists()


def test_find_tells_a_copy_never_checked_of_what_was_bad(shelf: Path) -> None:
    name = next(p.name for p in shelf.iterdir() if p.is_dir())
    shutil.copytree(shelf / name, shelf.parent / "elsewhere" / name)
    page = shelf / name / "READ-ME-FIRST.txt"
    whole = page.read_bytes()
    page.write_bytes(whole + b"x")
    assert run("verify", shelf / name).code == 10
    page.write_bytes(whole)
    assert run("catalogue", "add", shelf, shelf.parent / "elsewhere").code in (0, 1)
    lines = run("catalogue", "find", name, "--limit", "0").out.splitlines()
    (line,) = [one for one in lines if "/elsewhere/" in one]
    assert "never (once bad)" in line


@pytest.mark.parametrize(
    "words",
    [
        ["catalogue", "add", ""], ["catalogue", "rebuild", ""], ["catalogue", "find", ""],
        ["catalogue", "find", "--digest", ""], ["audit", ""], ["trace", "", "--equipment", "D"],
        ["custody", ""], ["custody", ".", "--against", ""], ["enter", "", "note", "--note", "x"],
        ["receive", ""], ["receive", ".", "--to", ""], ["deliver", "", "--to", "out"],
        ["deliver", ".", "--to", ""], ["close", "", "--ledger", "."], ["close", "r", "--ledger", ""],
    ],
)  # fmt: skip
def test_an_empty_name_is_not_the_working_folder(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A variable that a script forgot to set must not have another folder read or written."""
    monkeypatch.setenv("PROVPACK_CATALOGUE", str(tmp_path / "index.sqlite"))
    monkeypatch.chdir(tmp_path)
    said = run(*words)
    assert said.code == 2 and list(tmp_path.iterdir()) == [], said.err
