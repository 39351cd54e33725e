"""A run over many packages: order, what is recorded when, what is left, and packages that do not answer."""

from __future__ import annotations

import pickle
import threading
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path

import pytest
from support.bagmaking import now
from support.fleet import Deadly, Stuck, alike, check, damaged_shelf, fixed, small_bags

from provpack.errors import EnvironmentProblem
from provpack.jobs import fleet
from provpack.jobs.clientexamine import profile_examiner
from provpack.jobs.clientprofiles import load_profile_file
from provpack.jobs.crewprocesses import ProcessCrew
from provpack.jobs.crewthreads import ThreadCrew
from provpack.jobs.fleet import Crew, FleetRun, local_crew, verify_found
from provpack.jobs.progress import Silent
from provpack.jobs.signatures import signature_examiner
from provpack.jobs.unitcheck import CheckSpec
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify_find import Found, find_units
from provpack.jobs.witness import LedgerWitness
from provpack.package import rules
from provpack.package.signers import Signers

CREWS = [
    pytest.param(lambda: ThreadCrew(2), id="threads"),
    pytest.param(lambda: ProcessCrew(2), id="processes"),
]
MakeCrew = Callable[[], Crew]
PATIENCE = 1.5
"""Seconds: longer than a busy machine needs to begin with a small package and to read it."""


def verify(
    units: Sequence[Found],
    crew: Crew,
    *,
    spec: CheckSpec | None = None,
    record: Callable[[UnitResult], None] | None = None,
    begin_more: Callable[[], bool] = lambda: True,
    rate: float | None = None,
) -> FleetRun:
    return verify_found(
        units, spec or CheckSpec(depth="bytes"), crew, progress=Silent(), clock=fixed, record=record,
        begin_more=begin_more, rate=rate,
    )  # fmt: skip


def found(folder: Path, count: int) -> list[Found]:
    small_bags(folder, count)
    return find_units([folder])[0]


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, set[str]]:
    return damaged_shelf(tmp_path_factory.mktemp("many"), 120)


@pytest.fixture(scope="module")
def by_one_thread(shelf: tuple[Path, set[str]]) -> FleetRun:
    return check(shelf[0], ThreadCrew(1), depth="meaning")


def test_every_damage_is_seen_and_nothing_else(shelf: tuple[Path, set[str]], by_one_thread: FleetRun) -> None:
    not_good = {Path(unit.path).name for unit in by_one_thread.units if unit.outcome != "good"}
    assert not_good == shelf[1]
    assert len(by_one_thread.units) == 120
    assert {unit.outcome for unit in by_one_thread.units} == {"good", "bad", "missing", "could_not_check"}


@pytest.mark.parametrize("make", CREWS)
def test_who_checks_makes_no_difference(
    make: MakeCrew, shelf: tuple[Path, set[str]], by_one_thread: FleetRun
) -> None:
    seen: list[UnitResult] = []
    run = check(shelf[0], make(), depth="meaning", record=seen.append)
    assert alike(run.units) == alike(by_one_thread.units)
    assert sorted(u.path for u in seen) == sorted(u.path for u in run.units)
    assert run.left == ()


def test_few_are_checked_by_threads_and_many_by_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    for name in ("ThreadCrew", "ProcessCrew"):
        crew = getattr(fleet, name)
        monkeypatch.setattr(fleet, name, lambda n, name=name, crew=crew: asked.append(name) or crew(n))
    for workers, count in ((2, fleet.MANY - 1), (2, fleet.MANY), (1, fleet.MANY)):
        local_crew(workers).hands(count)
    assert asked == ["ThreadCrew", "ProcessCrew", "ThreadCrew"]


@pytest.mark.parametrize("make", CREWS)
def test_results_keep_the_order_given(make: MakeCrew, tmp_path: Path) -> None:
    units = [
        *found(tmp_path, 12),
        Found(path=tmp_path / "nothing", findings=(rules.NOT_FOUND.found("x", "y"),)),
    ]
    units = [*units[::-1], Found(path=units[0].path)]
    run = verify(units, make())
    assert [u.path for u in run.units] == [str(f.path) for f in units]
    assert run.units[0].outcome == "missing" and run.units[1].outcome == "good"
    assert {u.started_at for u in run.units} == {"2031-05-04T12:00:00+00:00"}


@pytest.mark.parametrize("make", CREWS)
def test_nothing_begins_once_the_time_is_up(make: MakeCrew, tmp_path: Path) -> None:
    units = found(tmp_path, 30)
    asked = 0

    def begin_more() -> bool:
        nonlocal asked
        asked += 1
        return asked <= 7

    run = verify(units, make(), begin_more=begin_more)
    assert asked == 8 or asked == 9  # two workers may each be refused
    assert [u.path for u in run.units] == [str(f.path) for f in units[:7]]
    assert run.left == tuple(units[7:])


@pytest.mark.parametrize("make", CREWS)
def test_each_is_recorded_once_from_the_callers_thread(make: MakeCrew, tmp_path: Path) -> None:
    units = found(tmp_path, 25)
    seen: list[str] = []

    def record(unit: UnitResult) -> None:
        assert threading.current_thread() is threading.main_thread()
        seen.append(unit.path)

    verify(units, make(), record=record)
    assert sorted(seen) == sorted(str(f.path) for f in units)


@pytest.mark.parametrize("make", CREWS)
def test_what_record_raises_ends_the_run(make: MakeCrew, tmp_path: Path) -> None:
    def record(unit: UnitResult) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        verify(found(tmp_path, 25), make(), record=record)


@pytest.mark.parametrize("make", CREWS)
def test_a_package_that_does_not_answer_is_given_up_and_the_others_are_checked(
    make: MakeCrew, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    units = found(tmp_path, 10)
    units[3] = Stuck(path=units[3].path)
    monkeypatch.setattr(fleet, "_MEASURING", 0.2)
    begun = time.monotonic()
    run = verify(units, make(), spec=CheckSpec(depth="bytes", patience=PATIENCE))
    assert time.monotonic() - begun < 60  # it does not answer at all
    outcomes = [u.outcome for u in run.units]
    assert outcomes == ["good"] * 3 + ["could_not_check"] + ["good"] * 6
    assert [f.rule for f in run.units[3].findings] == [rules.HUNG.id]
    assert f"{PATIENCE} seconds" in run.units[3].findings[0].what


def test_a_package_that_kills_its_worker_is_given_up_and_the_others_are_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    units = found(tmp_path, 10)
    units[3] = Deadly(path=units[3].path)
    monkeypatch.setattr(fleet, "_MEASURED_AHEAD", 0)
    run = verify(units, ProcessCrew(2))
    assert [u.outcome for u in run.units] == ["good"] * 3 + ["could_not_check"] + ["good"] * 6
    assert [f.rule for f in run.units[3].findings] == [rules.WORKER_LOST.id]
    assert "signal 9, SIGKILL" in run.units[3].findings[0].what
    assert run.units[3].path == str(units[3].path)


@pytest.mark.parametrize("make", CREWS)
def test_the_rate_is_kept_over_all_workers_and_waiting_is_not_hanging(make: MakeCrew, tmp_path: Path) -> None:
    units = found(tmp_path, 8)
    total = sum(u.bytes_read for u in verify(units, ThreadCrew(2)).units)
    begun = time.monotonic()
    run = verify(units, make(), rate=total / 2.0, spec=CheckSpec(depth="bytes", patience=0.9))
    assert (
        time.monotonic() - begun >= 2.0 - 2 * 0.25 - 0.5
    )  # a quarter of a second ahead; units are not equal
    assert {u.outcome for u in run.units} == {"good"}


def test_the_rate_of_one_package_is_kept(tmp_path: Path) -> None:
    units = found(tmp_path, 1)
    total = verify(units, ThreadCrew(2)).units[0].bytes_read
    begun = time.monotonic()
    verify(units, ThreadCrew(2), rate=total / 1.0)
    assert time.monotonic() - begun >= 0.7


def test_the_ledger_is_asked_here_and_its_word_counts(tmp_path: Path) -> None:
    units = found(tmp_path, 3)

    class Doubts(LedgerWitness):
        def judge(  # type: ignore[override]
            self, root: Path, identity: str | None, *, bare: bool = False
        ) -> tuple[object, ...]:
            assert threading.current_thread() is threading.main_thread() and identity
            return (rules.LEDGER_DIFFERS.found("not it", "w"),) if root.name == "p00001" else ()

    run = verify_found(
        units, CheckSpec(depth="bytes"), ProcessCrew(2), progress=Silent(), clock=fixed, witness=Doubts()
    )
    assert [u.outcome for u in run.units] == ["good", "bad", "good"]
    assert [f.rule for f in run.units[1].findings] == [rules.LEDGER_DIFFERS.id]


def test_examiners_are_made_where_the_check_runs(tmp_path: Path) -> None:
    units = found(tmp_path, 6)
    profile = load_profile_file(Path(__file__).parents[3] / "demo/clients/tarnwick.json")
    makers = (
        partial(signature_examiner, Signers(where="signers"), required=True, now=now()),
        partial(profile_examiner, profile),
    )
    spec = CheckSpec(depth="bytes", examiner_makers=makers)
    pickle.dumps(spec)
    here, there = verify(units, ThreadCrew(1), spec=spec), verify(units, ProcessCrew(2), spec=spec)
    assert alike(here.units) == alike(there.units)
    assert [[e.topic for e in u.examined] for u in there.units] == [["signature", "profile"]] * 6
    assert {u.demands for u in there.units} == {"not_met"}


def test_a_clock_of_ones_own_goes_to_the_workers(tmp_path: Path) -> None:
    (unit,) = verify(found(tmp_path, 1), ProcessCrew(1)).units
    assert datetime.fromisoformat(unit.finished_at) == fixed()


def test_no_worker_at_all_is_an_environment_problem(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(make: object) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr("provpack.edge.workerpool._start", refuse)
    with pytest.raises(EnvironmentProblem):
        verify(found(tmp_path, 3), ProcessCrew(2))
