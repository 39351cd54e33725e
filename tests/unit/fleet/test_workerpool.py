"""Worker processes: what they give, and what comes of those that die, hang, fail, or never come up."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from support.fleet import children_of, make_nothing, make_worker

from provpack.edge.workerpool import Lost, WorkerPool
from provpack.errors import EnvironmentProblem

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc for workers")
PATIENCE = 1.5
"""Seconds: longer than a busy machine keeps a process that has something to say from saying it."""


def children() -> set[int]:
    """Processes begun by this one, but for the tracker that multiprocessing keeps."""
    return {child for child, line in children_of(os.getpid()) if b"resource_tracker" not in line}


@pytest.fixture(autouse=True)
def nobody_is_left() -> Iterator[None]:
    before = children()
    yield
    assert children() <= before


def run(*items: tuple[str, Any], size: int = 2, patience: float = 30.0) -> tuple[dict[int, Any], int]:
    """(results by number, bytes told)."""
    heard = 0

    def told(amount: int) -> None:
        nonlocal heard
        heard += amount

    pool: WorkerPool[Any, Any] = WorkerPool(make_worker, size, patience)
    results = {n: result for n, _, result in pool.run(iter(enumerate(items)), len(items), told)}
    return results, heard


def test_every_item_gives_its_result_and_every_byte_is_told() -> None:
    results, heard = run(*(("double", n) for n in range(300)))
    assert results == {n: 2 * n for n in range(300)}
    assert heard == sum(range(300))


def test_an_item_is_taken_only_when_a_worker_is_free() -> None:
    taken = 0

    def items() -> Iterator[tuple[int, Any]]:
        nonlocal taken
        for number in range(40):
            taken += 1
            yield number, ("double", number)

    pool: WorkerPool[Any, Any] = WorkerPool(make_worker, 2, 30)
    back = 0
    for _ in pool.run(items(), 40, lambda _: None):
        back += 1
        assert taken <= back + 3  # two at work, one result waiting to be told
    assert back == 40


def test_both_workers_work() -> None:
    results, _ = run(*(("pid", 0.1),) * 30)
    assert len(set(results.values()) - {os.getpid()}) == 2


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSEGV])
def test_an_item_at_which_workers_die_is_given_up_after_two(number: signal.Signals) -> None:
    results, _ = run(("double", 1), ("die", number), *(("double", n) for n in range(2, 20)))
    lost = results.pop(1)
    assert isinstance(lost, Lost) and lost.kind == "died"
    assert f"signal {int(number)}, {number.name}" in lost.why
    assert results == {0: 2, **{n: 2 * n for n in range(2, 20)}}


def test_an_item_whose_worker_died_is_tried_once_more(tmp_path: Path) -> None:
    results, _ = run(("die once", str(tmp_path / "mark")), ("double", 4))
    assert results == {0: "second", 1: 8}


def test_an_exit_code_is_told() -> None:
    results, _ = run(("exit", 3))
    assert results[0] == Lost(why="exit code 3, at the second attempt too")


@pytest.mark.parametrize("what", ["hang", "stop"])
def test_who_is_silent_for_too_long_is_replaced(what: str) -> None:
    results, _ = run((what, None), *(("double", n) for n in range(1, 9)), size=1, patience=PATIENCE)
    lost = results.pop(0)
    assert isinstance(lost, Lost) and lost.hung
    assert results == {n: 2 * n for n in range(1, 9)}


def test_who_is_slow_but_says_something_is_let_be() -> None:
    results, heard = run(("slow", 30), size=1, patience=PATIENCE)  # three seconds, a word every tenth of one
    assert results == {0: "slow"} and heard == 30


def test_work_that_fails_is_told_and_the_worker_lives_on() -> None:
    results, _ = run(("fail", "oops"), ("unsendable", None), ("double", 3), size=1)
    assert results[0] == Lost(why="ZeroDivisionError: oops", kind="failed")
    assert isinstance(results[1], Lost) and results[1].kind == "failed" and "cannot" in results[1].why
    assert results[2] == 6


def test_the_last_one_learns_that_it_is_alone() -> None:
    results, _ = run(("alone", 0.3), ("alone", 10.0), ("double", 1))
    assert results == {0: False, 1: True, 2: 2}


def test_workers_that_never_come_up_are_an_environment_problem(capfd: pytest.CaptureFixture[str]) -> None:
    pool: WorkerPool[Any, Any] = WorkerPool(make_nothing, 2, 30)
    with pytest.raises(EnvironmentProblem) as caught:
        list(pool.run(iter(enumerate(["x"] * 5)), 5, lambda _: None))
    assert caught.value.code == "workers-do-not-start"
    assert capfd.readouterr().err == ""


def test_leaving_early_ends_everybody_at_once() -> None:
    pool: WorkerPool[Any, Any] = WorkerPool(make_worker, 2, 300)
    begun = time.monotonic()
    with closing(
        pool.run(iter([(0, ("double", 1)), (1, ("hang", None)), (2, ("hang", None))]), 3, print)
    ) as it:
        assert next(it)[0] == 0
    assert time.monotonic() - begun < 10


PARENT = """
import sys
sys.path[:0] = {path!r}
from provpack.edge.workerpool import WorkerPool
from support.fleet import make_worker
def main():
    pool = WorkerPool(make_worker, 2, 300)
    items = iter([(0, ("pid", None)), (1, ("hang", None)), (2, ("hang", None))])
    for number, _, pid in pool.run(items, 3, lambda _: None):
        print(pid, flush=True)
if __name__ == "__main__":
    main()
"""


def test_workers_end_with_their_parent_even_when_stuck(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(PARENT.format(path=sys.path))
    with subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as parent:
        assert parent.stdout is not None and parent.stderr is not None
        first = int(parent.stdout.readline())
        time.sleep(0.3)
        family = Path(f"/proc/{parent.pid}/task/{parent.pid}/children").read_text().split()
        assert str(first) in family and len(family) >= 2
        parent.kill()
        for _ in range(200):
            if not any(alive(int(pid)) for pid in family):
                break
            time.sleep(0.05)
        assert [pid for pid in family if alive(int(pid))] == []
        assert parent.stderr.read() == b""


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
