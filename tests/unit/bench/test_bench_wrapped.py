"""A job that was recorded through the log alone: checked, wrapped, verified down to its meaning."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from support.benchlogged import FRAMES, RATE, finish, start
from support.benchsheets import clock
from support.jobs import wrap

from provpack.edge.schemas import validate
from provpack.findings import Finding
from provpack.jobs.check import check_job
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verify import verify_paths
from provpack.jobs.wrapped import WrapResult


def errors(folder: Path) -> list[Finding]:
    now = datetime(2026, 6, 3, tzinfo=UTC)
    result = check_job(folder, now=now, progress=Silent(), validate=validate)
    return [f for f in result.findings if f.severity == "error"]


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, WrapResult]:
    """(job folder, destination, result)."""
    root = tmp_path_factory.mktemp("evening")
    folder, packages = root / "job", root / "packages"
    start(folder)
    finish(folder)
    packages.mkdir()
    return folder, packages, wrap(folder, packages)


def record(packages: Path) -> dict[str, Any]:
    (path,) = packages.glob("*/data/metadata/*record*.json")
    out: dict[str, Any] = json.loads(path.read_text())
    return out


def test_while_the_pass_runs_nothing_is_wrapped(tmp_path: Path) -> None:
    folder, packages = tmp_path / "job", tmp_path / "packages"
    start(folder)
    packages.mkdir()
    assert "row-pass-running" in {f.rule for f in errors(folder)}
    wrap(folder, packages)
    assert list(packages.iterdir()) == []


def test_nothing_is_missing_in_what_was_logged(evening: tuple[Path, Path, WrapResult]) -> None:
    assert [(f.rule, f.what, f.where) for f in errors(evening[0])] == []


def test_the_package_holds_what_was_logged(evening: tuple[Path, Path, WrapResult]) -> None:
    folder, packages, result = evening
    assert [u.outcome for u in result.units] != []
    made = record(packages)
    assert not validate("transfer-record", made)
    assert made["item"]["title"] == "Evening"
    assert made["capture"]["chain_id"] == "A"
    assert "capture_files" not in json.dumps(made)
    (one,) = made["processing"]["passes"]
    assert (one["started_at"], one["stopped_at"], one["note"]) == (
        clock(0), clock(10), "21:00:06 tracking set by ear"
    )  # fmt: skip
    received = hashlib.sha256((folder / "captures/1/evening.wav").read_bytes()).hexdigest()
    assert one["sha256"] == received
    events = [(e["frame"], e["type"]) for e in made["processing"]["transfer_events"]]
    assert events == [(2 * RATE, "emphasis_on"), (4 * RATE, "mute"), (None, "programme_end")]
    assert [(r["start"], r["end"], r["emphasis"]) for r in made["signal"]["signal_state_ranges"]] == [
        (0, 2 * RATE, "off"), (2 * RATE, FRAMES, "on")
    ]  # fmt: skip
    derived = {d["field"]: d["how"] for d in made["derived"]}
    assert "last changed" in derived["/processing/transfer_events/1/frame"]
    assert "/signal/signal_state_ranges" in derived
    sheet = next(d for d in made["declared_in"] if d["path"] == "bench-log.jsonl")
    assert sheet["sha256"] == hashlib.sha256((folder / "bench-log.jsonl").read_bytes()).hexdigest()


def test_the_package_is_good_down_to_its_meaning(evening: tuple[Path, Path, WrapResult]) -> None:
    (package,) = (p for p in evening[1].iterdir() if p.is_dir() and not p.name.startswith("."))
    unit = verify_paths(
        [package], "meaning", progress=Silent(), clock=lambda: datetime(2026, 6, 4, tzinfo=UTC),
        validate=lambda name, value: [(v.pointer, v.message) for v in validate(name, value)],
        recover=lambda source: record_of(source, ""),
    ).units[0]  # fmt: skip
    assert [(f.rule, f.what) for f in unit.findings if f.severity != "note"] == []
    assert unit.outcome == "good"
