"""Every published and hand-made test bag of the reference folder, against the verdict noted beside it.

Source: reference/bags/ORIGINS.md and expected.tsv (the conformance suite of the specification's keepers, test
bags of three libraries, and bags made byte by byte), read against RFC 8493 and the 0.97 draft.
"""

from __future__ import annotations

import csv
import os
import tarfile
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from provpack.jobs.progress import Silent
from provpack.jobs.verify import VerifyResult, verify_paths
from provpack.package import archiverules

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
    # 0.97 draft, Serialization: one base directory per archive
    result = check(REFERENCE / "bags" / row["file"])
    assert row["expect"] == "invalid" and result.outcome == "bad"
    assert archiverules.TOP.id in {f.rule for f in result.units[0].findings}


# --- the same bags as archives, read in place ----------------------------------------------------------

Pack = Callable[[Path, Path], None]


def pack_tar(form: int) -> Pack:
    def pack(root: Path, archive: Path) -> None:
        with tarfile.open(archive, "w", format=form) as tar:
            tar.add(root, root.name)

    return pack


def pack_zip(method: int) -> Pack:
    def pack(root: Path, archive: Path) -> None:
        with zipfile.ZipFile(archive, "w", method, strict_timestamps=False) as made:
            for path in [root, *sorted(root.rglob("*"))]:
                name = path.relative_to(root.parent).as_posix()
                if path.is_symlink():
                    link = zipfile.ZipInfo(name)
                    link.create_system, link.external_attr = 3, 0o120777 << 16
                    made.writestr(link, str(path.readlink()))
                else:
                    made.write(path, name)

    return pack


PACKS: dict[str, tuple[str, Pack]] = {
    "pax": ("tar", pack_tar(tarfile.PAX_FORMAT)),
    "gnu": ("tar", pack_tar(tarfile.GNU_FORMAT)),
    "stored": ("zip", pack_zip(zipfile.ZIP_STORED)),
    "deflated": ("zip", pack_zip(zipfile.ZIP_DEFLATED)),
}
# A backslash in a name is lawful on disk and in tar; in zip it never is (APPNOTE 4.4.17.1).
NOT_IN_ZIP = "\\"


@pytest.mark.parametrize("row", BAGS, ids=lambda r: r["file"])
def test_an_archive_gets_the_verdict_of_its_folder(row: dict[str, str], tmp_path: Path) -> None:
    """Packed by the standard library's writers, as a stranger would; nothing is unpacked again."""
    root = unpack(row, tmp_path)
    (folder,) = check(root).units
    told = Counter((f.rule, f.severity, f.where) for f in folder.findings)
    for name, (ending, pack) in PACKS.items():
        archive = tmp_path / name / f"{root.name}.{ending}"
        archive.parent.mkdir()
        pack(root, archive)
        before = sorted(p.as_posix() for p in tmp_path.rglob("*"))
        (unit,) = check(archive).units
        assert sorted(p.as_posix() for p in tmp_path.rglob("*")) == before
        if ending == "zip" and any(NOT_IN_ZIP in p.name for p in root.rglob("*")):
            assert archiverules.NAME_UNSAFE.id in {f.rule for f in unit.findings}
            continue
        assert (unit.outcome, unit.verdict, unit.identity) == (
            folder.outcome, folder.verdict, folder.identity
        ), (name, unit.findings)  # fmt: skip
        assert Counter((f.rule, f.severity, f.where) for f in unit.findings) == told, name
        assert (unit.payload_files, unit.bytes_read) == (folder.payload_files, folder.bytes_read)
