"""Hostile and half-right input through the real command line: a designed exit code, a named finding that says
what, where and what to do, received files untouched, no half package, bounded time and memory."""

from __future__ import annotations

import contextlib
import hashlib
import os
import resource
import shutil
import signal
import stat
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

import pytest
from cli.commandline import Said, fits, names_of, no_traceback, run, told
from cli.hostile import Case
from cli.hostile_cases import CASES
from support.jobs import make_job

SECONDS = 20
READ_WHOLE = 3_000_000
"""Longer results are not compared with their schema, which takes longer than making them."""
ROOM = 1024 * 1024 * 1024
"""Address space a case may take beyond what the test process has."""


@pytest.fixture(scope="session")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A good job and a good package of it."""
    top = tmp_path_factory.mktemp("good")
    make_job(top / "job")
    assert run("wrap", top / "job", "--to", top / "out").code == 1
    return top


@pytest.fixture
def place(good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of one case."""
    shutil.copytree(good / "job", tmp_path / "job")
    shutil.copytree(good / "out/job-1_t01", tmp_path / "package")
    shutil.copy(good / "job/T01.wav", tmp_path / "x.wav")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def snapshot(folder: Path) -> dict[bytes, tuple[int, bytes]]:
    """Everything below a folder: kind and permissions, and bytes or target. Big holes by their size only."""
    found = {}
    if not folder.is_dir():
        return {b"": (0, folder.read_bytes() if folder.is_file() else b"")}
    for top, folders, files, here in os.fwalk(os.fsencode(folder)):
        for name in [*folders, *files]:
            info = os.stat(name, dir_fd=here, follow_symlinks=False)
            content = b""
            if stat.S_ISLNK(info.st_mode):
                content = os.readlink(name, dir_fd=here)
            elif stat.S_ISREG(info.st_mode):
                content = b"%d" % info.st_size
                if info.st_size < 100_000_000:
                    with os.fdopen(os.open(name, os.O_RDONLY, dir_fd=here), "rb") as f:
                        content = hashlib.sha256(f.read()).digest()
            found[top + b"/" + name] = (info.st_mode, content)
    return found


@contextlib.contextmanager
def bounded(seconds: int = SECONDS) -> Iterator[None]:
    """No longer than so many seconds, no more memory than ROOM."""

    def late(number: int, frame: FrameType | None) -> None:
        raise AssertionError(f"still at work after {seconds} s")

    with open("/proc/self/statm") as f:  # noqa: PTH123
        used = int(f.read().split()[0]) * resource.getpagesize()
    before, most = resource.getrlimit(resource.RLIMIT_AS)
    handler = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    resource.setrlimit(resource.RLIMIT_AS, (used + ROOM, most))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (before, most))
        signal.alarm(0)
        signal.signal(signal.SIGALRM, handler)


def whole_packages(destination: Path) -> list[Path]:
    """What stands under a final name; each verified to the bottom, and nothing half beside it."""
    if not destination.is_dir() or destination.is_symlink():
        return []
    packages = [p for p in destination.iterdir() if (p / "bagit.txt").is_file()]
    for package in packages:
        value = run("verify", package, "--depth", "meaning", "--no-ledger", "--json").json()
        assert value["outcome"] == "good"
    return packages


def sound(said: Said, words: list[str]) -> None:
    """What every answer must be, whatever the question."""
    no_traceback(said.err + said.out)
    value = said.json()
    if len(said.out) < READ_WHOLE:
        fits("error" if "error" in value else words[0], value)
    assert value["exit_code"] == said.code
    assert said.code != 70, said.err
    for one in told(value):
        assert one["what"].strip()
        assert one["where"].strip()
        assert one["todo"].strip()
        assert "\x1b" not in one["what"] + one["where"]


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_bad_input(case: Case, place: Path) -> None:
    case.spoil(place)
    words = case.words.split()
    before = {name: snapshot(place / name) for name in ("job", "package")}
    there = {p.name for p in (place / "out").iterdir()} if (place / "out").is_dir() else set()
    with bounded():
        said = run(*words, "--json")
    sound(said, words)
    assert {name: snapshot(place / name) for name in ("job", "package")} == before
    assert said.code in case.codes, (said.code, sorted(names_of(told(said.json()))), said.out[:2000])
    if case.told:
        assert case.told in names_of(told(said.json())), sorted(names_of(told(said.json())))
    made = whole_packages(place / "out")
    assert len(made) == case.made
    if (place / "out").is_dir() and not (place / "out").is_symlink():
        new = {p.name for p in (place / "out").iterdir()} - there
        strange = {n for n in new - {p.name for p in made} if not n.startswith("custody-ledger.jsonl")}
        assert not strange
    # nothing a file says may reach the terminal as a command to it
    text = run(*words)
    no_traceback(text.err + text.out)
    assert not {c for c in text.out + text.err if c in "\x1b\x07\x00\u202e"}


def test_the_table_is_long_enough() -> None:
    assert len(CASES) >= 60
    assert len({c.name for c in CASES}) == len(CASES)
