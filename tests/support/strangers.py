"""What a stranger needs to judge a package: a RIFF walker of our own making that shares nothing with the
product, runners for outside programs, and a job around any received WAVE file. All names are invented."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from support.jobs import EQUIPMENT, JOB, wrap

Tool = Callable[[str], str]

ANALOGUE = {
    "source_domain": "analogue",
    "carrier_type": "vhs",
    "tape_speed_mode": "sp",
    "recording_format": "hifi_fm",
    "source_bit_depth": "not_applicable",
    "line_standard": "625_50",
    "interface_type": "analogue",
    "clock_source": "internal",
    "tape_emphasis": "not_applicable",
    "tape_emphasis_evidence": [],
    "file_emphasis": "absent",
    "channel_polarity": "unknown",
}
NO_DECODER = (
    "decoder_id", "decoder_mode", "emphasis_indicator", "copy_indicator", "error_indication", "cs_emphasis",
    "digital_output", "digital_output_revision", "shared_converter", "dropout_compensator",
    "picture_processing",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Piece:
    """One chunk: id, offset of its body, body as far as the file goes."""

    id: bytes
    at: int
    body: bytes


@dataclass(frozen=True, slots=True)
class Riff:
    """A RIFF file taken apart by its declared sizes and pad bytes (RIFF/WAVE 1991), trusting them."""

    data: bytes
    chunks: list[Piece] = field(default_factory=list)

    def all(self, chunk_id: bytes, list_type: bytes = b"") -> list[Piece]:
        return [c for c in self.chunks if c.id == chunk_id and c.body.startswith(list_type)]

    def one(self, chunk_id: bytes, list_type: bytes = b"") -> Piece:
        (found,) = self.all(chunk_id, list_type)
        return found


def strict_riff(data: bytes) -> Riff:
    """Every size and every pad byte must be right, to the last byte of the file."""
    assert data[:4] == b"RIFF"
    assert data[8:12] == b"WAVE"
    assert struct.unpack_from("<I", data, 4)[0] == len(data) - 8, "RIFF size"
    riff, at = Riff(data), 12
    while at < len(data):
        chunk_id, size = struct.unpack_from("<4sI", data, at)
        body = data[at + 8 : at + 8 + size]
        assert len(body) == size, f"{chunk_id!r} is cut short"
        riff.chunks.append(Piece(chunk_id, at + 8, body))
        at += 8 + size
        if size % 2:
            assert data[at : at + 1] == b"\0", f"pad byte after {chunk_id!r}"
            at += 1
    assert at == len(data)
    return riff


def sub_chunks(body: bytes) -> list[tuple[bytes, bytes]]:
    """(id, body) of what a LIST holds; body begins with the list type."""
    out, at = [], 4
    while at < len(body):
        chunk_id, size = struct.unpack_from("<4sI", body, at)
        out.append((chunk_id, body[at + 8 : at + 8 + size]))
        at += 8 + size + size % 2
    return out


def padded(chunk_id: bytes, body: bytes) -> bytes:
    return chunk_id + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def fmt_plain(channels: int, rate: int, bits: int) -> bytes:
    align = channels * bits // 8
    return struct.pack("<HHIIHH", 1, channels, rate, rate * align, align, bits)


def fmt_extensible(channels: int, rate: int, bits: int, valid: int) -> bytes:
    """WAVE_FORMAT_EXTENSIBLE, PCM sub-format, channel mask of front left and right."""
    align = channels * bits // 8
    guid = bytes.fromhex("0100000000001000800000AA00389B71")
    return struct.pack(
        "<HHIIHHHHI", 0xFFFE, channels, rate, rate * align, align, bits, 22, valid, 3
    ) + guid  # fmt: skip


def wave(fmt: bytes, audio: bytes, before: bytes = b"", after: bytes = b"") -> bytes:
    body = b"WAVE" + before + padded(b"fmt ", fmt) + padded(b"data", audio) + after
    return b"RIFF" + struct.pack("<I", len(body)) + body


def bext(
    history: str = "", *, description: str = "", reference: str = "", umid: bytes = b"", version: int = 1
) -> bytes:
    """A received bext body, packed by hand (EBU Tech 3285 v2 section 2.3)."""
    texts = (description, "Larkfile 2.6", reference, "2026-06-02", "10:00:00")
    parts = [t.encode().ljust(n, b"\0") for t, n in zip(texts, (256, 32, 32, 10, 8), strict=True)]
    head = b"".join(parts) + struct.pack("<QH", 1_587_600_000, version) + umid.ljust(64, b"\0")
    return head.ljust(602, b"\0") + history.encode()


def make_job_around(
    folder: Path, content: bytes | None, row: Mapping[str, Any], papers: Mapping[str, bytes] | None = None
) -> Path:
    """A job of one transfer T01 whose file is `content`, if any; row: fields that beat the usual ones, None
    to leave one out; papers: other files of the folder."""
    folder.mkdir(parents=True)
    (folder / "equipment.toml").write_text(EQUIPMENT)
    name = None if content is None else "T01.wav"
    if content is not None:
        (folder / "T01.wav").write_bytes(content)
    for paper, data in (papers or {}).items():
        (folder / paper).write_bytes(data)
    fields: dict[str, Any] = {
        "transfer_id": "T01", "file": name, "chain": "A", "outcome": "complete", "client_item_id": "T01",
        "started_at": "2026-06-02T10:00:00+02:00", "stopped_at": "2026-06-02T10:59:00+02:00",
        "title": "Evening T01", "line_standard": "625_50", "tape_emphasis": "on",
        "tape_emphasis_evidence": ["indicator"], "file_emphasis": "present", "channel_use": "stereo",
    } | row  # fmt: skip
    head = JOB.format(minutes=60).splitlines()
    head = [line for line in head if fields.get(line.partition(" = ")[0], "") is not None]
    written = [f"{key} = {toml(value)}" for key, value in fields.items() if value is not None]
    text = [*head, "[[chain]]", 'id = "A"', "[[transfer]]", *written, ""]
    (folder / "job.toml").write_text("\n".join(text), encoding="utf-8")
    return folder


def toml(value: Any) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, list):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {toml(v)}" for k, v in value.items()) + "}"
    return str(value).lower() if isinstance(value, bool) else str(value)


SILENT_ON_PURPOSE = {
    "waivers": [
        {
            "rule": "rec-audio-silent",
            "reason": "a test file of another project, silent on purpose",
            "by": "Ilse Varrow",
            "at": "2026-06-02",
        }
    ]
}
"""For real files that hold nothing but zeros."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """One package with the file it was made from. findings: rule -> what was said."""

    package: Path
    received: bytes | None
    findings: dict[str, str]

    @property
    def master(self) -> Path:
        (found,) = (self.package / "data" / "master").iterdir()
        return found


def wrap_one(
    folder: Path, content: bytes | None, row: Mapping[str, Any], papers: Mapping[str, bytes] | None = None
) -> Made:
    """Wrap one received file for real; it must succeed, and leave the received file as it was."""
    job = make_job_around(folder / "job", content, row, papers)
    result = wrap(job, folder / "out")
    assert [u.outcome for u in result.units] == ["wrapped"], result.as_json()
    unit = result.units[0]
    if content is not None:
        assert (job / "T01.wav").read_bytes() == content
    findings = {f.rule: f.what for f in unit.findings}
    return Made(package=folder / "out" / unit.package_name, received=content, findings=findings)


def run(*command: str | Path, cwd: Path | None = None, env: Mapping[str, str] | None = None) -> bytes:
    done = subprocess.run(
        [str(c) for c in command], capture_output=True, check=False, timeout=60, cwd=cwd, env=env
    )
    assert done.returncode == 0, done.stdout[-500:] + done.stderr[-2000:]
    return done.stdout
