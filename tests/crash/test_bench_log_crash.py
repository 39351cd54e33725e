"""A process that writes the bench log is killed: what was confirmed is there, and nothing is half."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from provpack.edge.benchlog import append, read
from provpack.findings import worst
from provpack.package.benchfold import fold
from provpack.package.benchline import LOG_NAME
from tests.support.benchlines import event, noted, started

ROOT = Path(__file__).resolve().parents[2]

RANDOM = """
import sys
from pathlib import Path
from provpack.edge.benchlog import append
from tests.support.benchlines import event
path, who, size = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
print("ready", flush=True)
for i in range(100_000):
    append(path, event("T01", 1, "mute", note=f"{who}-{i}-" + "x" * size))
    print(f"{who}-{i}", flush=True)
"""

AT_EACH_STEP = """
import os, signal, sys
from pathlib import Path
from provpack.edge.benchlog import append
from tests.support.benchlines import event
path, last = Path(sys.argv[1]), int(sys.argv[2])
steps = 0
def counting(name):
    real = getattr(os, name)
    def step(*given, **named):
        global steps
        steps += 1
        if steps == last:
            if name == "write":  # half of it reaches the disk
                real(given[0], bytes(given[1])[: len(given[1]) // 2])
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*given, **named)
    setattr(os, name, step)
line = event("T01", 1, "hold", note="the next")
import provpack.edge.schemas, fcntl
provpack.edge.schemas.validate("bench-entry", line)
for name in ("open", "write", "fsync", "ftruncate", "close", "fstat", "lseek"):
    counting(name)
append(path, line)
os.write(1, b"told")
"""


@pytest.mark.parametrize("before", ["nothing", "torn"])
def test_killed_at_each_step_of_an_append(tmp_path: Path, before: str) -> None:
    """SIGKILL leaves what the kernel took in: this proves order and recovery, not the medium itself."""
    told = False
    for step in range(1, 60):
        folder = tmp_path / str(step)
        folder.mkdir()
        path = folder / LOG_NAME
        stood = 0
        if before != "nothing":
            append(path, started("T01", 1, "A"))
            append(path, event("T01", 1, "mute"))
            stood = 2
        if before == "torn":
            with path.open("ab") as f:
                f.write(b'{"at":"2031-05-20T2')
        done = subprocess.run(
            [sys.executable, "-c", AT_EACH_STEP, str(path), str(step)],
            capture_output=True, cwd=ROOT, timeout=60, check=False,
        )  # fmt: skip
        told = done.stdout == b"told"
        assert told or done.returncode == -signal.SIGKILL, done.stderr.decode()
        log = read(path)
        assert worst(log.findings) in (None, "note", "warning")
        count = len(log.entries)
        assert count == stood + 1 if told else count in (stood, stood + 1)
        assert append(path, noted("back again"))["n"] == count + 1  # the lock died with the process
        again = read(path)
        assert len(again.entries) == count + 1
        assert worst(again.findings) in (None, "note")
        if stood:
            assert fold(again.entries).running()[0].n == 1
        if told:
            break
    assert told and step > 6


def test_killed_at_random_moments(tmp_path: Path) -> None:
    path = tmp_path / LOG_NAME
    append(path, started("T01", 1, "A"))
    dice = random.Random(6)
    told: list[str] = []
    # eight turns, and more where the machine is so busy that few lines are written in the time they have
    for turn in range(40):
        if turn >= 8 and len(told) > 10:
            break
        writers = []
        for name in "ab":
            said = tmp_path / f"{turn}{name}.txt"
            size = str(dice.choice([10, 15_000]))
            with said.open("wb") as out:
                line = [sys.executable, "-c", RANDOM, str(path), f"{turn}{name}", size]
                writers.append((subprocess.Popen(line, stdout=out, cwd=ROOT), said))
        while not all(said.stat().st_size for _, said in writers):
            time.sleep(0.002)
        time.sleep(dice.uniform(0.05, 0.3))
        for writer, _ in writers:
            writer.send_signal(signal.SIGKILL)
        for writer, said in writers:
            assert writer.wait(10) == -signal.SIGKILL
            told += said.read_text().split("\n")[1:-1]
    append(path, noted("end"))
    log = read(path)
    assert worst(log.findings) in (None, "note")
    notes = [e["note"].rpartition("-")[0] for e in log.entries if e["kind"] == "event"]
    assert len(told) > 10 and set(told) <= set(notes) and len(set(notes)) == len(notes)
    # at most one more per writer: appended, and killed before it could say so
    assert len(notes) - len(told) <= 2 * turn
    (running,) = fold(log.entries).running()
    assert len(running.events) == len(notes)
