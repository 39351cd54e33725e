"""Ctrl-C before every instruction at which it can come, one after the other: no place is left to luck.

The way of a first line into a new ledger, of a further line and of a single new file is tried place by
place; whole commands at places that are drawn: test_random_signals.py.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from support.stops import Stops

from provpack.cli.main import Stopped, _Handler
from provpack.edge.commit import RealDisk
from provpack.edge.ledger import LEDGER_NAME, append, read_entries
from provpack.jobs.newfile import NewFile

LINE = {"kind": "note", "at": "2031-05-02T10:00:00+02:00", "note": "said"}


@pytest.fixture
def handled() -> Iterator[None]:
    """Ctrl-C as the program takes it; each time the first one of its run."""
    before = signal.getsignal(signal.SIGINT)
    yield
    signal.signal(signal.SIGINT, before)


def everywhere(
    work: Callable[[Path], Any], parts: tuple[str, ...], top: Path, prepare: Callable[[Path], Any]
) -> Iterator[tuple[Path, str]]:
    """Each folder after a stop, and where it came. Asserts that each stop was obeyed."""

    def once(name: str, at: int) -> tuple[Path, Stops, bool]:
        folder = top / name
        folder.mkdir()
        prepare(folder)
        stops = Stops(parts, at=at)
        signal.signal(signal.SIGINT, _Handler())
        try:
            stops.during(lambda: work(folder))
        except Stopped:
            return folder, stops, True
        return folder, stops, False

    _, seen, stopped = once("whole", 0)
    numbers = seen.distinct()
    assert numbers and not stopped
    for n in numbers:
        folder, stops, stopped = once(str(n), n)
        assert stopped and stops.where, n
        yield folder, stops.where


def names(folder: Path) -> list[str]:
    return sorted(one.name for one in folder.iterdir())


def test_a_first_line_is_there_whole_or_nothing_is(tmp_path: Path, handled: None) -> None:
    parts = ("edge/chained", "edge/ledger", "edge/commit.py", "edge/lasting.py", "edge/unbroken.py")
    outcomes = set()
    for folder, where in everywhere(lambda f: append(f / LEDGER_NAME, LINE), parts, tmp_path, lambda f: None):
        there = names(folder)
        assert there in ([], [LEDGER_NAME]), where
        assert not there or [e["note"] for e in read_entries(folder / LEDGER_NAME)] == ["said"], where
        outcomes.add(tuple(there))
    assert outcomes == {(), (LEDGER_NAME,)}


def test_a_further_line_is_there_whole_or_not_at_all(tmp_path: Path, handled: None) -> None:
    parts = ("edge/chained", "edge/ledger", "edge/commit.py", "edge/lasting.py", "edge/unbroken.py")
    outcomes = set()

    def prepare(folder: Path) -> None:
        append(folder / LEDGER_NAME, LINE)

    for folder, where in everywhere(lambda f: append(f / LEDGER_NAME, LINE), parts, tmp_path, prepare):
        assert names(folder) == [LEDGER_NAME], where
        said = [e["note"] for e in read_entries(folder / LEDGER_NAME)]
        assert said in (["said"], ["said", "said"]), where
        assert (folder / LEDGER_NAME).read_bytes().endswith(b"\n"), where
        outcomes.add(len(said))
    assert outcomes == {1, 2}


def test_a_single_new_file_is_there_whole_or_nothing_is(tmp_path: Path, handled: None) -> None:
    def write(folder: Path) -> None:
        NewFile(target=folder / "page", disk=RealDisk(), mark="m", option="--page").write(["one", "two"])

    parts = ("jobs/newfile.py", "edge/commit.py", "edge/lasting.py")
    outcomes = set()
    for folder, where in everywhere(write, parts, tmp_path, lambda f: None):
        there = names(folder)
        assert there in ([], ["page"]), where
        assert not there or (folder / "page").read_text() == "onetwo", where
        outcomes.add(tuple(there))
    assert outcomes == {(), ("page",)}
