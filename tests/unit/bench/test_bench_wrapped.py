"""A job that was recorded through the log alone: checked, wrapped, verified down to its meaning."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from support.benchsheets import clock, declare, log
from support.jobs import EQUIPMENT, samples, wav, wrap

from provpack.edge.schemas import validate
from provpack.findings import Finding
from provpack.jobs.check import check_job
from provpack.jobs.progress import Silent
from provpack.jobs.recover import record_of
from provpack.jobs.verify import verify_paths
from provpack.jobs.wrapped import WrapResult

RATE = 44100
FRAMES = 8 * RATE
JOB = """\
job_id = "JOB-1"
client = "Ambersund Chamber Archive"
transfer_organisation = "Grauwell Transfer Room"
[[chain]]
id = "A"
deck_id = "DECK-1"
decoder_id = "DEC-1"
capture_device_id = "CAP-1"
capture_input = "1"
capture_files = "captures/1/*.wav"
"""
SETTINGS = {
    "deck_id": "DECK-1", "dropout_compensator": "off", "picture_processing": [], "decoder_id": "DEC-1",
    "decoder_mode": "auto", "emphasis_indicator": "off", "copy_indicator": "off",
    "error_indication": "none_seen", "digital_output": "factory", "digital_output_revision": "as built",
    "shared_converter": "no", "interface_type": "iec60958_coax", "cs_emphasis": "50_15",
    "capture_device_id": "CAP-1", "capture_input": "1", "clock_source": "source", "src_in_path": "no",
    "capture_software": "Larkfile 2.6", "capture_word_length": 16, "chain_check_id": "CHK-1",
    "chain_check_at": "2026-06-01T08:00:00+02:00",
}  # fmt: skip
DEFAULTS = {
    "source_domain": "digital_tape", "carrier_type": "betamax", "carrier_nominal_minutes": 60,
    "tape_speed_mode": "b2", "recording_format": "eiaj_14", "line_standard": "625_50",
    "operator": "Ilse Varrow", "rights_basis": "owner", "personal_data": False, "processing_steps": [],
    "file_emphasis": "present", "channel_use": "stereo",
}  # fmt: skip
INTAKE = {
    "client_item_id": "T01", "carrier_id": "T01", "title": "Evening",
    "label_transcription": "Evening, side 1", "condition_terms": ["good"],
    "condition_assessed_at": "2026-06-02T20:30:00+02:00",
}  # fmt: skip
PASS = {"transfer_id": "T01", "pass": 1}


def start(folder: Path) -> None:
    folder.mkdir()
    (folder / "job.toml").write_text(JOB)
    (folder / "equipment.toml").write_text(EQUIPMENT)
    for name, value in DEFAULTS.items():
        declare(folder, "defaults", None, name, value)
    log(folder, "taken_in", clock(-1800), transfer_id="T01")
    for name, value in INTAKE.items():
        declare(folder, "transfer", "T01", name, value, at=clock(-1800))
    received = {
        "type": "received", "at": "2026-06-02", "from": "Client", "to": "Ilse Varrow", "items": ["T01"],
    }  # fmt: skip
    declare(folder, "transfer", "T01", "custody_events", [received])
    log(folder, "pass_started", clock(0), chain_id="A", settings=SETTINGS, changed=list(SETTINGS), **PASS)


def finish(folder: Path) -> None:
    log(folder, "event", clock(3), type="emphasis_on", **PASS)
    log(folder, "event", clock(5), type="mute", note="both sides", **PASS)
    log(folder, "event", clock(9), type="programme_end", **PASS)
    log(folder, "noted", clock(6), note="tracking set by ear", **PASS)
    log(folder, "pass_stopped", clock(10), outcome="complete", **PASS)
    path = folder / "captures" / "1" / "evening.wav"
    path.parent.mkdir(parents=True)
    path.write_bytes(wav(samples(FRAMES)))
    log(
        folder, "file_attached", clock(11), file="captures/1/evening.wav", bytes=path.stat().st_size,
        modified_at=clock(9), frames=FRAMES, header_sampling_frequency_hz=RATE, starts_at=clock(1),
        starts_from="modified_time", agreement=dict.fromkeys(("time", "length", "input"), "agrees"),
        attached_by="agreement", **PASS,
    )  # fmt: skip
    log(folder, "judged", clock(60), verdict="accepted", **PASS)
    for name, value in {
        "outcome": "complete", "tape_emphasis": "mixed", "tape_emphasis_evidence": ["indicator"],
        "emphasis_indicator": "changed", "qc_by": "Bo Tarn",
    }.items():  # fmt: skip
        declare(folder, "transfer", "T01", name, value, at=clock(70))


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
