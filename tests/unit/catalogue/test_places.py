"""Where the file of a catalogue may not lie, and files beside it that are not its own."""

from __future__ import annotations

import contextlib
import gc
from pathlib import Path

import pytest
from cli.commandline import run

from provpack.catalogue.opening import open_catalogue
from provpack.catalogue.places import put_aside
from provpack.catalogue.values import Package
from provpack.errors import DestinationProblem
from provpack.jobs.harvestrules import LEFT_OVER


def everything(folder: Path) -> list[str]:
    return sorted(str(one.relative_to(folder)) for one in folder.rglob("*"))


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    """A folder that says it is a package (RFC 8493 section 2.1.1: the bag declaration)."""
    (tmp_path / "bag" / "data").mkdir(parents=True)
    (tmp_path / "bag" / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    return tmp_path / "bag"


@pytest.mark.parametrize("within", ["cat", "data/cat", "link/cat"])
def test_no_catalogue_is_made_in_a_package(bag: Path, within: str, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(bag / "data")
    place = tmp_path / within if within.startswith("link") else bag / within
    before = everything(tmp_path)
    with pytest.raises(DestinationProblem) as caught:
        open_catalogue(str(place), create=True)
    assert caught.value.code == "destination-in-package" and everything(tmp_path) == before


def test_a_catalogue_that_lies_in_a_package_is_not_written(bag: Path, tmp_path: Path) -> None:
    open_catalogue(tmp_path / "c.sqlite", create=True).close()
    (tmp_path / "c.sqlite").rename(bag / "c.sqlite")
    content = (bag / "c.sqlite").read_bytes()
    with open_catalogue(bag / "c.sqlite") as catalogue:
        assert catalogue.ask.size()["packages"] == 0
        for anew in (False, True):
            if anew:
                catalogue.forget_everything()
            with pytest.raises(DestinationProblem), catalogue.writing() as writer:
                writer.package(Package(place="/a/x", name="x", stamp="1"))
    assert everything(bag) == ["bagit.txt", "c.sqlite", "data"] and (bag / "c.sqlite").read_bytes() == content


@pytest.mark.parametrize("way", ["option", "PROVPACK_CATALOGUE", "XDG_DATA_HOME"])
@pytest.mark.parametrize("action", ["add", "rebuild"])
def test_the_command_line_makes_none_in_a_package(
    bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str, action: str
) -> None:
    monkeypatch.delenv("PROVPACK_CATALOGUE", raising=False)
    words: list[str | Path] = ["catalogue", action, tmp_path]
    if way == "option":
        words += ["--catalogue", bag / "data" / "cat"]
    else:
        monkeypatch.setenv(way, str(bag / "data" / "cat"))
    before = everything(tmp_path)
    said = run(*words)
    assert said.code == 14 and "into a package" in said.err and everything(tmp_path) == before


def test_a_file_of_somebody_else_is_not_built_over(tmp_path: Path) -> None:
    path, other = tmp_path / "c", tmp_path / "c.building"
    with open_catalogue(path, create=True) as catalogue:
        other.write_text("precious\n")
        catalogue.forget_everything()
        with pytest.raises(DestinationProblem) as caught, catalogue.writing():
            pass
        assert caught.value.code == "file-exists" and other.read_text() == "precious\n"
        other.unlink()
        other.symlink_to(path)  # our own, but not by this name
        catalogue.forget_everything()
        with pytest.raises(DestinationProblem), catalogue.writing():
            pass
        assert other.is_symlink()


def test_a_building_that_was_killed_at_once_is_taken_away(tmp_path: Path) -> None:
    with open_catalogue(tmp_path / "c", create=True) as catalogue:
        (tmp_path / "c.building").touch()
        catalogue.forget_everything()
        with catalogue.writing() as writer:
            writer.package(Package(place="/a/x", name="x", stamp="1"))
        assert catalogue.ask.size()["packages"] == 1
    assert everything(tmp_path) == ["c"]


@pytest.mark.parametrize("rest", [b"", b"\0" * 5000, b"\0" * 4076 + b"a page of a table" * 900])
def test_a_building_whose_head_is_zeros_is_taken_away_and_told(tmp_path: Path, rest: bytes) -> None:
    """After a power cut: pages were written, and the head (synced by nobody) was not."""
    path, left = tmp_path / "c", tmp_path / "c.building"
    (tmp_path / "root").mkdir()
    open_catalogue(path, create=True).close()
    left.write_bytes(b"\0" * 20 + rest)
    said = run("catalogue", "rebuild", tmp_path / "root", "--catalogue", path, "--json")
    (told,) = [one for one in said.json()["findings"] if one["rule"] == LEFT_OVER.id]
    assert (
        not left.exists()
        and f"c.building, which an interrupted rebuild left ({20 + len(rest)} bytes" in told["what"]
    )
    said = run("catalogue", "rebuild", tmp_path / "root", "--catalogue", path, "--json")
    assert LEFT_OVER.id not in said.out


@pytest.mark.parametrize("how", ["behind", "within", "hard link", "link"])
def test_other_files_with_zeros_are_not_touched(tmp_path: Path, how: str) -> None:
    path, other, elsewhere = tmp_path / "c", tmp_path / "c.building", tmp_path / "precious"
    data = {"behind": b"precious" + b"\0" * 9000, "within": b"\0" * 4000 + b"precious"}.get(how, b"\0" * 9000)
    elsewhere.write_bytes(data)
    if how == "link":
        other.symlink_to(elsewhere)
    elif how == "hard link":
        other.hardlink_to(elsewhere)
    else:
        other.write_bytes(data)
    with open_catalogue(path, create=True) as catalogue:
        catalogue.forget_everything()
        with pytest.raises(DestinationProblem), catalogue.writing():
            pass
    assert other.read_bytes() == data and catalogue.taken_away is None


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="no /proc to see open files in")
@pytest.mark.parametrize("why", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_rebuild_that_fails_leaves_no_file_open(tmp_path: Path, why: BaseException) -> None:
    """A file that is deleted and still open keeps its room on a full disk as long as the process runs."""

    def still_open() -> list[str]:
        told = []
        for one in Path("/proc/self/fd").iterdir():
            with contextlib.suppress(OSError):
                told.append(str(one.readlink()))
        return [name for name in told if "c.building" in name]

    gc.disable()  # what nobody holds any more would be closed, by chance
    try:
        with open_catalogue(tmp_path / "c", create=True) as catalogue:
            catalogue.forget_everything()
            with pytest.raises(type(why)), catalogue.writing() as writer:
                writer.package(Package(place="/a/x", name="x", stamp="1"))
                writer.flush()
                assert still_open()
                raise why
            assert still_open() == [] and everything(tmp_path) == ["c"]
    finally:
        gc.enable()


def test_a_damaged_catalogue_is_put_aside_over_nothing(tmp_path: Path) -> None:
    (tmp_path / "c.damaged").write_text("precious")
    (tmp_path / "c.damaged-2-journal").write_text("also")
    (tmp_path / "c").write_text("one")
    (tmp_path / "c-journal").write_text("two")
    put_aside(tmp_path / "c")
    assert {one.name: one.read_text() for one in tmp_path.iterdir()} == {
        "c.damaged": "precious", "c.damaged-2-journal": "also", "c.damaged-3": "one",
        "c.damaged-3-journal": "two",
    }  # fmt: skip


def test_rebuild_keeps_what_was_put_aside_before(tmp_path: Path) -> None:
    """Through the command line: c.damaged of an earlier day stays."""
    (tmp_path / "root").mkdir()
    path = tmp_path / "c"
    open_catalogue(path, create=True).close()
    content = bytearray(path.read_bytes())
    content[100:] = b"\xa5" * (len(content) - 100)
    path.write_bytes(content)
    (tmp_path / "c.damaged").write_text("precious")
    run("catalogue", "rebuild", tmp_path / "root", "--catalogue", path)
    assert (tmp_path / "c.damaged").read_text() == "precious"
    assert (tmp_path / "c.damaged-2").read_bytes() == bytes(content)
