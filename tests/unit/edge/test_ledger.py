"""The custody ledger: chained, synced, torn lines set aside, several processes at once."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import subprocess
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from provpack.edge.ledger import LEDGER_NAME, append, find_ledger, read_entries
from provpack.errors import EnvironmentProblem


def test_each_line_holds_the_digest_of_the_line_before(tmp_path: Path, tool: Callable[[str], str]) -> None:
    """Outside check: coreutils sha512sum over the bytes of each line."""
    path = tmp_path / LEDGER_NAME
    for i in range(4):
        append(path, {"kind": "wrapped", "note": f"größe {i}"})
    lines = path.read_bytes().split(b"\n")[:-1]
    assert json.loads(lines[0])["previous"] == "0" * 128
    for before, after in pairwise(lines):
        out = subprocess.run([tool("sha512sum")], input=before, capture_output=True, check=True)
        assert json.loads(after)["previous"] == out.stdout.split()[0].decode()
    assert [e["n"] for e in read_entries(path)] == [1, 2, 3, 4]


@pytest.mark.parametrize("harm", ["change", "remove", "swap"])
def test_tampering_is_found_at_the_line(tmp_path: Path, harm: str) -> None:
    path = tmp_path / LEDGER_NAME
    for i in range(5):
        append(path, {"kind": "wrapped", "note": str(i)})
    lines = path.read_bytes().split(b"\n")
    if harm == "change":
        lines[1] = lines[1].replace(b'"note":"1"', b'"note":"7"')
    elif harm == "remove":
        del lines[1]
    else:
        lines[1], lines[2] = lines[2], lines[1]
    path.write_bytes(b"\n".join(lines))
    with pytest.raises(EnvironmentProblem) as err:
        read_entries(path)
    assert err.value.where.endswith(", line 2")


def test_a_torn_last_line_is_set_aside_not_lost(tmp_path: Path) -> None:
    path = tmp_path / LEDGER_NAME
    append(path, {"kind": "wrapped"})
    torn = b'{"kind":"wrapp'
    with path.open("ab") as f:
        f.write(torn)
    append(path, {"kind": "fixity_checked"})
    assert [e["kind"] for e in read_entries(path)] == ["wrapped", "fixity_checked"]
    kept = list(tmp_path.glob("*.torn-*"))
    assert [k.read_bytes() for k in kept] == [torn]
    assert kept[0].name.endswith(hashlib.sha256(torn).hexdigest()[:12])


def test_a_ledger_that_is_something_else_is_not_appended_to(tmp_path: Path) -> None:
    path = tmp_path / LEDGER_NAME
    path.write_bytes(b"not a ledger\n")
    with pytest.raises(EnvironmentProblem):
        append(path, {"kind": "wrapped"})
    assert path.read_bytes() == b"not a ledger\n"


def _write_many(args: tuple[str, int]) -> None:
    for i in range(args[1]):
        append(Path(args[0]), {"kind": "fixity_checked", "note": str(i)})


def test_two_processes_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / LEDGER_NAME
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        pool.map(_write_many, [(str(path), 40), (str(path), 40)])
    assert [e["n"] for e in read_entries(path)] == list(range(1, 81))


def test_the_ledger_is_found_beside_a_package(tmp_path: Path) -> None:
    (tmp_path / "pkg").mkdir()
    assert find_ledger(tmp_path / "pkg") is None
    append(tmp_path / LEDGER_NAME, {"kind": "wrapped"})
    assert find_ledger(tmp_path / "pkg") == tmp_path / LEDGER_NAME
    assert find_ledger(tmp_path) == tmp_path / LEDGER_NAME


def test_half_characters_stand_in_a_line_as_escapes(tmp_path: Path) -> None:
    """RFC 8259 section 8.2: such a text can be escaped, and cannot be UTF-8."""
    path = tmp_path / LEDGER_NAME
    for text in ("größe", "half \ud800", "whole \U0001f600"):
        append(path, {"kind": "note", "record_id": text})
    assert [e["record_id"] for e in read_entries(path)] == ["größe", "half \ud800", "whole \U0001f600"]
    assert path.read_bytes().isascii() is False and b"\\ud800" in path.read_bytes()
