"""A table or page is whole under its name or not there, however writing it ends."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.disks import Meter, MeteredDisk, PowerCut

from provpack.edge.commit import RealDisk
from provpack.errors import DestinationProblem, EnvironmentProblem
from provpack.jobs.newfile import NewFile

TEXT = [f"line {n}\r\n" for n in range(20_000)]


def new(path: Path, meter: Meter | None = None) -> NewFile:
    disk = MeteredDisk(RealDisk(), meter) if meter is not None else RealDisk()
    return NewFile(target=path, disk=disk, mark="audit-0", option="--csv")


def test_it_is_written_whole(tmp_path: Path) -> None:
    new(tmp_path / "t.csv").write(TEXT)
    assert (tmp_path / "t.csv").read_bytes().decode() == "".join(TEXT)
    assert [p.name for p in tmp_path.iterdir()] == ["t.csv"]


def test_a_file_where_a_folder_is_needed_is_called_that(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_bytes(b"")
    with pytest.raises(DestinationProblem) as told:
        new(tmp_path / "job.toml" / "t.csv").refuse()
    assert told.value.code == "destination-not-a-folder" and "--csv" in told.value.todo


@pytest.mark.parametrize("error", [None, OSError(errno.ENOSPC, "full")], ids=["power cut", "disk full"])
def test_stopped_at_any_step_it_is_whole_or_absent(tmp_path: Path, error: OSError | None) -> None:
    meter = Meter()
    new(tmp_path / "counted.csv", meter).write(TEXT)
    assert meter.count > 6  # folder, file, several writes, sync, rename, sync of the folder
    for step in range(1, meter.count + 1):
        folder = tmp_path / f"{step}"
        folder.mkdir()
        with pytest.raises(PowerCut if error is None else EnvironmentProblem):
            new(folder / "t.csv", Meter(step, error)).write(TEXT)
        written = folder / "t.csv"
        assert not written.exists() or written.read_bytes().decode() == "".join(TEXT)


def test_what_fails_on_the_way_leaves_nothing(tmp_path: Path) -> None:
    def pieces() -> Iterator[str]:
        yield "x" * 100_000
        raise EnvironmentProblem("gone", "The catalogue went away.", where="x", todo="y")

    with pytest.raises(EnvironmentProblem):
        new(tmp_path / "t.csv").write(pieces())
    assert list(tmp_path.iterdir()) == []


def test_what_came_into_its_place_meanwhile_stays(tmp_path: Path) -> None:
    file = new(tmp_path / "t.csv")
    file.refuse()
    (tmp_path / "t.csv").write_text("mine")
    with pytest.raises(DestinationProblem):
        file.write(["ours"])
    assert (tmp_path / "t.csv").read_text() == "mine"
    assert [p.name for p in tmp_path.iterdir()] == ["t.csv"]


def test_bytes_of_names_that_are_no_unicode_do_not_stop_it(tmp_path: Path) -> None:
    new(tmp_path / "t.csv").write(["a\udcffb\r\n"])
    assert (tmp_path / "t.csv").read_bytes() == b"a\\udcffb\r\n"
