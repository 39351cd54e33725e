"""Branch coverage of the rooms that open no file: it must be whole, by tests that take minutes, not an hour.

    python tests/support/branches.py [arguments for pytest]

Runs the tests named here, prints what every room has, and ends with 1 where one of WHOLE has less than all
of its lines and branches, with the places that were not reached. Nothing is marked as not to be counted.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
WHOLE = ("chunks", "measure", "model", "package", "report", "synth", "findings.py", "errors.py", "xmldoc.py")
_FILES = {
    "audit": "audit_seldom audit_told table_csv trend_words",
    "bench": "bench_addresses bench_hostile_values bench_taken_back bench_time benchfit benchfold benchmatch "
    "benchview_after benchview_chains benchview_intake benchview_machines jot_told",
    "delivery": "closing documents",
    "derive": "derive_disk",
    "habit": "ages brief_mail check_history sampling selection_told",
    "harvest": "catalogue_told",
    "heal": "damage_page evidence heal_told not_read",
    "held": "held_back",
    "ledger": "append chain_edits custody_state custody_told odd_lines torn",
    "profiles": "client_needs client_profiles patterns profile_clauses profile_file wrap_needs "
    "wrapped_for_a_client",
    "sign": "key_stretching signers signing_words sshsig",
    "trace": "trace trace_letters trace_whole",
    "verify": "verify_archives verify_tar verify_zip",
}
"""Folder of tests/unit -> tests that need more than those rooms, and reach what no other quick one does."""
TESTS = (
    *(
        f"tests/unit/{room}"
        for room in ("chunks", "measure", "metadata", "model", "package", "report", "synth")
    ),
    *(f"tests/unit/{folder}/test_{name}.py" for folder, names in _FILES.items() for name in names.split()),
    "tests/property/test_archives.py",
)
LEFT_OUT = (
    "million", "hundred_thousand", "time_grows", "equals_that_of_scipy", "100_clean_seeds", "over_many_seeds",
    "test_speed", "memory", "random_damage", "end_soon", "stay_quick", "small_and_quick", "in_a_browser",
    "postgresql",
)  # fmt: skip
"""Tests of speed, which being watched makes slower, many rounds of the same, and what starts a browser or a
server: by parts of their names."""


@dataclass(slots=True)
class Room:
    """Lines and branches of a room: how many there are, and how many were not reached; where."""

    there: int = 0
    missing: int = 0
    places: list[str] = field(default_factory=list)

    def add(self, path: str, told: dict[str, Any]) -> None:
        summary = told["summary"]
        self.there += summary["num_statements"] + summary["num_branches"]
        self.missing += summary["missing_lines"] + summary["missing_branches"]
        lines = set(told["missing_lines"])
        arcs = [f"{a}->{b}" for a, b in told["missing_branches"] if b not in lines and a not in lines]
        if lines or told["missing_branches"]:
            self.places.append(f"{path}: {', '.join([*map(str, sorted(lines)), *arcs])}")

    @property
    def percent(self) -> str:
        """Rounded down, so that only what is whole is called 100."""
        return f"{(self.there - self.missing) * 1000 // max(self.there, 1) / 10:.1f} %"


def rooms_of(report: dict[str, Any]) -> dict[str, Room]:
    """The rooms of a JSON report of coverage.py, by name; a module of the floor is a room of its own."""
    rooms: dict[str, Room] = {}
    for path, told in sorted(report["files"].items()):
        name = Path(path).as_posix().partition("provpack/")[2]
        rooms.setdefault(name.partition("/")[0], Room()).add(name, told)
    return rooms


def measure(arguments: Iterable[str]) -> tuple[int, dict[str, Any]]:
    """(exit code of pytest, report of coverage.py)."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "coverage.json"
        code = subprocess.run(
            [
                sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--cov=provpack", "--cov-branch",
                f"--cov-report=json:{report}", "-k", f"not ({' or '.join(LEFT_OUT)})", *TESTS, *arguments,
            ],
            cwd=ROOT,
            env={**os.environ, "COVERAGE_FILE": str(Path(folder) / "data")},
            check=False,
        ).returncode  # fmt: skip
        return code, json.loads(report.read_text(encoding="utf-8")) if report.exists() else {"files": {}}


def main(arguments: list[str]) -> int:
    """Exit code: that of the tests, else 1 when a room of WHOLE is not."""
    code, report = measure(arguments)
    rooms = rooms_of(report)
    wanting = [name for name in WHOLE if name not in rooms or rooms[name].missing]
    for name, room in rooms.items():
        print(f"{name:14} {room.percent:>8} of {room.there} lines and branches")
    for name in wanting:
        print(f"{name} is not covered wholly:", *rooms.get(name, Room()).places, sep="\n    ")
    return code or bool(wanting)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
