"""The derivative as part of a whole wrap: packages, refusals, dry runs, and stops at any moment."""

from __future__ import annotations

import json
import random
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cli.commandline import run
from support.derivatives import wanted
from support.disks import LosingDisk, Meter, MeteredDisk, PowerCut, stopped
from support.jobs import make_job, tree, wav, wrap

from provpack.cli.ports import schema_pairs
from provpack.edge import clock
from provpack.edge.commit import PARTIAL_PREFIX
from provpack.jobs.deriveplan import Container
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verify import verify_paths

CONTAINERS: tuple[Container, ...] = ("wav", "flac")


def good(package: Path) -> bool:
    result = verify_paths(
        [package], "meaning", progress=Silent(), clock=clock.now,
        validate=schema_pairs(), recover=record_of,
    )  # fmt: skip
    return result.outcome == "good"


def quiet(frames: int = 9000) -> bytes:
    codes = np.random.default_rng(3).integers(-2000, 2000, (frames, 2)) * 4
    return wav(codes.astype("<i2").tobytes())


def job_of(folder: Path, *, frames: int = 9000, **changes: str) -> Path:
    job = make_job(folder, frames=frames, files={"T01.wav": quiet(frames)})
    text = (job / "job.toml").read_text()
    for name, value in changes.items():
        (line,) = [row for row in text.splitlines() if row.startswith(f"{name} = ")]
        text = text.replace(line, f"{name} = {value}")
    (job / "job.toml").write_text(text)
    return job


def record_in(package: Path) -> dict[str, Any]:
    record = json.loads((package / "data" / "metadata" / "record.json").read_text(encoding="utf-8"))
    assert isinstance(record, dict)
    return record


@pytest.mark.parametrize("container", CONTAINERS)
def test_a_package_with_a_derivative_is_whole(tmp_path: Path, container: Container) -> None:
    job = job_of(tmp_path / "job")
    before = tree(job)
    planned = wrap(job, tmp_path / "out", dry_run=True, wanted=wanted(container=container)).units[0]
    assert not (tmp_path / "out").exists()
    unit = wrap(job, tmp_path / "out", wanted=wanted(container=container)).units[0]
    assert unit.outcome == "wrapped", unit.problem
    assert tree(job) == before
    package = tmp_path / "out" / unit.package_name
    assert good(package)
    path = f"data/derivatives/job-1_t01_deemph.{container}"
    sizes = dict(unit.files)
    assert path in dict(planned.files)
    if container == "wav":
        assert dict(planned.files)[path] == sizes[path]
    record = record_in(package)
    entries = {f["path"]: f for f in record["files"]}
    assert entries[path]["parent"] == record["audio_sha256"]
    (step,) = [s for s in record["processing"]["processing_steps"] if s["type"] == "deemphasis"]
    assert step["output_sha256"] == entries[path]["sha256"]
    master = package / "data" / "master" / "job-1_t01.wav"
    assert step["output_sha256"].encode() in master.read_bytes()  # the record inside the master names it
    assert "digital de-emphasis" not in record["coding_history"]  # the master's history is its own
    plain = wrap(job, tmp_path / "plain").units[0]
    assert record_in(tmp_path / "plain" / plain.package_name)["audio_sha256"] == record["audio_sha256"]
    assert "data/derivatives/" in (package / "READ-ME-FIRST.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("dry_run", [True, False])
def test_refused_before_anything_is_written(tmp_path: Path, dry_run: bool) -> None:
    job = job_of(tmp_path / "job", file_emphasis='"unknown"')
    result = wrap(job, tmp_path / "out", dry_run=dry_run, wanted=wanted())
    (unit,) = result.units
    assert unit.outcome == "refused"
    assert unit.problem is not None
    assert unit.problem.code == "derive-emphasis-unknown"
    assert "job.toml, transfer[1].file_emphasis" in unit.problem.where
    assert tree(tmp_path / "out") == {}
    assert wrap(job, tmp_path / "out").units[0].outcome == "wrapped"  # without the wish it goes


def test_nothing_to_do_is_wrapped_with_a_note(tmp_path: Path) -> None:
    off = {"tape_emphasis": '"off"', "file_emphasis": '"absent"', "emphasis_indicator": '"off"',
           "cs_emphasis": '"none_or_not_indicated"'}  # fmt: skip
    job = job_of(tmp_path / "job", **off)
    (unit,) = wrap(job, tmp_path / "out", wanted=wanted()).units
    assert unit.outcome == "wrapped", unit.as_json()
    assert "derive-nothing-to-do" in {f.rule for f in unit.findings}
    assert not (tmp_path / "out" / unit.package_name / "data" / "derivatives").exists()


def test_the_command_line(tmp_path: Path) -> None:
    job = job_of(tmp_path / "job", shared_converter='"yes"')
    said = run("wrap", job, "--to", tmp_path / "out", "--derive", "deskew", "--json")
    assert said.code == 2
    assert "--late-channel" in said.err + said.out
    words = ("--derive", "deemphasis", "--derive", "deskew", "--late-channel", "right", "--derive-as", "flac")
    said = run("wrap", job, "--to", tmp_path / "out", *words, "--json")
    (unit,) = said.json()["units"]
    assert unit["outcome"] == "wrapped", unit
    names = [f["path"] for f in unit["files"]]
    assert "data/derivatives/job-1_t01_deemph_deskew.flac" in names
    steps = record_in(tmp_path / "out" / unit["package_name"])["processing"]["processing_steps"]
    assert [s["type"] for s in steps] == ["metadata_modification", "deemphasis", "deskew"]


@pytest.mark.parametrize("container", CONTAINERS)
def test_stopped_anywhere_there_is_a_whole_package_or_none(tmp_path: Path, container: Container) -> None:
    """The crash promise (edge/commit.py) with a derivative: power cut at any third operation, and what was
    not synced lost or kept."""
    job = job_of(tmp_path / "job", frames=2500)
    wish = wanted(container=container)
    with stopped() as (disk, meter):
        wrap(job, tmp_path / "whole", disk=disk, wanted=wish)
    total, complete = meter.count, 0
    name = f"job-1_t01_deemph.{container}"
    assert meter.log.count(f"create {name}") == meter.log.count(f"sync {name}") == 1
    for at in sorted({*range(1, total, 3), total - 1, total}):
        out = tmp_path / f"out{at}"
        with stopped(at=at) as (disk, _):
            wrap(job, out, disk=disk, wanted=wish)
        found = [p for p in out.iterdir() if not p.name.startswith(PARTIAL_PREFIX)] if out.exists() else []
        assert all(good(p) for p in found), f"half a package after a cut at operation {at}"
        complete += bool(found)
    assert complete == 1  # only a cut after the rename leaves one
    dice = random.Random(1)
    for at in [*dice.sample(range(1, total), 6), total, total + 1]:
        memory = LosingDisk(tmp_path / "memory")
        with suppress(PowerCut):
            wrap(job, tmp_path / "memory" / "out", disk=MeteredDisk(memory, Meter(at)), wanted=wish)
        restored = tmp_path / f"restored-{at}"
        memory.after_power_cut(restored, dice)
        out = restored / "out"
        found = [p for p in out.iterdir() if not p.name.startswith(PARTIAL_PREFIX)] if out.exists() else []
        assert all(good(p) for p in found), f"half a package after a cut at operation {at}"
        # the last operation syncs the parent: without it the rename may be lost, or not
        assert at == total or len(found) == (at > total)


def test_how_to_write_it_without_saying_what_is_wrong_usage(tmp_path: Path) -> None:
    from provpack.cli.main import main

    assert main(["wrap", str(tmp_path), "--to", str(tmp_path / "out"), "--derive-as", "flac"]) == 2
