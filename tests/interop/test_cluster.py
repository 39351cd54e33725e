"""The same verification on Dask distributed: same results as here, and nothing good that was not read.

Judge: Dask's own scheduler and workers (distributed), as separate processes. PROVPACK_FLEET_PACKAGES=1000
runs the comparison at the size the project promises; 120 packages otherwise.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from cli.commandline import command, no_traceback
from support.fleet import Deadly, Stuck, alike, check, damaged_shelf, fixed, small_bags

import provpack
from provpack.errors import EnvironmentProblem
from provpack.jobs import crewcluster, fleet
from provpack.jobs.crewprocesses import ProcessCrew
from provpack.jobs.crewthreads import ThreadCrew
from provpack.jobs.fleet import FleetRun, cluster_crew, verify_found
from provpack.jobs.progress import Silent
from provpack.jobs.unitcheck import CheckSpec
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify_find import find_units
from provpack.package import rules

pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
from support.cluster import OwnCluster

PACKAGES = int(os.environ.get("PROVPACK_FLEET_PACKAGES", "120"))
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="stops and kills processes")


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[OwnCluster]:
    with OwnCluster(tmp_path_factory.mktemp("cluster")) as own:
        yield own


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, set[str]]:
    return damaged_shelf(tmp_path_factory.mktemp("many"), PACKAGES)


@pytest.fixture(scope="module")
def here(shelf: tuple[Path, set[str]]) -> FleetRun:
    return timed("threads here", shelf[0], ThreadCrew(2))


def timed(what: str, shelf: Path, crew: fleet.Crew) -> FleetRun:
    begun = time.monotonic()
    run = check(shelf, crew, depth="meaning")
    print(f"\n{what}: {len(run.units)} packages in {time.monotonic() - begun:.1f} s")
    return run


@pytest.fixture(autouse=True)
def not_measured_ahead(monkeypatch: pytest.MonkeyPatch) -> None:
    """Some packages here kill or stop whoever opens them: not to be opened in this process."""
    monkeypatch.setattr(fleet, "_MEASURED_AHEAD", 0)


def bags(folder: Path, count: int) -> list[fleet.Found]:
    small_bags(folder, count)
    return find_units([folder])[0]


def verify(units: list[fleet.Found], address: str, **spec: float) -> FleetRun:
    return verify_found(
        units, CheckSpec(depth="bytes", **spec), cluster_crew(address), progress=Silent(), clock=fixed
    )


def test_threads_processes_and_a_cluster_say_the_same(
    cluster: OwnCluster, shelf: tuple[Path, set[str]], here: FleetRun
) -> None:
    expected = alike(here.units)
    assert {Path(u.path).name for u in here.units if u.outcome != "good"} == shelf[1]
    processes = timed("processes", shelf[0], ProcessCrew(2))
    assert alike(processes.units) == expected
    told = timed("cluster", shelf[0], cluster_crew(cluster.address))
    assert alike(told.units) == expected
    assert len(told.units) == PACKAGES and told.left == ()


def test_a_worker_killed_in_the_middle_loses_and_invents_nothing(
    tmp_path: Path, shelf: tuple[Path, set[str]], here: FleetRun
) -> None:
    with OwnCluster(tmp_path) as own:
        seen: list[UnitResult] = []

        def record(unit: UnitResult) -> None:
            seen.append(unit)
            if len(seen) == PACKAGES // 3:
                own.workers[0].kill()

        run = check(shelf[0], cluster_crew(own.address), depth="meaning", record=record)
        assert own.workers[0].wait() == -signal.SIGKILL and own.workers[1].poll() is None
    assert alike(run.units) == alike(here.units)
    assert sorted(u.path for u in seen) == [u.path for u in sorted(here.units, key=lambda u: u.path)]


def test_a_package_that_kills_every_worker_is_could_not_check_and_so_is_what_nobody_is_left_for(
    tmp_path: Path,
) -> None:
    with OwnCluster(tmp_path) as own:
        units = bags(tmp_path / "bags", 40)
        units[9] = Deadly(path=units[9].path)
        run = verify(units, own.address, patience=3.0)
    assert len(run.units) == 40 and run.left == ()
    outcomes = {u.outcome for u in run.units}
    assert outcomes == {"good", "could_not_check"} and run.units[9].outcome == "could_not_check"
    for unit in run.units:
        read = unit.bytes_read > 0
        assert (unit.outcome == "good") == read
        assert read or [f.rule for f in unit.findings] == [rules.CLUSTER_LOST.id], unit


def test_when_the_scheduler_is_lost_the_run_ends_and_nothing_is_good_that_was_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("provpack.edge.cluster._CONNECT", 3.0)
    with OwnCluster(tmp_path) as own:
        units = bags(tmp_path / "bags", 60)
        seen: list[UnitResult] = []

        def record(unit: UnitResult) -> None:
            seen.append(unit)
            if len(seen) == 20:
                own.scheduler.kill()

        begun = time.monotonic()
        run = verify_found(
            units, CheckSpec(depth="bytes"), cluster_crew(own.address), progress=Silent(), clock=fixed,
            record=record,
        )  # fmt: skip
        assert time.monotonic() - begun < 60
    assert [u.path for u in run.units] == [str(f.path) for f in units]
    good = [u for u in run.units if u.outcome == "good"]
    assert 20 <= len(good) < 60 and all(u.bytes_read for u in good)
    for unit in run.units:
        if unit.outcome != "good":
            assert unit.outcome == "could_not_check"
            assert [f.rule for f in unit.findings] == [rules.CLUSTER_LOST.id]
            assert own.address in unit.findings[0].what
    assert capfd.readouterr().err == ""


def test_a_package_that_does_not_answer_there_is_given_up(cluster: OwnCluster, tmp_path: Path) -> None:
    units = bags(tmp_path, 8)
    units[2] = Stuck(path=units[2].path)
    run = verify(units, cluster.address, patience=2.0)  # more than a busy machine needs for the others
    assert [u.outcome for u in run.units] == ["good"] * 2 + ["could_not_check"] + ["good"] * 5
    assert [f.rule for f in run.units[2].findings] == [rules.HUNG.id]


def test_a_package_not_seen_there_is_not_called_missing(
    cluster: OwnCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    units = bags(tmp_path, 3)
    real = crewcluster._absolute
    monkeypatch.setattr(
        crewcluster,
        "_absolute",
        lambda path: f"{real(path)}-nowhere" if path.name == "p00001" else real(path),
    )
    run = verify(units, cluster.address)
    assert [u.outcome for u in run.units] == ["good", "could_not_check", "good"]
    (finding,) = run.units[1].findings
    assert finding.rule == rules.NOT_SEEN.id and "nowhere" in finding.what and "worker" in finding.what
    assert run.units[1].path == str(units[1].path)


def test_paths_from_here_mean_the_same_there(
    cluster: OwnCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small_bags(tmp_path / "near", 3)
    (tmp_path / "near/p00001/bagit.txt").unlink()
    monkeypatch.chdir(tmp_path)
    for given in ([Path("near")], [Path("near/p00000"), Path("near/p00001")]):
        units = find_units(given)[0]
        there = verify(units, cluster.address)
        local = verify_found(units, CheckSpec(depth="bytes"), ThreadCrew(1), progress=Silent(), clock=fixed)
        assert alike(there.units) == alike(local.units)
        assert all(not Path(u.path).is_absolute() for u in there.units)


def test_workers_of_another_version_are_refused_by_name(
    cluster: OwnCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("provpack.__version__", "9.9.9")
    with pytest.raises(EnvironmentProblem) as caught:
        verify(bags(tmp_path, 2), cluster.address)
    assert caught.value.code == "cluster-version"
    assert "9.9.9" in caught.value.what and "tcp://" in caught.value.what


def test_nobody_to_ask(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("provpack.edge.cluster._CONNECT", 1.0)
    units = bags(tmp_path / "bags", 2)
    for address in ("tcp://127.0.0.1:1", "nonsense", "tcp://", "gopher://127.0.0.1:1"):
        with pytest.raises(EnvironmentProblem) as caught:
            verify(units, address)
        assert caught.value.code == "cluster-unreachable" and caught.value.where == address
    with OwnCluster(tmp_path, workers=0) as own, pytest.raises(EnvironmentProblem) as caught:
        verify(units, own.address)
    assert caught.value.code == "cluster-empty"


def spoken(root: Path | str, address: str) -> subprocess.CompletedProcess[str]:
    words = command("verify", root, "--no-ledger", "--scheduler", address)
    return subprocess.run(words, capture_output=True, text=True, timeout=60)


@pytest.mark.parametrize("says", [b"", b"SSH-2.0-", b"\0" * 8])
def test_who_is_no_scheduler_does_not_hold_up_the_run(says: bytes, tmp_path: Path) -> None:
    """A server that takes every connection, says this much and then nothing more."""
    root = bags(tmp_path / "bags", 1)[0].path
    with socket.create_server(("127.0.0.1", 0)) as server:
        held: list[socket.socket] = []

        def serve() -> None:
            with contextlib.suppress(OSError):
                while True:
                    held.append(server.accept()[0])
                    held[-1].sendall(says)

        threading.Thread(target=serve, daemon=True).start()
        address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
        begun = time.monotonic()
        ran = spoken(root, address)
        assert ran.returncode == 15 and time.monotonic() - begun < 40
        assert "The scheduler does not answer" in ran.stderr and "Traceback" not in ran.stderr
        server.shutdown(socket.SHUT_RDWR)
    for line in held:
        line.close()


def test_nobody_at_the_port_is_told_without_noise(tmp_path: Path) -> None:
    root = bags(tmp_path / "bags", 1)[0].path
    ran = spoken(root, "tcp://127.0.0.1:1")
    assert ran.returncode == 15 and "Exception ignored" not in ran.stderr and "Traceback" not in ran.stderr


def test_without_the_extra_it_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(EnvironmentProblem) as caught:
        verify(bags(tmp_path, 1), "tcp://127.0.0.1:1")
    assert caught.value.code == "part-missing" and "provpack[cluster]" in caught.value.todo


def other_version(folder: Path) -> dict[str, str]:
    """The environment of a worker on which another version of provpack is installed."""
    root = Path(provpack.__file__).parent
    (folder / "provpack").mkdir(parents=True)
    for path in root.iterdir():
        if path.name not in ("__init__.py", "__pycache__"):
            (folder / "provpack" / path.name).symlink_to(path)
    (folder / "provpack/__init__.py").write_text('__version__ = "0.0.9"\n')
    return {"PYTHONPATH": os.pathsep.join([str(folder), str(root.parent / "tests")])}


def test_a_worker_of_another_version_that_comes_later_gives_no_result(tmp_path: Path) -> None:
    with OwnCluster(tmp_path, workers=1) as own:
        units = bags(tmp_path / "bags", 60)
        env = other_version(tmp_path / "other")
        done = 0

        def record(unit: UnitResult) -> None:
            nonlocal done
            done += 1
            if done == 10:
                own.worker(env)
                own.wait_for(2)

        run = verify_found(
            units, CheckSpec(depth="bytes"), cluster_crew(own.address), progress=Silent(), clock=fixed,
            record=record,
        )  # fmt: skip
        with pytest.raises(EnvironmentProblem) as caught:
            verify(units, own.address)
    refused = [u for u in run.units if u.outcome != "good"]
    assert refused and all(u.bytes_read for u in run.units if u.outcome == "good")
    for unit in refused:
        assert unit.outcome == "could_not_check" and "provpack 0.0.9" in unit.findings[0].what
    assert caught.value.code == "cluster-version" and "has 0.0.9" in caught.value.what


def test_on_the_command_line(cluster: OwnCluster, shelf: tuple[Path, set[str]]) -> None:
    said = []
    for more in ((), ("--workers", "2"), ("--scheduler", cluster.address)):
        words = command("verify", shelf[0], "--no-ledger", "--json", "--depth", "meaning", *more)
        done = subprocess.run(words, capture_output=True, timeout=120)
        assert (done.returncode, done.stderr) == (10, b"")
        units = json.loads(done.stdout)["units"]
        for unit in units:
            del unit["started_at"], unit["finished_at"]
        said.append(units)
    assert len(said[0]) == PACKAGES and said[1] == said[0] and said[2] == said[0]


def test_stopped_on_the_command_line(cluster: OwnCluster, tmp_path: Path) -> None:
    small_bags(tmp_path, 200)
    process = subprocess.Popen(
        command(
            "verify",
            tmp_path,
            "--no-ledger",
            "--json",
            "--rate-limit",
            "100k",
            "--scheduler",
            cluster.address,
        ),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    time.sleep(4)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 130 and json.loads(out)["error"]["code"] == "stopped"
    no_traceback(err.decode())
    assert b"distributed" not in err
    assert [p.poll() for p in cluster.workers] == [None, None]
