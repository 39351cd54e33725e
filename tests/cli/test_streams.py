"""Standard output that is full, closed or not read to its end; a working folder that is gone.

/dev/full takes nothing (Linux, full(4)); `>&-` closes a stream (POSIX shell, 2.7.6).
"""

from __future__ import annotations

import contextlib
import json
import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from cli.commandline import command, no_traceback
from cli.test_verify_habit import packages

from provpack.cli import streams
from provpack.edge.ledger import LEDGER_NAME, read_entries

pytestmark = pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")


def shell(words: list[str | Path], after: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    line = " ".join(shlex.quote(os.fsdecode(word)) for word in command(*words))
    return subprocess.run(
        ["bash", "-c", f"{line} {after}"], capture_output=True, text=True, timeout=60, cwd=cwd, check=False
    )


def checks(root: Path) -> int:
    return sum(entry["kind"] == "fixity_checked" for entry in read_entries(root / LEDGER_NAME))


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return packages(tmp_path / "srv", 1)


@pytest.mark.parametrize("form", [(), ("--json",), ("--brief",)])
def test_a_full_disk_under_the_output_is_told(form: tuple[str, ...], root: Path) -> None:
    ran = shell(["verify", root, *form], ">/dev/full")
    assert ran.returncode == 15
    no_traceback(ran.stderr)
    assert "(outcome good, exit code 0)" in ran.stderr and "no space left on device" in ran.stderr
    assert checks(root) == 1, "what was checked stays recorded"


def test_what_was_found_is_told_though_the_output_is_lost(root: Path) -> None:
    (root / "pkg-000/bagit.txt").unlink()
    ran = shell(["verify", root, "--json"], ">/dev/full")
    assert ran.returncode == 15 and "(outcome bad, exit code 10)" in ran.stderr


@pytest.mark.parametrize(
    "words",
    [
        ["--help"], ["custody", "--json", "."], ["custody", "."], ["nosuch", "--json"],
        ["inspect", "nothing.wav", "--json"],
    ],
)  # fmt: skip
def test_every_command_tells_it(words: list[str | Path], root: Path) -> None:
    for after in (">/dev/full", ">&-", "1</dev/null"):
        ran = shell(words, after, root)
        assert ran.returncode == 15, (after, ran.stderr)
        assert "could not be written to standard output" in ran.stderr
        no_traceback(ran.stderr)


def test_why_a_command_was_refused_is_told_though_the_output_is_lost() -> None:
    ran = shell(["nosuch", "--json"], ">/dev/full")
    assert "There is no command 'nosuch'" in ran.stderr


def test_without_an_output_nothing_is_begun(root: Path) -> None:
    ran = shell(["verify", root], ">&-")
    assert ran.returncode == 15 and "it is closed" in ran.stderr
    assert checks(root) == 0
    assert shell(["verify", root], ">&- 2>&- <&-").returncode == 15


@pytest.mark.parametrize("after", ["2>&-", "2>/dev/full", "<&-"])
@pytest.mark.parametrize("form", [(), ("--json",)])
def test_without_standard_error_or_input_the_result_is_told(
    after: str, form: tuple[str, ...], root: Path
) -> None:
    ran = shell(["verify", root, *form], after)
    assert ran.returncode == 0 and "good" in ran.stdout
    assert not form or json.loads(ran.stdout)["outcome"] == "good"
    refused = shell(["verify", "--json"], after)
    assert refused.returncode == 2 and json.loads(refused.stdout)["outcome"] == "refused"


@pytest.mark.parametrize("words", [["verify", "--json"], ["nosuch", "--json"], ["verify", "--help"]])
def test_a_reader_that_goes_away_is_left_in_peace(words: list[str | Path], root: Path) -> None:
    # `true` reads nothing; the sleep lets it end before anything is written
    line = " ".join(shlex.quote(os.fsdecode(word)) for word in command(*words))
    ran = subprocess.run(
        ["bash", "-c", f"(sleep 0.3; exec {line}) | true; exit ${{PIPESTATUS[0]}}"],
        capture_output=True, text=True, timeout=60, cwd=root, check=False,
    )  # fmt: skip
    assert ran.returncode == 128 + 13 and ran.stderr == ""


def test_a_pipe_that_does_not_wait_loses_nothing(root: Path) -> None:
    """O_NONBLOCK belongs to the open pipe, so whoever else holds it can set it (POSIX fcntl)."""
    many = packages(root.parent / "many", 60)
    read, write = os.pipe()
    os.set_blocking(write, False)
    with subprocess.Popen(command("verify", many, "--json"), stdout=write, stderr=subprocess.PIPE) as process:
        os.close(write)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(timeout=4)  # it waits for us to read: a pipe holds 64 KiB
        with os.fdopen(read, "rb") as file:
            told = file.read()
        assert process.wait(timeout=30) == 0 and process.stderr is not None and process.stderr.read() == b""
    assert len(told) > 65536 and len(json.loads(told)["units"]) == 60


@pytest.mark.parametrize(
    "words",
    [
        ["verify", "."], ["verify", "x", "--json"], ["audit", "."], ["demo", "d"], ["catalogue", "find", "x"],
        ["inspect", "x.wav", "--json"], ["verify", "PACKAGE", "--page", "x.html"], ["custody"],
    ],
)  # fmt: skip
def test_a_working_folder_that_is_gone_is_told(words: list[str], root: Path, tmp_path: Path) -> None:
    named: list[str | Path] = [root / "pkg-000" if word == "PACKAGE" else word for word in words]
    gone = tmp_path / "gone"
    gone.mkdir()
    line = " ".join(shlex.quote(os.fsdecode(word)) for word in command(*named))
    env = {**os.environ, "PYTHONPATH": str(Path(streams.__file__).parents[2])}
    ran = subprocess.run(
        ["bash", "-c", f"cd {shlex.quote(str(gone))} && rmdir {shlex.quote(str(gone))} && {line}"],
        capture_output=True, text=True, timeout=60, env=env, check=False,
    )  # fmt: skip
    assert ran.returncode == 15, ran.stderr
    assert "The folder you are in is not there any more" in ran.stderr
    if "--json" in words:
        assert json.loads(ran.stdout)["error"]["code"] == "no-working-folder"


def test_no_file_takes_the_place_of_a_closed_stream(tmp_path: Path) -> None:
    """The next file that is opened gets the lowest free number (POSIX open): never 0, 1 or 2 here."""
    script = (
        "import os\nfrom provpack.cli import streams\nlost = streams.take_over()\n"
        f"file = os.open({str(tmp_path / 'f')!r}, os.O_WRONLY | os.O_CREAT)\n"
        f"os.write(file, b'%d %d' % (file, lost is not None))\n"
    )
    line = f"{shlex.quote(sys.executable)} -c {shlex.quote(script)} <&- >&- 2>&-"
    env = {**os.environ, "PYTHONPATH": str(Path(streams.__file__).parents[2])}
    subprocess.run(["bash", "-c", line], env=env, check=True, timeout=30)
    number, lost = map(int, (tmp_path / "f").read_text().split())
    assert number > 2 and lost == 1
