"""Command lines as a new user types them: each refusal says what belongs there, in plain words."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from cli.commandline import no_traceback, run
from support.jobs import make_job


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("chek", "x"), "Did you mean 'check'?"),
        (("CHECK", "x"), "Did you mean 'check'?"),
        (("help",), "Did you mean 'provpack --help'?"),
        (("help", "verify"), "Did you mean 'provpack --help'?"),
        (("version",), "Did you mean 'provpack --version'?"),
        (("--json", "verify", "x"), "provpack COMMAND --json"),
        (("check",), "JOB is missing: the folder that holds job.toml"),
        (("wrap", "a"), "--to PATH is missing: Folder the packages go to"),
        (("wrap", "a", "--to"), "Nothing stands after --to, which needs a value."),
        (("wrap", "a", "--to"), "Type 'provpack wrap --help'."),
        (("verify", "x", "--workers", "0"), "--workers 0 cannot be: write a whole number from 1 to 256."),
        (("verify", "x", "--sample", "0"), "--sample 0 cannot be: write a whole number, 1 or more."),
        (("verify", "x", "--sample", "few"), "--sample 'few' is no whole number."),
        (("wrap", "a", "--too", "b"), "Did you mean '--to'?"),
        (("wrap", "a", "b", "--to", "c"), "Too much was typed; this has no place here: b."),
        (("check", "my", "job"), "A path or text with blanks in it stands in quotes"),
        (("verify", "x", "--depth", "byte"), "Did you mean 'bytes'?"),
        (("verify", "x", "--depth", "Meaning"), "Did you mean 'meaning'?"),
        (("wrap", "a", "--to", "b", "--derive", "deemphasys"), "Did you mean 'deemphasis'?"),
        (("heal", "a"), "--to DIR is missing"),
        (("heal", "--to", "x"), "COPY COPY... is missing: the places of two or more copies"),
        (("deliver",), "PACKAGE_OR_FOLDER... is missing: packages, or the folder that wrap"),
        (("close", "r.json"), "--ledger DIR is missing: Folder the packages were delivered from"),
        (("receive",), "PATH is missing: the folder of the delivery"),
        (("catalogue", "rebild"), "Did you mean 'rebuild'?"),
        (("jot", "strt"), "Did you mean 'start'?"),
    ],
)
def test_what_was_typed_wrong_is_said(words: tuple[str, ...], said: str) -> None:
    answer = run(*words)
    assert answer.code == 2 and (answer.out == "") == ("--json" not in words)
    assert said in answer.err and "to do: " in answer.err
    no_traceback(answer.err)


@pytest.mark.parametrize("group", ["jot", "catalogue"])
def test_a_group_alone_shows_its_help_as_it_is(group: str) -> None:
    answer = run(group)
    assert answer.code == 2 and answer.err.startswith(f"Usage: provpack {group} ")
    assert "Commands:\n" in answer.err and "\\x0a" not in answer.err
    told = run(group, "--json")
    assert told.code == 2 and "\\x0a" not in told.err


def test_a_path_in_the_place_of_a_command(tmp_path: Path) -> None:
    (tmp_path / "a file").write_bytes(b"")
    assert "is a folder, and a command stands before it" in run(tmp_path).err
    assert "is a file, and a command stands before it" in run(tmp_path / "a file").err


def test_the_sheet_in_the_place_of_its_folder(tmp_path: Path) -> None:
    job = make_job(tmp_path / "my 'job'", ids=("T01",), frames=4000)
    for command in (("check",), ("wrap", "--to", tmp_path / "out"), ("bench",)):
        answer = run(command[0], job / "job.toml", *command[1:])
        assert answer.code == 12 and "is a file; a job is a folder." in answer.err
        assert f"Name the folder it lies in: {job}" in answer.err


def test_a_wrong_path_is_not_spoken_of_as_damage(tmp_path: Path) -> None:
    for path, said in ((tmp_path, "There is no package at or beneath"), (tmp_path / "x", "There is nothing")):
        answer = run("verify", path)
        assert answer.code == 10 and said in answer.out and "Repair nothing" not in answer.out


def test_a_folder_where_one_file_is_read(tmp_path: Path) -> None:
    answer = run("inspect", tmp_path)
    assert answer.code == 12 and "This is a folder; one file is read here." in answer.err
    assert "`provpack verify`" in answer.err


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("Transfers.CSV", "write its name in small letters, 'transfers.csv'"),
        ("transfers.xlsx", "save it as 'CSV UTF-8' under the name 'transfers.csv'"),
        ("evening of may.ods", "'evening of may.ods' is a spreadsheet"),
        ("transfers (1).csv", "Is it 'transfers (1).csv'? Then name it 'transfers.csv'."),
        ("holiday.txt", "Add transfers.csv, or [[transfer]] tables in job.toml."),
    ],
)
def test_a_sheet_under_another_name_is_named(tmp_path: Path, name: str, said: str) -> None:
    (tmp_path / "job.toml").write_text('job_id = "J1"\nclient = "Quay House"\n')
    (tmp_path / name).write_bytes(b"")
    answer = run("check", tmp_path, "--json").json()
    (todo,) = [f["todo"] for f in answer["findings"] if f["rule"] == "job-no-transfers"]
    assert said in todo


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("box", "One lies in the folder 'job': name that folder."),
        ("box/job/audio", "One lies in the folder above: name "),
        ("caps", "'Job.toml' is there: write its name in small letters, 'job.toml'."),
        ("none", "Name the folder that holds job.toml. For a new job, copy the one"),
        ("package", "This is a package. Name the folder of the job it was made from"),
    ],
)
def test_a_job_that_lies_elsewhere_is_named(tmp_path: Path, given: str, said: str) -> None:
    for folder in ("box/job/audio", "caps", "none", "package/data"):
        (tmp_path / folder).mkdir(parents=True)
    for name in ("bagit.txt", "data/master.wav"):
        (tmp_path / "package" / name).write_bytes(b"-")
    (tmp_path / "box/job/job.toml").write_text("")
    (tmp_path / "caps/Job.toml").write_text("")
    answer = run("check", tmp_path / given, "--json").json()
    sought = [f for f in answer["findings"] if f["rule"] == "job-sheet-missing" and "job.toml" in f["what"]]
    assert said in sought[0]["todo"]
    if given in ("none", "package"):  # what follows from it is not told besides
        assert len(answer["findings"]) == 1


IN_THE_IMPORT = """
import os, signal, sys
import provpack.__main__ as program
signal.signal(signal.SIGINT, signal.default_int_handler)  # tests run in the background inherit an ignored one

class Interrupting:
    @staticmethod
    def find_spec(name, path=None, target=None):
        if name == "provpack.cli.main":
            os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, Interrupting)
program.run()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="os.kill ends the process there")
def test_ctrl_c_while_the_program_is_loaded_is_no_traceback() -> None:
    done = subprocess.run([sys.executable, "-c", IN_THE_IMPORT], capture_output=True, timeout=30, check=False)
    said = done.stderr.decode()
    assert done.returncode == 130 and done.stdout == b""
    assert said.startswith("provpack: Stopped by you before anything was begun.") and "to do: " in said
    no_traceback(said)
