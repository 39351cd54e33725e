"""A small clean job on disk, and ways to spoil it."""

from __future__ import annotations

import csv
import io
import shutil
import struct
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from provpack.edge.schemas import validate
from provpack.jobs.check import CheckResult, check_job
from provpack.jobs.progress import Silent

BASE = Path(__file__).resolve().parents[2] / "cases" / "sheets" / "base"
NOW = datetime(2031, 7, 1, tzinfo=UTC)


def wave(
    *, rate: int = 44056, channels: int = 2, bits: int = 16, seconds: float = 4.0, tag: int = 1
) -> bytes:
    """A WAV file of silence: RIFF header, `fmt ` of 16 bytes, `data`."""
    frame = channels * bits // 8
    data = bytes(int(rate * seconds) * frame)
    head = struct.pack("<HHIIHH", tag, channels, rate, rate * frame, frame, bits)
    body = b"WAVEfmt " + struct.pack("<I", 16) + head + b"data" + struct.pack("<I", len(data)) + data
    return b"RIFF" + struct.pack("<I", len(body)) + body


def make_job(folder: Path) -> Path:
    """The clean job in a new folder."""
    shutil.copytree(BASE, folder)
    for number in (1, 2):
        (folder / f"t{number}.wav").write_bytes(wave())
    return folder


def edit_rows(folder: Path, changes: Mapping[str, Mapping[str, str]]) -> None:
    """Set cells of transfers.csv: row number as a spreadsheet shows it -> column -> text."""
    path = folder / "transfers.csv"
    rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines(keepends=True), delimiter=";"))
    for number, cells in changes.items():
        for name, text in cells.items():
            if name not in rows[0]:
                rows[0].append(name)
            row = rows[int(number) - 1]
            row.extend([""] * (len(rows[0]) - len(row)))
            row[rows[0].index(name)] = text
    for row in rows:
        row.extend([""] * (len(rows[0]) - len(row)))
    out = io.StringIO()
    csv.writer(out, delimiter=";", lineterminator="\n").writerows(rows)
    path.write_text(out.getvalue(), encoding="utf-8")


def replace_text(folder: Path, changes: Sequence[Sequence[str]]) -> None:
    """Replace text in sheets: (file, old, new); the old text must be there."""
    for name, old, new in changes:
        text = (folder / name).read_text(encoding="utf-8")
        assert old in text, f"{name} has no {old!r}"
        (folder / name).write_text(text.replace(old, new), encoding="utf-8")


def checked(folder: Path) -> CheckResult:
    """The job checked on a fixed day."""
    return check_job(folder, now=NOW, progress=Silent(), validate=validate)


def told(result: CheckResult) -> list[str]:
    """Rule ids of errors and warnings, each once, sorted."""
    return sorted({f.rule for f in result.findings if f.severity != "note"})
