"""Work in a process of its own: progress and result come back, and whatever happens nobody waits for ever."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from support import benchworkers as works

from provpack.edge import background
from provpack.edge.background import NICE, Background, Ended
from provpack.errors import EnvironmentProblem, InputProblem

LONG = 60.0
"""Seconds that nothing here takes."""


def run(work: background.Work) -> Ended:
    ended = Background(work).wait(LONG)
    assert ended is not None
    return ended


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + LONG
    while not true():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.01)


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    with contextlib.suppress(OSError):  # a zombie is not alive
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return True


def started(mark: Path) -> int:
    until(lambda: mark.is_file() and mark.read_text() != "")
    return int(mark.read_text())


def test_a_result_comes_back_as_it_is() -> None:
    value = {"a": [1, 2.5, None], "b": "\u00e9"}
    ended = run(partial(works.answer, value))
    assert ended == Ended(how="done", result=value)


def test_progress_comes_not_more_than_ten_times_a_second_and_the_last_of_it_counts() -> None:
    told: list[tuple[str, int, int, float]] = []
    over: list[Ended] = []
    begun = time.monotonic()
    work = Background(
        partial(works.count, 200, 0.005),
        told=lambda label, done, total: told.append((label, done, total, time.monotonic())),
        over=over.append,
    )
    ended = work.wait(LONG)
    assert ended == Ended(how="done", result=200)
    until(lambda: over == [ended])
    assert {(label, total) for label, _, total, _ in told} == {("counting", 200)}
    counts = [done for _, done, _, _ in told]
    assert counts == sorted(counts)
    # Counted from before the process began, for what waited in the pipe while this thread was held up comes
    # at once. One at either end; without the rule 200 would come in a second.
    lasted = told[-1][3] - begun
    assert len(told) <= lasted / 0.1 + 2


def test_who_waited_finds_it_told() -> None:
    """So that a list of works that was closed shows nothing as running (jobs/benchwork)."""
    seen: list[Ended] = []

    def over(ended: Ended) -> None:
        time.sleep(0.3)
        seen.append(ended)

    assert Background(partial(works.answer, 1), over=over).wait(LONG) == Ended(how="done", result=1)
    assert seen == [Ended(how="done", result=1)]


@pytest.mark.skipif(not hasattr(os, "nice"), reason="this system has no nice")
def test_it_steps_back_behind_everything_else() -> None:
    assert run(works.niceness).result == min(os.nice(0) + NICE, 19)


def test_a_problem_comes_back_with_all_its_words() -> None:
    ended = run(works.complain)
    assert ended.how == "failed"
    assert type(ended.problem) is InputProblem
    assert ended.problem.as_json() == {
        "code": "talker", "what": "It has 3 more.", "where": "there", "todo": "Listen.",
    }  # fmt: skip


@pytest.mark.parametrize(("work", "word"), [(works.trip, "over its own feet"), (works.unsendable, "sent")])
def test_a_mistake_of_ours_is_told_as_one(work: background.Work, word: str) -> None:
    problem = run(work).problem
    assert problem is not None
    assert problem.code == "bug"
    assert word in problem.what


def test_a_process_that_dies_is_told_with_its_signal() -> None:
    ended = run(works.perish)
    assert ended.how == "failed"
    assert isinstance(ended.problem, EnvironmentProblem)
    assert "signal 9, SIGKILL" in ended.problem.what


def test_work_that_is_stopped_takes_away_what_it_began(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    work = Background(partial(works.endless, mark))
    pid = started(mark)
    assert work.pid == pid
    work.stop()
    ended = work.wait(LONG)
    assert ended is not None
    assert ended.how == "stopped"
    assert not mark.exists()
    assert not alive(pid)
    assert work.pid is None
    work.stop()  # once more does nothing


def test_work_that_does_not_listen_is_killed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(background, "GRACE", 0.2)
    mark = tmp_path / "mark"
    work = Background(partial(works.deaf, mark))
    pid = started(mark)
    work.stop()
    ended = work.wait(LONG)
    assert ended is not None
    assert ended.how == "stopped"
    until(lambda: not alive(pid))  # killed; with a GRACE this short its end is hardly waited for


def test_work_that_says_nothing_for_too_long_is_given_up(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    work = Background(partial(works.deaf, mark), patience=0.5)
    pid = started(mark)
    ended = work.wait(LONG)
    assert ended is not None
    assert ended.problem is not None
    assert "nothing was heard of it" in ended.problem.what
    assert not alive(pid)


def test_what_cannot_be_started_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: object) -> None:
        raise OSError(11, "no more processes")

    monkeypatch.setattr("multiprocessing.context.SpawnProcess.start", refuse)
    with pytest.raises(EnvironmentProblem, match="could be started"):
        Background(works.niceness)


PARENT = """
import sys, time
from functools import partial
from pathlib import Path
from support import benchworkers as works
from provpack.edge.background import Background
if __name__ == "__main__":
    mark, seen = Path(sys.argv[2]), Path(sys.argv[3])
    Background(partial(getattr(works, sys.argv[1]), mark))
    while not seen.exists():
        time.sleep(0.01)
"""


def parent(tmp_path: Path, kind: str) -> tuple[subprocess.Popen[bytes], int, Path]:
    """A program of its own with one work under way: the program, the work's process, its mark. It ends when
    there is a file called `seen`."""
    script, mark = tmp_path / "parent.py", tmp_path / "mark"
    script.write_text(PARENT)
    tests = Path(__file__).resolve().parents[2]
    env = {**os.environ, "PYTHONPATH": f"{tests.parent}{os.pathsep}{tests}"}
    program = subprocess.Popen([sys.executable, script, kind, mark, tmp_path / "seen"], env=env)
    return program, started(mark), mark


def test_it_ends_when_its_parent_is_killed_and_takes_away_what_it_began(tmp_path: Path) -> None:
    program, pid, mark = parent(tmp_path, "endless")
    program.send_signal(signal.SIGKILL)
    program.wait(LONG)
    until(lambda: not alive(pid))
    assert not mark.exists()


def test_a_deaf_one_ends_with_its_parent_too(tmp_path: Path) -> None:
    program, pid, _ = parent(tmp_path, "deaf")
    program.send_signal(signal.SIGKILL)
    program.wait(LONG)
    until(lambda: not alive(pid))


def test_a_program_that_just_ends_is_not_held_up(tmp_path: Path) -> None:
    program, pid, mark = parent(tmp_path, "endless")
    (tmp_path / "seen").touch()
    assert program.wait(LONG) == 0
    until(lambda: not alive(pid))
    assert not mark.exists()
