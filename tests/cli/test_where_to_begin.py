"""`provpack` alone tells what to do next, from what lies in the working folder; and the shell completes."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from cli.commandline import no_traceback, run
from support.documents import context

from provpack.cli.main import COMMANDS, cli
from provpack.jobs import whatnext
from provpack.jobs.whatnext import Step, what_next

STEPS = [value for value in vars(whatnext).values() if isinstance(value, Step)]


@pytest.mark.parametrize(
    ("names", "wanted"),
    [
        ((), (whatnext.NOTHING,)),
        (("holiday.txt",), (whatnext.NOTHING,)),
        (("job.toml",), (whatnext.JOB,)),
        (("bagit.txt", "data"), (whatnext.PACKAGE,)),
        (("custody-ledger.jsonl", "a_t01"), (whatnext.SHELF,)),
        (("delivery-note.json",), (whatnext.DELIVERY,)),
        (("receipt-2031-001.json",), (whatnext.RECEIPT,)),
        (("job.toml", "custody-ledger.jsonl"), (whatnext.JOB, whatnext.SHELF)),
    ],
)
def test_what_lies_here_decides(names: tuple[str, ...], wanted: tuple[Step, ...], tmp_path: Path) -> None:
    for name in names:
        (tmp_path / name).write_bytes(b"")
    assert what_next(tmp_path) == wanted


def test_a_folder_that_cannot_be_read_is_no_trouble(tmp_path: Path) -> None:
    assert what_next(tmp_path / "gone") == (whatnext.NOTHING,)


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.what)
def test_the_commands_told_are_commands(step: Step) -> None:
    for line, why in step.commands:
        _, name, *words = shlex.split(line)
        command = cli.get_command(context(cli), name)
        assert command is not None and why, line
        command.make_parser(context(command)).parse_args(words)


def test_provpack_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "job.toml").write_bytes(b"")
    monkeypatch.chdir(tmp_path)
    said = run()
    no_traceback(said.out + said.err)
    assert said.code == 0 and "Here: This is a job folder." in said.out and "provpack check ." in said.out
    assert said.out.index("Exit codes") < said.out.index("Here:"), "last, where the eye is"


def completed(line: str) -> list[str]:
    """What a shell gets for a line that ends where the cursor stands."""
    words = line.split(" ")
    env = {
        **os.environ,
        "_PROVPACK_COMPLETE": "bash_complete",
        "COMP_WORDS": line,
        "COMP_CWORD": str(len(words) - 1),
    }
    code = "from provpack.cli.main import entry; entry()"
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=False)
    assert done.stderr == ""
    return [one.partition(",")[2] for one in done.stdout.splitlines()]


def test_the_shell_completes() -> None:
    """By click's own protocol (click documentation, Shell Completion)."""
    assert completed("provpack ") == list(COMMANDS)
    assert completed("provpack ca") == ["catalogue"]
    assert "--debug" in completed("provpack --")
    assert completed("provpack verify --sec") == ["--second-copy"]
    assert completed("provpack catalogue re") == ["rebuild"]
