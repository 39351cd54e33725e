"""Where the file of a catalogue may not lie, and files beside it that are not its own."""

from __future__ import annotations

from pathlib import Path

import pytest
from cli.commandline import run

from provpack.catalogue.opening import open_catalogue
from provpack.catalogue.places import put_aside
from provpack.catalogue.values import Package
from provpack.errors import DestinationProblem


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
