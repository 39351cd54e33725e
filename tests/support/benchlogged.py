"""A job that is recorded through the bench log alone, ready to be wrapped. All names are invented."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

from support.benchsheets import clock, declare, log
from support.jobs import EQUIPMENT, samples, wav

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
    closed = datetime.fromisoformat(clock(9)).timestamp()
    os.utime(path, (closed, closed))
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
