"""Which paths are safe, which travel badly, how they are shown."""

from __future__ import annotations

import base64

import pytest

from provpack.package.bagpaths import (
    collisions,
    is_system_file,
    path_base64,
    plain,
    portability,
    readable,
    unsafe,
)

# RFC 8493 section 5.1 names `/`, `..`, `~user`, drive letters and `\\?\`; components, not prefixes, count.
UNSAFE = [
    "",
    "/",
    "/etc/passwd",
    "..",
    "../x",
    "data/..",
    "data/../x",
    "data/a/../../x",
    "~",
    "~root/x",
    "~/x",
    "C:",
    "C:x",
    "c:/x",
    "C:\\x",
    "\\x",
    "\\\\host\\share",
    "\\\\?\\C:\\x",
    "data\\..\\..\\x",
    "data/..\\x",
    "a\0b",
    "%HomeDrive%\\x",
]
SAFE = [
    "a",
    "data/a",
    "data/..a",
    "data/a..",
    "data/...",
    "data/~root/x",
    "data/a~",
    "data/C:x",
    "data/a b",
    "data/%x%",
    "data/a\\b",
    ".hidden",
    "data/\u202e",
    "%25",
]


@pytest.mark.parametrize("path", UNSAFE)
def test_unsafe(path: str) -> None:
    assert unsafe(path)


@pytest.mark.parametrize("path", ["~/x", "C:/x", "C:x", "\\\\host\\x", "%TEMP%/x", ".\\..\\x"])
@pytest.mark.parametrize("before", ["./", ".//", "././", ".///.//"])
def test_what_plain_takes_away_hides_nothing(before: str, path: str) -> None:
    assert unsafe(before + path)
    assert unsafe(before + "data/x") is None and plain(before + "data/x") == "data/x"


@pytest.mark.parametrize("path", SAFE)
def test_safe(path: str) -> None:
    assert unsafe(path) is None


@pytest.mark.parametrize(
    ("path", "straight"),
    [
        ("./a", "a"),
        ("a//b", "a/b"),
        ("a/./b", "a/b"),
        ("a/", "a/"),
        ("a/.", "a/"),
        ("./", ""),
        ("a.b/.c", "a.b/.c"),
    ],
)
def test_plain(path: str, straight: str) -> None:
    assert plain(path) == straight


@pytest.mark.parametrize(
    "path",
    [
        "data/CON",
        "data/nul.txt",
        "data/lpt1",
        "data/COM9.tar.gz",
        "data/a:b",
        "data/a?",
        "data/x ",
        "data/x./y",
        "a\\b",
        "data/\x01",
        "data/\udce9",
    ],
)
def test_names_that_travel_badly(path: str) -> None:
    # RFC 8493 section 6.1.2
    assert portability(path)


@pytest.mark.parametrize("path", ["data/console", "data/com10", "data/nul-1", "data/ü", "data/.keep"])
def test_names_that_travel_well(path: str) -> None:
    assert portability(path) is None


def test_collisions() -> None:
    # RFC 8493 section 6.1.1.3
    groups = collisions(["data/A", "data/a", "data/b", "data/é", "data/e\u0301", "data/ß", "data/SS"])
    assert sorted(groups) == [("data/A", "data/a"), ("data/SS", "data/ß"), ("data/e\u0301", "data/é")]


def test_system_files() -> None:
    assert all(
        map(is_system_file, ["data/.DS_Store", "data/x/Thumbs.db", "data/._tape.wav", "data/__MACOSX/x"])
    )
    assert not any(map(is_system_file, ["data/store", "data/.keep", "data/_x"]))


@pytest.mark.parametrize(
    ("path", "shown"),
    [
        ("data/ü b", "data/ü b"),
        ("a\nb", "a\\x0ab"),
        ("a\udcffb", "a\\xffb"),
        ("a\ud800", "a\ufffd"),
        ("\u202e", "\\u202e"),
    ],
)
def test_readable(path: str, shown: str) -> None:
    assert readable(path) == shown
    encoded = path_base64(path)
    assert (encoded is None) == (path == shown)
    if encoded is not None and "\ud800" not in path:
        assert base64.b64decode(encoded).decode("utf-8", "surrogateescape") == path
