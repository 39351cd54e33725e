"""A process that appends to the ledger is killed at random moments: nothing acknowledged is lost."""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from provpack.edge.ledger import LEDGER_NAME, append, read_entries

SCRIPT = """
import sys
from pathlib import Path
from provpack.edge.ledger import append
path, who, size = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
print("ready", flush=True)
for i in range(100_000):
    append(path, {"kind": "note", "note": f"{who}-{i}", "filler": "x" * size})
    print(f"{who}-{i}", flush=True)
"""


def test_killed_at_random_moments(tmp_path: Path) -> None:
    """SIGKILL leaves what the kernel took in: this proves order and recovery, not the medium itself."""
    path = tmp_path / LEDGER_NAME
    dice = random.Random(4)
    told: list[str] = []
    # twelve turns, and more where the machine is so busy that few lines are written in the time they have
    for turn in range(60):
        if turn >= 12 and len(told) > 20:
            break
        writers = []
        for name in "ab":
            said = tmp_path / f"{turn}{name}.txt"
            size = str(dice.choice([10, 200_000]))
            with said.open("wb") as out:
                line = [sys.executable, "-c", SCRIPT, str(path), f"{turn}{name}", size]
                writers.append((subprocess.Popen(line, stdout=out), said))
        while not all(said.stat().st_size for _, said in writers):
            time.sleep(0.002)
        time.sleep(dice.uniform(0.005, 0.12))
        for writer, _ in writers:
            writer.send_signal(signal.SIGKILL)
        for writer, said in writers:
            assert writer.wait(10) == -signal.SIGKILL
            told += said.read_text().split("\n")[1:-1]
    append(path, {"kind": "note", "note": "end"})
    entries = read_entries(path)
    notes = [entry["note"] for entry in entries]
    assert len(told) > 20 and set(told) <= set(notes) and len(set(notes)) == len(notes)
    # at most one more per writer: appended, and killed before it could say so
    assert len(notes) - 1 - len(told) <= 2 * turn
    for torn in tmp_path.glob("*.torn-*"):
        assert torn.read_bytes()[:1] == b"{"
        try:
            json.loads(torn.read_bytes())
        except ValueError:
            continue
        raise AssertionError("a whole entry was set aside")
