"""Writing tag files, and reading them back."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from hashlib import sha512
from pathlib import Path

import pytest

from provpack.errors import Bug
from provpack.package.baginfo import parse_bag_info
from provpack.package.bagtext import (
    BAGIT_TXT,
    build_bag_info,
    build_manifest,
    parse_declaration,
    parse_manifest,
)

V10 = parse_declaration(BAGIT_TXT)
V097 = parse_declaration(b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n")


def test_manifest_is_sorted_and_reads_back() -> None:
    paths = ["data/ü", "data/z%", "data/a\nb\r", "data/a", "data/ leading and trailing "]
    data = build_manifest((path, sha512(path.encode()).hexdigest()) for path in paths)
    manifest = parse_manifest(data, "manifest-sha512.txt", V10)
    assert manifest.findings == ()
    assert {line.path: line.digest for line in manifest.lines} == {
        path: sha512(path.encode()).hexdigest() for path in paths
    }
    assert data == build_manifest((p, sha512(p.encode()).hexdigest()) for p in reversed(paths))
    written = [line.split(b"  ", 1)[1] for line in data.splitlines()]
    assert written == sorted(written)
    assert b"data/z%25\n" in data and b"data/a%0Ab%0D\n" in data


def test_coreutils_reads_it(tmp_path: Path, tool: Callable[[str], str]) -> None:
    # source: coreutils sha512sum
    (tmp_path / "data").mkdir()
    (tmp_path / "data/tape-7.wav").write_bytes(b"tape")
    (tmp_path / "manifest-sha512.txt").write_bytes(
        build_manifest([("data/tape-7.wav", sha512(b"tape").hexdigest())])
    )
    command = [tool("sha512sum"), "--strict", "-c", "manifest-sha512.txt"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0 and done.stdout == "data/tape-7.wav: OK\n"


@pytest.mark.parametrize(
    "entry",
    [
        ("../x", "00"),
        ("/x", "00"),
        ("data/./x", "00"),
        ("data/", "00"),
        ("x", "0"),
        ("x", "AA"),
        ("x\udce9", "00"),
    ],
)
def test_what_no_manifest_may_list(entry: tuple[str, str]) -> None:
    with pytest.raises(Bug):
        build_manifest([entry])
    with pytest.raises(Bug):
        build_manifest([("x", "00"), ("x", "00")])


def test_bag_info_folds_at_79_and_reads_back() -> None:
    # RFC 8493 section 2.2.2
    long = " ".join(["word"] * 60)
    pairs = [("Contact-Name", "Ada Ænima"), ("External-Description", long), ("X", "a" * 200), ("Empty", "")]
    data = build_bag_info([*pairs, ("Lines", "one\r\ntwo\n\nthree")])
    assert all(len(line) <= 79 or "a" * 100 in line for line in data.decode().split("\n"))
    info = parse_bag_info(data, V10)
    assert info.findings == ()
    assert info.values("contact-name") == ("Ada Ænima",)
    assert info.values("External-Description")[0].replace("\n", " ") == long
    assert info.values("Lines") == ("one\ntwo\nthree",)
    assert [e.label for e in info.elements] == ["Contact-Name", "External-Description", "X", "Lines"]


@pytest.mark.parametrize("label", ["", " a", "a ", "a:b", "a\nb"])
def test_labels_that_cannot_be(label: str) -> None:
    with pytest.raises(Bug):
        build_bag_info([(label, "v")])


def rules(text: str, declaration: object = V10) -> list[tuple[str, str]]:
    info = parse_bag_info(text.encode(), declaration)  # type: ignore[arg-type]
    return [(f.rule.removeprefix("bag-"), f.severity) for f in info.findings]


@pytest.mark.parametrize(
    ("text", "new", "old"),
    [
        ("A: b\n", [], []),
        ("A:\tb\n", [], []),
        ("A: b\n  c\n\td\n", [], []),
        ("A : b\n", [("info-line", "error")], [("info-line", "warning")]),
        ("A:b\n", [("info-line", "error")], [("info-line", "warning")]),
        ("nothing\n", [("info-line", "error")], [("info-line", "error")]),
        ("  c\nA: b\n", [("info-line", "error")], [("info-line", "error")]),
        (": b\n", [("info-line", "error")], [("info-line", "error")]),
        ("A: b\n\n", [("blank-line", "warning")], [("blank-line", "warning")]),
        (
            "payload-oxum: 1.1\nPayload-Oxum: 1.1\n",
            [("info-repeated", "error")],
            [("info-repeated", "warning")],
        ),
        ("Payload-Oxum: 11\n", [("oxum-form", "error")], [("oxum-form", "error")]),
        ("Payload-Oxum: 1.-1\n", [("oxum-form", "error")], [("oxum-form", "error")]),
        ("Bagging-Date: 2031-01-02\nBagging-Date: 2031-01-03\n", [("info-repeated", "warning")], None),
        ("Bagging-Date: 2.1.2031\n", [("info-value", "warning")], None),
        ("Bag-Count: 1 of 2\n", [], None),
        ("Bag-Count: 1 of ?\n", [], None),
        ("Bag-Count: one\n", [("info-value", "warning")], None),
    ],
)
def test_bag_info_rules(text: str, new: list[tuple[str, str]], old: list[tuple[str, str]] | None) -> None:
    # RFC 8493 section 2.2.2; before 1.0 blanks around the colon must be accepted
    assert rules(text) == new
    if old is not None:
        assert rules(text, V097) == old
