"""Wrap stopped anywhere: the received file is untouched, the destination absent or whole, and the same
command run again succeeds. (Counting stops; losing what was not synced.)"""

from __future__ import annotations

import errno
import random
from contextlib import suppress
from pathlib import Path

import pytest
from support.disks import LosingDisk, Meter, MeteredDisk, PowerCut, stopped
from support.jobs import make_job, tree, wrap

from provpack.cli.ports import schema_pairs
from provpack.edge import clock
from provpack.edge.commit import PARTIAL_PREFIX, RealDisk, Writer
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verify import verify_paths

FRAMES = 3000


def packages(destination: Path) -> list[Path]:
    if not destination.exists():
        return []
    return [p for p in destination.iterdir() if p.is_dir() and not p.name.startswith(PARTIAL_PREFIX)]


def good(package: Path) -> bool:
    result = verify_paths(
        [package], "meaning", progress=Silent(), clock=clock.now,
        validate=schema_pairs(), recover=record_of,
    )  # fmt: skip
    return result.outcome == "good"


def operations(job: Path, destination: Path) -> list[str]:
    with stopped() as (disk, meter):
        result = wrap(job, destination, disk=disk)
    assert [u.outcome for u in result.units] == ["wrapped"]
    return meter.log


def test_power_cut_at_every_operation(tmp_path: Path) -> None:
    job = make_job(tmp_path / "job", frames=FRAMES)
    before = tree(job)
    total = len(operations(job, tmp_path / "whole"))
    assert total > 60
    complete = 0
    for at in range(1, total + 1):
        destination = tmp_path / f"out{at}"
        with stopped(at=at) as (disk, _):
            wrap(job, destination, disk=disk)
        assert tree(job) == before
        found = packages(destination)
        assert all(good(p) for p in found), f"half a package after a cut at operation {at}"
        complete += bool(found)
        again = wrap(job, destination)
        told = {f.rule for f in again.findings}
        if destination.exists() and any(p.name.startswith(PARTIAL_PREFIX) for p in destination.iterdir()):
            assert "wrap-leftover" in told
        if not found:
            assert [u.outcome for u in again.units] == ["wrapped"], f"second run after operation {at}"
            assert good(packages(destination)[0])
        else:
            assert [u.problem.code for u in again.units if u.problem] == ["destination-exists"]
    # Only cuts after the rename (the sync of the parent folder) leave a whole package.
    assert complete == 1


def test_full_disk_at_every_operation(tmp_path: Path) -> None:
    """An error is not a crash: it is told, with a code, and our staging folder is taken away."""
    job = make_job(tmp_path / "job", frames=FRAMES)
    before = tree(job)
    total = len(operations(job, tmp_path / "whole"))
    for at in range(3, total, 7):
        destination = tmp_path / f"out{at}"
        with stopped(at=at, error=OSError(errno.ENOSPC, "full")) as (disk, _):
            result = wrap(job, destination, disk=disk)
        problem = result.units[0].problem
        assert problem is not None
        assert problem.code == "disk-full"
        assert result.exit_code == 15
        assert tree(job) == before
        left = [p.name for p in destination.iterdir()] if destination.exists() else []
        assert left == [], f"operation {at} left {left}"


@pytest.mark.parametrize("seed", range(6))
def test_what_was_not_synced_may_be_lost(tmp_path: Path, seed: int) -> None:
    """At any cut, with any unsynced thing lost or kept: no half package under a final name."""
    job = make_job(tmp_path / "job", frames=FRAMES)
    dice = random.Random(seed)
    root = tmp_path / "memory"
    total = len(operations(job, tmp_path / "whole"))
    for at in [*dice.sample(range(1, total), 12), total - 1, total, total + 1]:
        memory = LosingDisk(root)
        meter = Meter(at)
        with suppress(PowerCut):
            wrap(job, root / "out", disk=MeteredDisk(memory, meter))
        restored = tmp_path / f"restored-{at}"
        memory.after_power_cut(restored, dice)
        for package in packages(restored / "out"):
            assert good(package), f"half a package after a cut at operation {at}"
        if at > total:
            assert len(packages(restored / "out")) == 1


class Forgetful(LosingDisk):
    """A disk whose files are never synced, as if the code had forgotten to."""

    def create(self, path: Path) -> Writer:
        writer = super().create(path)
        writer.sync = lambda: None  # type: ignore[method-assign]
        return writer


def test_the_losing_disk_does_find_a_missing_sync(tmp_path: Path) -> None:
    """The test above can fail: with file syncs left out, half packages appear."""
    job = make_job(tmp_path / "job", frames=FRAMES)
    root = tmp_path / "memory"
    half = 0
    for seed in range(8):
        memory = Forgetful(root)
        wrap(job, root / "out", disk=memory)
        restored = tmp_path / f"restored-{seed}"
        memory.after_power_cut(restored, random.Random(seed))
        half += not all(good(p) for p in packages(restored / "out"))
    assert half > 0


def test_an_existing_destination_is_refused_even_when_empty(tmp_path: Path) -> None:
    job = make_job(tmp_path / "job", frames=FRAMES)
    destination = tmp_path / "out"
    (destination / "job-1_t01").mkdir(parents=True)
    result = wrap(job, destination)
    assert result.exit_code == 14
    assert list((destination / "job-1_t01").iterdir()) == []
    with pytest.raises(Exception, match="already exists"):
        RealDisk().rename(job, destination / "job-1_t01")
