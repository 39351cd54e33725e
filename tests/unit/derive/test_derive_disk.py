"""Every byte of a derivative goes through the disk port, once, from front to end, and is synced; whatever
stops the making of it leaves an error or nothing, never half a file that is noted as whole."""

from __future__ import annotations

import errno
import io
import random
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pytest
from support.derivatives import RATES, derive, received, wanted
from support.disks import LosingDisk, Meter, MeteredDisk, PowerCut, stopped

from provpack.edge import flacfile
from provpack.edge.commit import RealDisk
from provpack.edge.flacfile import FlacFile
from provpack.errors import Bug, EnvironmentProblem, InputProblem
from provpack.jobs.deriveplan import Container

R = RATES[0]
CONTAINERS: tuple[Container, ...] = ("wav", "flac")


def content(n: int = 9000) -> bytes:
    return received(np.random.default_rng(2).integers(-9000, 9000, (n, 2)), 44056)


@pytest.mark.parametrize("container", CONTAINERS)
def test_the_port_sees_create_writes_and_sync(tmp_path: Path, container: Container) -> None:
    with stopped() as (disk, meter):
        work = derive(tmp_path, content(), R, wish=wanted(container=container), disk=disk, block_frames=1000)
    name = work.path.name
    assert meter.log[-1] == f"sync {name}"
    assert meter.log.count(f"create {name}") == 1
    assert meter.log.count(f"write {name}") >= 3
    # beside the received file and the package there is nothing, at any time: the scratch file has no name
    assert sorted(p.name for p in tmp_path.iterdir()) == [".partial-job-1_t01-00000000", "T01.wav"]
    assert [p.name for p in work.path.parent.iterdir()] == [name]


@pytest.mark.parametrize("container", CONTAINERS)
def test_a_power_cut_at_every_operation(tmp_path: Path, container: Container) -> None:
    """Nothing is noted as written before its sync; the received file stays as it was (checked in derive)."""
    with stopped() as (disk, meter):
        derive(
            tmp_path / "whole", content(), R, wish=wanted(container=container), disk=disk, block_frames=2000
        )
    total = meter.count
    for at in range(1, total + 1):
        finished = False
        folder = tmp_path / str(at)
        with stopped(at=at) as (disk, _):
            derive(folder, content(), R, wish=wanted(container=container), disk=disk, block_frames=2000)
            finished = True
        assert not finished, f"noted as whole although operation {at} of {total} was not carried out"
        assert (folder / "T01.wav").read_bytes() == content()


@pytest.mark.parametrize("container", CONTAINERS)
def test_after_its_sync_the_file_survives_a_power_cut(tmp_path: Path, container: Container) -> None:
    root = tmp_path / "memory"
    memory = LosingDisk(root)
    work = derive(root, content(), R, wish=wanted(container=container), disk=memory)
    stage = work.path.parents[2]
    for folder in (stage / "data" / "derivatives", stage / "data", stage, root):
        memory.sync_folder(folder)
    memory.after_power_cut(tmp_path / "restored", random.Random(1))
    (found,) = (tmp_path / "restored").rglob(work.path.name)
    whole = derive(tmp_path / "whole", content(), R, wish=wanted(container=container))
    assert found.read_bytes() == whole.path.read_bytes()


@pytest.mark.parametrize("container", CONTAINERS)
def test_a_full_disk_is_told_as_such(tmp_path: Path, container: Container) -> None:
    full = OSError(errno.ENOSPC, "full")
    for at in (4, 5, 6):
        with pytest.raises(EnvironmentProblem) as problem, stopped(at=at, error=full) as (disk, _):
            derive(tmp_path / str(at), content(), R, wish=wanted(container=container), disk=disk)
        assert problem.value.code == "disk-full"


class Narrow(io.BytesIO):
    """A scratch file on a full disk: takes this many bytes and no more."""

    room = 0

    def write(self, data: Any) -> int:
        if self.tell() + len(data) > self.room:
            raise OSError(errno.ENOSPC, "full")
        return super().write(data)


@pytest.mark.parametrize("room", [0, 50, 9_000, 30_000])
def test_no_room_for_the_scratch_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int) -> None:
    """An error inside the encoder's callbacks comes out as ours, not as text on the terminal."""

    def scratch(_near: Path) -> BinaryIO:
        file = Narrow()
        file.room = room
        return file

    monkeypatch.setattr(flacfile, "_scratch", scratch)
    with pytest.raises(EnvironmentProblem) as problem:
        derive(tmp_path, content(), R, wish=wanted(container="flac"))
    assert problem.value.code == "disk-full"


def test_the_scratch_file_lies_beside_the_package_without_a_name(tmp_path: Path) -> None:
    before = sorted(tmp_path.iterdir())
    with flacfile._scratch(tmp_path / "not" / "there") as file:
        file.write(b"x")
        assert sorted(tmp_path.iterdir()) == before


def test_samples_that_the_encoder_did_not_see_are_noticed(tmp_path: Path) -> None:
    """STREAMINFO has the MD5 of what was encoded (RFC 9639 section 8.2, by number from memory)."""
    with FlacFile(tmp_path, sample_rate=44056, channels=2, name="x.flac") as flac:
        flac.encode(bytes(8 * 500))
        flac.digest(bytes(6 * 500))
        facts = flac.finish()
        assert (facts.frames, facts.sample_rate, facts.bits_per_sample) == (500, 44056, 24)
    with FlacFile(tmp_path, sample_rate=44056, channels=2, name="x.flac") as flac:
        flac.encode(bytes(8 * 500))
        flac.digest(b"\1" + bytes(6 * 500 - 1))
        with pytest.raises(Bug):
            flac.finish()
        with pytest.raises(Bug):
            list(flac.pieces(()))


def test_what_flac_cannot_hold_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputProblem) as problem:
        FlacFile(tmp_path, sample_rate=44056, channels=9, name="x.flac")
    assert problem.value.code == "flac-not-written"
    with FlacFile(tmp_path, sample_rate=44056, channels=2, name="x.flac") as flac:
        flac.encode(bytes(8))
        flac.digest(bytes(6))
        flac.finish()
        with pytest.raises(InputProblem) as problem:
            list(flac.pieces([("A=B", "text")]))
        assert problem.value.code == "flac-tags"


def test_an_unfinished_file_is_let_go_quietly(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    with suppress(PowerCut), FlacFile(tmp_path, sample_rate=44056, channels=2, name="x.flac") as flac:
        flac.encode(bytes(8 * 50_000))
        raise PowerCut
    assert capfd.readouterr() == ("", "")


def test_the_meter_finds_a_write_past_the_port(tmp_path: Path) -> None:
    """The tests above can fail: a disk that counts nothing sees nothing."""
    meter = Meter()
    derive(tmp_path, content(), R, disk=RealDisk())
    assert meter.log == []
    derive(tmp_path / "2", content(), R, disk=MeteredDisk(RealDisk(), meter))
    assert meter.log
