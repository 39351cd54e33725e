"""Every published and hand-made test bag of the reference folder, against the verdict noted beside it.

Source: reference/bags/ORIGINS.md and expected.tsv (the conformance suite of the specification's keepers, test
bags of three libraries, and bags made byte by byte), read against RFC 8493 and the 0.97 draft.
"""

from __future__ import annotations

import csv
import os
import tarfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from provpack.jobs.progress import Silent
from provpack.jobs.verify import VerifyResult, verify_paths

# The cases must be known while tests are collected; the `reference` fixture says what is missing.
REFERENCE = Path(
    os.environ.get("PROVPACK_REFERENCE", Path(__file__).resolve().parents[3] / "shared" / "reference")
)
TABLE = REFERENCE / "bags" / "expected.tsv"


def rows() -> Iterator[dict[str, str]]:
    if TABLE.is_file():
        with TABLE.open(encoding="utf-8", newline="") as file:
            yield from csv.DictReader(file, delimiter="\t")


ROWS = list(rows())
ARCHIVES = [r for r in ROWS if r["feature"] == "serialisation"]
BAGS = [r for r in ROWS if r["feature"] != "serialisation"]


def test_the_reference_bags_are_there(reference: Path) -> None:
    assert len(BAGS) > 100, f"{TABLE} is missing or short"


def unpack(row: dict[str, str], folder: Path) -> Path:
    """The bag's directory; decoys that a bag points at lie beside it."""
    archive = REFERENCE / "bags" / row["file"]
    with tarfile.open(archive) as tar:
        tar.extractall(folder, filter="fully_trusted")
    tops = [p for p in sorted(folder.iterdir()) if p.is_dir() and not p.name.endswith("-evil")]
    assert len(tops) == 1
    return tops[0]


def check(path: Path) -> VerifyResult:
    return verify_paths([path], "bytes", progress=Silent(), clock=lambda: datetime(2031, 5, 4, tzinfo=UTC))


@pytest.mark.parametrize("row", BAGS, ids=lambda r: r["file"])
def test_verdict(row: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = unpack(row, tmp_path)
    opened: list[str] = []
    real = os.open

    def spy(path: str, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        opened.append(str(path) if dir_fd is None else f"/{path}")
        return real(path, flags, mode, dir_fd=dir_fd)

    monkeypatch.setattr(os, "open", spy)
    result = check(root)
    monkeypatch.undo()
    errors = [f for u in result.units for f in u.findings if f.severity == "error"]
    warnings = [f for u in result.units for f in u.findings if f.severity == "warning"]
    assert len(result.units) == 1
    if row["expect"] == "valid":
        assert result.outcome == "good" and not errors, errors
    elif row["expect"] == "warning":
        assert result.outcome == "good" and not errors and warnings, errors
        assert result.verdict == "warnings"
    else:
        # No note of this half allows "could not check" for an invalid bag.
        assert row["expect"] == "invalid"
        assert result.outcome in ("bad", "missing") and errors
    # RFC 8493 section 5.1: only the bag's own folder, then single names beneath it, were opened.
    assert {p for p in opened if not p.startswith("/") or p.count("/") > 1} <= {str(root)}


@pytest.mark.parametrize(
    "row", [r for r in BAGS if "sha3" in r["note"] or "sha3" in r["file"]], ids=lambda r: r["file"]
)
def test_sha3_is_really_verified(row: dict[str, str], tmp_path: Path) -> None:
    # FIPS 202: SHA3-256; the name is normalised to sha3256 by RFC 8493 section 2.4
    root = unpack(row, tmp_path)
    unit = check(root).units[0]
    assert unit.outcome == "good" and "sha3256" in unit.algorithms and unit.bytes_read > 0
    victim = next(p for p in sorted((root / "data").rglob("*")) if p.is_file())
    data = bytearray(victim.read_bytes())
    data[0] ^= 1
    victim.write_bytes(data)
    assert check(root).outcome == "bad"


@pytest.mark.parametrize("row", ARCHIVES, ids=lambda r: r["file"])
def test_verdict_on_an_archive_itself(row: dict[str, str]) -> None:
    pytest.skip("archives are not read yet: unpack first (the command says so)")


def test_an_archive_is_not_called_good(reference: Path) -> None:
    result = check(next((reference / "bags").rglob("ser-*.tar")))
    assert result.outcome == "could_not_check"
    assert "Unpack" in result.units[0].findings[0].todo
