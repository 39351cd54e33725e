"""Workers killed in the middle of a run over many packages; the run itself stopped by Ctrl-C, or by force."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from cli.commandline import command, fits, no_traceback, run
from support.fleet import alike, check, children_of, damaged_shelf, small_bags

from provpack.jobs import fleet
from provpack.jobs.crewprocesses import ProcessCrew
from provpack.jobs.crewthreads import ThreadCrew
from provpack.jobs.verified import UnitResult

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc for workers")
COUNT = fleet.MANY + 300
ENDING = 60
"""Seconds for a stopped run to end on a busy machine; one that went on would end with another code."""


def workers_of(pid: int) -> list[int]:
    """Worker processes of that one."""
    return [child for child, line in children_of(pid) if b"spawn_main" in line]


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def gone(pids: list[int]) -> bool:
    for _ in range(200):
        if not any(alive(pid) for pid in pids):
            return True
        time.sleep(0.05)
    return False


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("many") / "shelf"
    small_bags(folder, COUNT)
    return folder


def test_workers_killed_at_random_lose_and_invent_nothing(tmp_path: Path) -> None:
    shelf, damaged = damaged_shelf(tmp_path, 160)
    expected = check(shelf, ThreadCrew(1))
    assert {Path(u.path).name for u in expected.units if u.outcome != "good"} >= damaged - {"job-1_t02"}
    dice, killed = random.Random(11), 0
    seen: list[UnitResult] = []

    def record(unit: UnitResult) -> None:
        nonlocal killed
        seen.append(unit)
        workers = workers_of(os.getpid())
        if len(seen) % 40 == 20 and workers:
            os.kill(dice.choice(workers), signal.SIGKILL)
            killed += 1

    run = check(shelf, ProcessCrew(2), record=record)
    assert killed == 4
    assert alike(run.units) == alike(expected.units)
    assert sorted(u.path for u in seen) == sorted(u.path for u in expected.units)
    assert workers_of(os.getpid()) == []


def begun(shelf: Path, *words: str) -> tuple[subprocess.Popen[bytes], list[int]]:
    """A real run over the shelf that has its workers, and their numbers."""
    # the rate keeps it at work for as long as the test needs
    process = subprocess.Popen(
        command("verify", shelf, "--no-ledger", "--json", "--rate-limit", "300k", *words),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        # A test run in the background may have inherited an ignored Ctrl-C.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    for _ in range(600):
        workers = workers_of(process.pid)
        if len(workers) == 2:
            time.sleep(0.5)
            return process, workers
        time.sleep(0.05)
    process.kill()
    raise AssertionError("no workers came up")


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
@pytest.mark.parametrize("to", ["the run", "all on the terminal"])
def test_a_stopped_run_leaves_nobody_behind(number: signal.Signals, code: int, to: str, shelf: Path) -> None:
    process, workers = begun(shelf)
    if to == "the run":
        process.send_signal(number)
    else:
        os.killpg(process.pid, number)
    out, err = process.communicate(timeout=ENDING)
    assert process.returncode == code
    assert gone(workers)
    value = json.loads(out)
    fits("error", value)
    no_traceback(err.decode())
    assert b"resource_tracker" not in err


def test_a_run_ended_by_force_leaves_nobody_behind(shelf: Path) -> None:
    process, workers = begun(shelf)
    process.kill()
    out, err = process.communicate(timeout=ENDING)
    assert (process.returncode, out, err) == (-signal.SIGKILL, b"", b"")
    assert gone(workers)


def test_a_run_over_many_says_nothing_but_its_result(shelf: Path) -> None:
    done = subprocess.run(command("verify", shelf, "--no-ledger", "--json"), capture_output=True, timeout=120)
    assert (done.returncode, done.stderr) == (0, b"")
    value = json.loads(done.stdout)
    fits("verify", value)
    assert value["counts"]["good"] == COUNT
    assert [unit["path"] for unit in value["units"]] == [str(shelf / f"p{n:05}") for n in range(COUNT)]


def test_findings_come_in_the_same_order_in_every_process(tmp_path: Path) -> None:
    shelf, _ = damaged_shelf(tmp_path, 50)
    said = set()
    for seed in ("1", "2", "3"):
        done = subprocess.run(
            command("verify", shelf, "--no-ledger", "--json", "--depth", "meaning"),
            capture_output=True,
            env={**os.environ, "PYTHONHASHSEED": seed},
        )
        units = json.loads(done.stdout)["units"]
        for unit in units:
            del unit["started_at"], unit["finished_at"]
        said.add(json.dumps(units))
    assert len(said) == 1


def test_a_run_over_many_can_be_begun_from_the_same_process(shelf: Path) -> None:
    said = run("verify", shelf, "--no-ledger", "--json", "--workers", "2")
    assert said.code == 0 and said.json()["counts"]["good"] == COUNT
