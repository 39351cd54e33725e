"""A real wrap of about 150 MB is stopped at a random moment: by Ctrl-C, by the system, by force."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import Said, command, fits, names_of, no_traceback, run, told
from support.jobs import make_job

from provpack.edge.commit import PARTIAL_PREFIX

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc to see when handlers stand")

FRAMES = 37_500_000
TRIALS = 8
STOPPING = 90
"""Seconds for a stopped process to end. Nothing interrupts a sync of 150 MB that is under way, and the disk
may have others to serve."""
PACKAGE = "job-1_t01"


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    folder = make_job(tmp_path_factory.mktemp("big") / "job", frames=FRAMES)
    yield folder
    shutil.rmtree(folder)


@pytest.fixture(scope="module")
def undisturbed(job: Path, tmp_path_factory: pytest.TempPathFactory) -> float:
    """Seconds a wrap takes when nobody stops it, counted from when its signal handlers stand."""
    out = tmp_path_factory.mktemp("whole") / "out"
    process = start(job, out)
    begun = time.monotonic()
    process.communicate(timeout=120)
    assert process.returncode == 1
    took = time.monotonic() - begun
    assert intact(out / PACKAGE)
    shutil.rmtree(out)
    return took


def start(job: Path, out: Path) -> subprocess.Popen[bytes]:
    """The process, once it catches SIGTERM (before that, stopping it is the interpreter's affair)."""
    process = subprocess.Popen(
        command("wrap", job, "--to", out, "--json"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        # A test run in the background may have inherited an ignored Ctrl-C.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    for _ in range(12_000):  # a minute: on a busy machine the imports alone take seconds
        status = Path(f"/proc/{process.pid}/status").read_text()
        caught = next(line for line in status.splitlines() if line.startswith("SigCgt"))
        if int(caught.split()[1], 16) >> (signal.SIGTERM - 1) & 1:
            return process
        time.sleep(0.005)
    raise AssertionError("the process never got to work")


def intact(package: Path) -> bool:
    value = run("verify", package, "--depth", "bytes", "--no-ledger", "--json").json()
    return bool(value["outcome"] == "good")


def digest(path: Path) -> str:
    with path.open("rb") as f:
        return hashlib.file_digest(f, "sha256").hexdigest()


def stop(job: Path, out: Path, number: signal.Signals, moment: float) -> Said:
    process = start(job, out)
    time.sleep(moment)
    process.send_signal(number)
    try:
        said, err = process.communicate(timeout=STOPPING)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        raise AssertionError(f"still at work {STOPPING} s after {number.name}") from None
    return Said(code=process.returncode, out=said.decode(), err=err.decode())


def moments(number: signal.Signals, longest: float) -> list[float]:
    """Fixed fractions of the time an undisturbed wrap takes, a little of its end included."""
    dice = random.Random(int(number))
    return [dice.uniform(0, 1.02) * longest for _ in range(TRIALS)]


@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=["Ctrl-C", "terminated"]
)
def test_stopped_by_a_signal(
    number: signal.Signals, code: int, job: Path, undisturbed: float, tmp_path: Path
) -> None:
    received = job / "T01.wav"
    before = digest(received)
    stopped = 0
    for trial, moment in enumerate(moments(number, undisturbed)):
        out = tmp_path / f"out{trial}"
        said = stop(job, out, number, moment)
        no_traceback(said.err)
        value = said.json()
        left = [p.name for p in out.iterdir()] if out.exists() else []
        assert not [name for name in left if name.startswith(PARTIAL_PREFIX)], (moment, left)
        if said.code == 1:
            # it came too late: all was done
            assert value["units"][0]["outcome"] == "wrapped"
        else:
            stopped += 1
            fits("error", value)
            assert said.code == value["exit_code"] == code
            assert (value["outcome"], value["error"]["code"]) == ("stopped", "stopped")
            assert "Received files are untouched" in said.err
            assert "Run the same command again" in said.err
        if PACKAGE in left:
            # stopped between the seal and the last word: the package is whole
            assert intact(out / PACKAGE)
        shutil.rmtree(out, ignore_errors=True)
    assert digest(received) == before
    # On a machine whose load changes, some of the moments fall after the end; not all of them.
    assert stopped


def test_killed(job: Path, undisturbed: float, tmp_path: Path) -> None:
    received = job / "T01.wav"
    before = digest(received)
    leftovers = 0
    for trial, moment in enumerate(moments(signal.SIGKILL, undisturbed)):
        out = tmp_path / f"out{trial}"
        said = stop(job, out, signal.SIGKILL, moment)
        assert said.code in (-signal.SIGKILL, 1)
        left = {p.name for p in out.iterdir()} if out.exists() else set()
        partial = {name for name in left if name.startswith(PARTIAL_PREFIX)}
        leftovers += bool(partial)
        if PACKAGE in left:
            assert intact(out / PACKAGE)
        again = run("wrap", job, "--to", out, "--json")
        value = again.json()
        fits("wrap", value)
        named = {f["position"]["path"] for f in value["findings"] if f["rule"] == "wrap-leftover"}
        assert named == partial
        if PACKAGE in left:
            assert names_of(told(value)) >= {"destination-exists"}
        else:
            assert (again.code, value["units"][0]["outcome"]) == (1, "wrapped")
            assert trial % 3 or intact(out / PACKAGE)
        shutil.rmtree(out)
    assert digest(received) == before
    assert leftovers >= 2


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("wrap", "Every package that stands under its final name is complete"),
        ("verify", "Nothing was changed"),
        ("check", "Nothing was written"),
        ("inspect", "Nothing was written"),
        ("demo", "delete it and run the demo again"),
    ],
)
def test_the_message_fits_the_command(
    name: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a stopped command says of its leavings depends on which it is; Ctrl-C comes as an exception."""
    import importlib

    module = importlib.import_module(f"provpack.cli.{name}")

    def interrupted(*args: object, **named: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(module.command, "invoke", interrupted)
    line = [name, "x", *(["--to", "y"] if name == "wrap" else [])]
    said = run(*line, "--json")
    fits("error", said.json())
    assert said.code == 130
    assert words in said.err
    assert words in said.json()["error"]["todo"]


@pytest.mark.parametrize("where", ["before", "within", "after"])
def test_a_signal_about_the_answer_adds_no_second_one(
    where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One JSON object, however late it comes; behind the last byte the work is done and told."""
    import click

    from provpack.cli.main import Stopped

    real = click.echo
    done: list[str] = []

    def echo(text: str = "", **how: bool) -> None:
        if how.get("err") or done:
            real(text, **how)
            return
        done.append(where)
        if where != "before":
            real(text[: 40 if where == "within" else len(text)], nl=where == "after")
        if where != "after":
            raise Stopped(signal.SIGTERM)

    monkeypatch.setattr("provpack.cli.output.click.echo", echo)
    if where == "after":
        module = __import__("provpack.cli.enter", fromlist=["emit"])
        emit = module.emit

        def late(*words: object, **how: bool) -> int:
            emit(*words, **how)
            raise Stopped(signal.SIGTERM)

        monkeypatch.setattr(module, "emit", late)
    said = run("enter", tmp_path, "note", "--note", "x", "--json")
    no_traceback(said.err)
    if where == "after":
        assert (said.code, said.json()["exit_code"], said.err) == (0, 0, "")
    else:
        assert said.code == 143 and "whole or not at all" in said.err
        assert said.out.count('"schema"') == (where == "within")


def test_a_signal_while_the_answer_is_made_is_told_as_the_one_object(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from provpack.cli import output
    from provpack.cli.main import Stopped

    real, asked = output.json_parts, 0

    def parts(*words: Any) -> Iterator[str]:
        nonlocal asked
        asked += 1
        for n, part in enumerate(real(*words)):
            if asked == 1 and n == 5:
                raise Stopped(signal.SIGTERM)
            yield part

    monkeypatch.setattr(output, "json_parts", parts)
    said = run("enter", tmp_path, "note", "--note", "x", "--json")
    assert said.code == 143 and said.json()["outcome"] == "stopped" and asked == 2
    fits("error", said.json())


_STOPPED = """
import sys
where = sys.argv.pop(1)
from provpack.cli import main, output
real, done = output.click.echo, []
def echo(text="", **how):
    if how.get("err") or done:
        return real(text, **how)
    done.append(1)
    if where != "before":
        sys.stdout.write(text[:40])
    if where == "within":
        sys.stdout.flush()
    raise main.Stopped(15)
output.click.echo = echo
main.entry()
"""


@pytest.mark.parametrize("where", ["before", "in the buffer", "within"])
def test_what_has_not_left_the_process_is_taken_back(where: str, tmp_path: Path) -> None:
    """A real process, with the streams it has: one JSON object, unless part of another is out already."""
    script = tmp_path / "stopped.py"
    script.write_text(_STOPPED)
    words = [sys.executable, str(script), where, "enter", str(tmp_path), "note", "--note", "x", "--json"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120)
    assert done.returncode == 143, done.stderr
    if where == "within":
        assert done.stdout.count('"schema"') == 1 and len(done.stdout) == 40
    else:
        fits("error", value := json.loads(done.stdout))
        assert value["outcome"] == "stopped"


def test_a_signal_inside_the_import_system_is_put_off(monkeypatch: pytest.MonkeyPatch) -> None:
    from types import SimpleNamespace

    from provpack.cli import main

    started: list[tuple[float, tuple[int, ...]]] = []

    class Later:
        daemon = False

        def __init__(self, seconds: float, call: object, args: tuple[int, ...]) -> None:
            started.append((seconds, args))

        def start(self) -> None:
            assert self.daemon

    monkeypatch.setattr(main.threading, "Timer", Later)
    handler = main._Handler()
    inside = SimpleNamespace(f_code=SimpleNamespace(co_filename="<frozen importlib._bootstrap>"))
    handler(signal.SIGINT, inside)  # type: ignore[arg-type]
    assert started == [(main.SHORTLY, (signal.SIGINT,))]
    outside = SimpleNamespace(f_code=SimpleNamespace(co_filename="anything.py"))
    with pytest.raises(main.Stopped):
        handler(signal.SIGINT, outside)  # type: ignore[arg-type]
