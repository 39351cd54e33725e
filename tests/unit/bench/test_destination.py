"""Where the packages of a job go: beside the job folder unless named, and never inside it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from cli.commandline import no_traceback, run
from support.jobs import make_job, wrap

from provpack.edge import clock
from provpack.edge.commit import RealDisk
from provpack.errors import DestinationProblem
from provpack.jobs import destination
from provpack.jobs.benchdesk import Desk


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return make_job(tmp_path / "job")


def test_packages_go_beside_the_job_and_wrap_takes_that_folder(job: Path) -> None:
    desk = Desk(job, now=clock.now, tool_version="1.0.0")
    assert desk.destination == job.parent / "job-packages"
    assert destination.default_for(job) == desk.destination
    assert desk.sealed("T01") is None
    wrap(job, desk.destination)
    assert desk.sealed("T01") == "job-1_t01"


def test_a_link_to_the_job_means_the_same_folder(job: Path) -> None:
    link = job.parent / "elsewhere"
    link.symlink_to(job)
    assert destination.beside(link) == destination.beside(job) == job.parent / "job-packages"


def test_nothing_lies_beside_the_top_of_the_tree() -> None:
    assert destination.beside(Path("/")) is None
    with pytest.raises(DestinationProblem, match="no place") as caught:
        destination.default_for(Path("/"))
    assert caught.value.code == "no-place-beside-job" and "--to" in caught.value.todo


def test_a_name_that_leaves_no_room_is_told(tmp_path: Path) -> None:
    folder = tmp_path / ("ö" * 125)  # 250 bytes
    folder.mkdir()
    assert destination.beside(folder) is None
    with pytest.raises(DestinationProblem, match="no place"):
        destination.default_for(folder)


def test_a_folder_that_cannot_be_made_is_told_before_the_evening(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: Path(path) != job.parent)
    with pytest.raises(DestinationProblem, match="nothing may be written there") as caught:
        destination.default_for(job)
    assert caught.value.where == str(job.parent) and "--to" in caught.value.todo
    (job.parent / "job-packages").mkdir()  # there already: nothing need be made beside the job
    assert destination.default_for(job) == job.parent / "job-packages"


@pytest.mark.parametrize("below", ["", "packages", "a/b"])
def test_bench_refuses_at_its_start_what_wrap_refuses(job: Path, below: str) -> None:
    said = run("bench", job, "--to", job / below, "--no-browser", "--json")
    no_traceback(said.err)
    assert said.code == 14
    assert said.json()["error"]["code"] == "destination-in-job-folder"
    assert run("wrap", job, "--to", job / below, "--json").json()["error"] == said.json()["error"]
    assert not (job / "packages").exists()


def test_a_missing_parent_and_a_file_are_refused_too(job: Path) -> None:
    disk = RealDisk()
    assert not destination.look_at(job, job.parent / "out", disk)
    with pytest.raises(DestinationProblem) as missing:
        destination.look_at(job, job.parent / "none" / "out", disk)
    assert missing.value.code == "no-parent-folder"
    (job.parent / "out").write_bytes(b"")
    with pytest.raises(DestinationProblem) as taken:
        destination.look_at(job, job.parent / "out", disk)
    assert taken.value.code == "destination-not-a-folder"


def test_where_packages_go_is_told_when_the_bench_opens(job: Path) -> None:
    from provpack.bench.serve import make_bench
    from provpack.cli.bench import _opened
    from provpack.cli.ports import wrap_ports

    bench = make_bench(
        job, destination=destination.default_for(job), port=1, by="", now=clock.now, tool_version="1.0.0",
        make_ports=wrap_ports, mishap=lambda number, err: None,
    )  # fmt: skip
    told: list[str] = []
    try:
        _opened(bench, False, None, told.append)
    finally:
        bench.close()
    assert f"Packages go to {job.parent / 'job-packages'}" in told
