"""Small job folders made on the spot, for tests that need a whole wrap. All names are invented."""

from __future__ import annotations

import random
import struct
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

from provpack.edge import clock, private
from provpack.edge.commit import Disk, RealDisk, folder_names
from provpack.edge.workers import crew
from provpack.jobs.deriveplan import Wanted
from provpack.jobs.heldfiles import STUDIO_FOLDER
from provpack.jobs.progress import Silent
from provpack.jobs.wrap import wrap_job
from provpack.jobs.wrapped import Ports, Wishes, WrapResult
from provpack.report.html import render_package

RATES = {"525": (44056, Fraction(44100000, 1001)), "625": (44100, Fraction(44100))}

EQUIPMENT = """\
schema_version = "1.0.0"
[[equipment]]
id = "DECK-1"
kind = "deck"
make_model = "Velkora B-70"
serial = "0001"
[[equipment]]
id = "DEC-1"
kind = "decoder"
make_model = "Pellard DA-16"
serial = "0002"
[[equipment]]
id = "CAP-1"
kind = "capture_device"
make_model = "Tonewell U4"
serial = "0003"
"""

JOB = """\
job_id = "JOB-1"
client = "Ambersund Chamber Archive"
transfer_organisation = "Grauwell Transfer Room"
[defaults]
source_domain = "digital_tape"
carrier_type = "betamax"
carrier_nominal_minutes = {minutes}
tape_speed_mode = "b2"
recording_format = "eiaj_14"
source_bit_depth = 14
label_transcription = "[no label]"
condition_terms = ["good"]
condition_assessed_at = "2026-06-01T09:00:00+02:00"
deck_id = "DECK-1"
dropout_compensator = "off"
picture_processing = []
decoder_id = "DEC-1"
decoder_mode = "auto"
emphasis_indicator = "on"
copy_indicator = "off"
error_indication = "none_seen"
digital_output = "factory"
digital_output_revision = "as built"
shared_converter = "no"
interface_type = "iec60958_coax"
cs_emphasis = "50_15"
capture_device_id = "CAP-1"
capture_input = "1"
clock_source = "source"
src_in_path = "no"
capture_software = "Larkfile 2.6"
capture_word_length = 16
chain_check_id = "CHK-1"
chain_check_at = "2026-06-01T08:00:00+02:00"
operator = "Ilse Varrow"
rights_basis = "owner"
personal_data = false
processing_steps = []
"""

TRANSFER = """
[[transfer]]
transfer_id = "{id}"
file = "{id}.wav"
chain = "A"
started_at = "2026-06-0{day}T10:00:00+02:00"
stopped_at = "2026-06-0{day}T{hours:02d}:{minutes:02d}:{seconds:02d}+02:00"
outcome = "complete"
client_item_id = "{id}"
title = "Evening {id}"
line_standard = "{standard}"
tape_emphasis = "on"
tape_emphasis_evidence = ["indicator"]
file_emphasis = "present"
channel_use = "stereo"
"""


def samples(frames: int, seed: int = 1) -> bytes:
    """14-bit noise in 16-bit stereo frames with a stretch of digital silence."""
    dice = random.Random(seed)
    block = bytearray(dice.randbytes(4 * min(frames, 60000)))
    for i in range(0, len(block), 2):
        block[i] &= 0xFC
    data = bytes(block * (frames * 4 // len(block) + 1))[: frames * 4]
    hole = frames // 3
    return data[: hole * 4] + bytes(800) + data[hole * 4 + 800 :] if frames > 2000 else data


def wav(data: bytes, rate: int = 44100, *, before: bytes = b"", after: bytes = b"") -> bytes:
    """A RIFF file around 16-bit stereo data, with raw chunks before and after the data chunk."""
    fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 2, rate, rate * 4, 4, 16)
    body = b"WAVE" + before + fmt + b"data" + struct.pack("<I", len(data)) + data + after
    return b"RIFF" + struct.pack("<I", len(body)) + body


def make_job(
    folder: Path,
    *,
    ids: tuple[str, ...] = ("T01",),
    frames: int = 30000,
    standard: str = "625",
    job: str = "",
    files: Mapping[str, bytes] | None = None,
) -> Path:
    """A job folder with one 14-bit transfer per id; job: more TOML for the top of job.toml."""
    folder.mkdir(parents=True)
    (folder / "equipment.toml").write_text(EQUIPMENT)
    header, exact = RATES[standard]
    text = job + JOB.format(minutes=max(60, int(frames / exact / 60) + 1))
    text += '\n[[chain]]\nid = "A"\n'
    for day, name in enumerate(ids, 2):
        seconds = int(frames / exact) + 1
        text += TRANSFER.format(
            id=name, day=day, hours=10 + seconds // 3600, minutes=seconds // 60 % 60, seconds=seconds % 60,
            standard={"525": "525_5994", "625": "625_50"}[standard],
        )  # fmt: skip
        content = (files or {}).get(f"{name}.wav")
        (folder / f"{name}.wav").write_bytes(content or wav(samples(frames, day), header))
    (folder / "job.toml").write_text(text)
    return folder


def wrap(
    job: Path,
    destination: Path,
    *,
    disk: Disk | None = None,
    dry_run: bool = False,
    wanted: Wanted | None = None,
    wishes: Wishes | None = None,
    only: frozenset[str] | None = None,
) -> WrapResult:
    """Wrap with real ports, or with another disk; the ledger is left out."""
    with crew(2) as run_all:
        ports = Ports(
            disk=disk or RealDisk(),
            now=clock.now,
            new_id=clock.new_id,
            run_all=run_all,
            progress=Silent(),
            list_names=lambda p: folder_names(p) if p.is_dir() else [],
            append_ledger=lambda entry: None,
            enter_job=lambda job: None,
            second_opinion=lambda path: [],
            render_report=render_package,
            new_salt=private.new_salt,
            keep_private=lambda name, data: private.write_private(destination / STUDIO_FOLDER, name, data),
        )
        asked = wishes or Wishes(derive=wanted)
        return wrap_job(job, destination, ports, dry_run=dry_run, wishes=asked, only=only)


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder with its bytes."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def as_dict(value: Any) -> dict[str, Any]:
    """A JSON object, for the type checker."""
    assert isinstance(value, dict)
    return value
