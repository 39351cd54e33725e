"""Listing and opening beneath a root, without following links."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from provpack.edge import tree
from provpack.edge.place import FolderPlace
from provpack.edge.reading import read_small
from provpack.edge.tree import find_bags, list_tree, open_regular
from provpack.errors import CouldNotCheck


@pytest.fixture(params=["descriptors", "paths"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both ways of walking: by directory descriptors, and the fallback for systems without them."""
    if request.param == "descriptors" and not tree._AT:
        pytest.skip("this system has no directory descriptors")
    monkeypatch.setattr(tree, "_AT", request.param == "descriptors")
    return str(request.param)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    here = tmp_path / "root"
    (here / "a/b").mkdir(parents=True)
    (here / "a/b/file").write_bytes(b"12345")
    (here / "a/empty").mkdir()
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside/secret").write_bytes(b"secret")
    (here / "link").symlink_to(tmp_path / "outside")
    (here / "a/flink").symlink_to(tmp_path / "outside/secret")
    os.mkfifo(here / "pipe")
    return here


def test_listing(root: Path, way: str) -> None:
    listing = list_tree(root)
    assert [(e.path, e.kind, e.size) for e in listing.entries] == [
        ("a", "directory", 0),
        ("a/b", "directory", 0),
        ("a/b/file", "file", 5),
        ("a/empty", "directory", 0),
        ("a/flink", "symlink", 0),
        ("link", "symlink", 0),
        ("pipe", "other", 0),
    ]
    assert listing.complete


def test_a_root_that_is_not_there(tmp_path: Path, way: str) -> None:
    entry = list_tree(tmp_path / "nowhere").entries[0]
    assert (entry.path, entry.kind, entry.problem) == ("", "unreadable", "No such file or directory")


def test_bounds(root: Path, way: str) -> None:
    few = list_tree(root, max_entries=3)
    assert len(few.entries) == 3 and not few.complete
    shallow = {e.path: e for e in list_tree(root, max_depth=2).entries}
    assert shallow["a/b"].kind == "unreadable" and "deeply" in shallow["a/b"].problem
    assert "a/b/file" not in shallow


def test_opening(root: Path, way: str) -> None:
    with open_regular(root, "a/b/file") as file:
        assert file.read() == b"12345"
    assert read_small(FolderPlace(root), "a/b/file", 5) == b"12345"
    with pytest.raises(CouldNotCheck) as caught:
        read_small(FolderPlace(root), "a/b/file", 4)
    assert caught.value.code == "too-large"


@pytest.mark.parametrize(
    "path",
    [
        "link/secret",
        "a/flink",
        "a/b",
        "pipe",
        "nowhere",
        "",
        "..",
        "../outside/secret",
        "a/../a/b/file",
        "a//b",
        "a\0b",
    ],
)
def test_what_is_not_opened(root: Path, way: str, path: str) -> None:
    with pytest.raises(CouldNotCheck) as caught:
        open_regular(root, path)
    assert caught.value.code == "unreadable" and caught.value.todo


def test_the_root_itself_may_be_reached_by_a_link(root: Path, way: str) -> None:
    (root.parent / "alias").symlink_to(root)
    assert list_tree(root.parent / "alias") == list_tree(root)
    open_regular(root.parent / "alias", "a/b/file").close()


def test_names_that_are_not_utf8(tmp_path: Path, way: str) -> None:
    os.close(os.open(os.fsencode(tmp_path) + b"/\xff", os.O_CREAT | os.O_WRONLY))
    assert [e.path for e in list_tree(tmp_path).entries] == ["\udcff"]
    open_regular(tmp_path, "\udcff").close()


def test_an_unreadable_folder_is_an_entry(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.open

    def fake(path: str, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if path == "b":
            raise PermissionError(13, "Permission denied")
        return real(path, flags, mode, dir_fd=dir_fd)

    monkeypatch.setattr(os, "open", fake)
    found = {e.path: e for e in list_tree(root).entries}
    assert (found["a/b"].kind, found["a/b"].problem) == ("unreadable", "Permission denied")
    assert found["a/empty"].kind == "directory"


def test_a_link_put_in_the_way_between_listing_and_opening(root: Path, way: str) -> None:
    list_tree(root)
    (root / "a/b").rename(root / "a/c")
    (root / "a/b").symlink_to(root.parent / "outside")
    with pytest.raises(CouldNotCheck):
        open_regular(root, "a/b/secret")


def test_finding_bags(tmp_path: Path) -> None:
    for name in ("x/one", "x/y/two", "x/.partial-z/three", "x/one/data/inner"):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / "bagit.txt").write_bytes(b"")
    (tmp_path / "x/nodecl/data").mkdir(parents=True)
    (tmp_path / "x/nodecl/manifest-md5.txt").write_bytes(b"")
    (tmp_path / "x/loop").symlink_to(tmp_path)
    search = find_bags(tmp_path)
    names = [p.relative_to(tmp_path / "x").as_posix() for p in search.bags]
    assert names == ["nodecl", "one", "y/two"]
    assert [p.name for p in search.leftovers] == [".partial-z"]
    assert [p.name for p in search.links] == ["loop"]
    assert find_bags(tmp_path, max_folders=2).unreadable
    assert find_bags(tmp_path, max_depth=1).unreadable
