"""A run over storage that died: it ends, soon, and says of nothing that it was read."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from support.fleet import Stuck, fixed, small_bags

from provpack.jobs import fleet, silence
from provpack.jobs.crewthreads import ThreadCrew
from provpack.jobs.fleet import verify_found
from provpack.jobs.progress import Silent
from provpack.jobs.unitcheck import CheckSpec
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify_find import find_units
from provpack.package import rules

PATIENCE = 1.0
"""Seconds: longer than a busy machine needs to look at a path, or to read a small package."""


@pytest.fixture(autouse=True)
def dead_mount(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[Path]:
    """Everything beneath `dead` hangs; what was asked."""
    real, asked = silence._look, []

    def look(path: Path) -> bool:
        asked.append(path)
        if path.is_relative_to(tmp_path / "dead"):
            threading.Event().wait()
        return real(path)

    monkeypatch.setattr(silence, "_look", look)
    monkeypatch.setattr(silence, "_ANSWER", PATIENCE)
    monkeypatch.setattr(fleet, "_MEASURING", 0.1)
    return asked


def test_a_thousand_packages_on_a_dead_mount_do_not_cost_the_patience_each(
    tmp_path: Path, dead_mount: list[Path]
) -> None:
    small_bags(tmp_path / "alive", 20)
    alive = find_units([tmp_path / "alive"])[0]
    dead = [Stuck(path=tmp_path / f"dead/p{n}") for n in range(1000)]
    seen: list[str] = []

    def record(unit: UnitResult) -> None:
        if "/dead/" in unit.path:
            threading.Event().wait()  # the ledger lies there too
        seen.append(unit.path)

    few, many = dead[:3], dead[3:]
    begun = time.monotonic()
    run = verify_found(
        [*alive[:10], *few, *alive[10:], *many], CheckSpec(depth="bytes", patience=PATIENCE), ThreadCrew(2),
        progress=Silent(), clock=fixed, record=record,
    )  # fmt: skip
    assert time.monotonic() - begun < 60  # the patience for each would be a quarter of an hour
    assert [u.outcome for u in run.units] == (
        ["good"] * 10 + ["could_not_check"] * 3 + ["good"] * 10 + ["could_not_check"] * 997
    )
    assert {f.rule for u in run.units for f in u.findings} == {rules.HUNG.id}
    assert sorted(seen) == sorted(str(f.path) for f in alive)
    assert sum(path.is_relative_to(tmp_path / "dead") for path in dead_mount) <= 3


def test_nothing_is_asked_as_long_as_nothing_hung(tmp_path: Path, dead_mount: list[Path]) -> None:
    small_bags(tmp_path / "alive", 5)
    units = find_units([tmp_path / "alive"])[0]
    run = verify_found(units, CheckSpec(depth="bytes"), ThreadCrew(2), progress=Silent(), clock=fixed)
    assert {u.outcome for u in run.units} == {"good"} and dead_mount == []


def test_a_folder_is_asked_again_after_a_while(
    tmp_path: Path, dead_mount: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    now = 0.0
    quiet = silence.Silence(lambda: now)
    unit = Stuck(path=tmp_path / "dead/p1")
    assert quiet.answers(unit)
    hung = verify_found(
        [unit], CheckSpec(depth="bytes", patience=0.2), ThreadCrew(1), progress=Silent(), clock=fixed
    )
    quiet.heard(hung.units[0])
    assert not quiet.answers(unit) and len(dead_mount) == 1
    now = 59.0
    assert not quiet.answers(unit) and len(dead_mount) == 1
    now = 61.0
    monkeypatch.setattr(silence, "_look", lambda path: True)
    assert quiet.answers(unit)


def test_paths_that_do_not_answer_are_set_apart(tmp_path: Path) -> None:
    paths = [tmp_path, tmp_path / "dead", tmp_path / "nothing", "s3://far/away"]
    there, told = silence.silent_apart(paths, PATIENCE)
    assert there == [tmp_path, tmp_path / "nothing", "s3://far/away"]
    assert [(f.path, f.findings[0].rule) for f in told] == [(tmp_path / "dead", rules.HUNG.id)]


ALONE = """
import sys
sys.path[:0] = {path!r}
from pathlib import Path
from support.fleet import HalfStuck, fixed
from provpack.jobs.fleet import local_crew, verify_found
from provpack.jobs.progress import Silent
from provpack.jobs.unitcheck import CheckSpec
unit = HalfStuck(path=Path({bag!r}))
crew = local_crew(2)
run = verify_found([unit], CheckSpec(depth="bytes", patience=0.5), crew, progress=Silent(), clock=fixed)
print(run.units[0].outcome, run.units[0].findings[0].rule)
"""


def test_a_thread_stuck_in_a_read_does_not_keep_the_program_from_ending(tmp_path: Path) -> None:
    (bag,) = small_bags(tmp_path, 1)
    script = ALONE.format(path=sys.path, bag=str(bag))
    # who is kept from ending is so for ever; a busy machine needs seconds for the imports alone
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    assert (done.stdout, done.stderr) == ("could_not_check bag-check-hung\n", "")
