"""Derivatives made on the spot: received file, plan, and the written file. All names are invented."""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from provpack.chunks.walk import read_layout
from provpack.edge.commit import Disk, RealDisk
from provpack.edge.received import ReceivedFile
from provpack.edge.workers import crew
from provpack.jobs.derive import plan_derivative
from provpack.jobs.derivefile import BLOCK_FRAMES, Derivative, write_derivative
from provpack.jobs.deriveplan import Container, DerivativePlan, Kind, Wanted
from provpack.jobs.progress import Silent
from provpack.jobs.staging import Staging
from support.strangers import fmt_extensible, fmt_plain, strict_riff, wave

Codes = npt.NDArray[np.int32]
AT = datetime(2026, 6, 3, 12, 0, tzinfo=UTC)
RATES = (Fraction(44_100_000, 1001), Fraction(44_100), Fraction(48_000))
HISTORY = (
    "A=PCM,F=44056,W=14,M=stereo,T=PCM adaptor 14 bit; pre-emphasis 50/15 us: on\r\n"
    "A=PCM,F=44056,W=16,M=stereo,T=capture Tonewell U4; emphasis in this file: present\r\n"
)
RECORD: dict[str, Any] = {
    "schema_version": "1.0.0",
    "record_id": "6b0c1b52-7e0f-4b0e-9d7c-0d3f2f6d5a11",
    "made_by": {"tool": "provpack", "version": "1.2.3", "at": AT.isoformat()},
    "job_id": "JOB-1",
    "item": {"client_item_id": "AK-17", "title": "Abendkonzert für Streicher, Teil 2",
             "recorded_date": "1986-11", "source_domain": "digital_tape"},
    "carrier": {"carrier_type": "betamax", "carrier_id": "C-17", "recording_format": "eiaj_14"},
    "decoder": {"decoder_id": "DEC-1", "shared_converter": "no"},
    "signal": {"tape_emphasis": "on", "tape_emphasis_evidence": ["indicator"], "file_emphasis": "present",
               "channel_use": "stereo", "signal_state_ranges": []},
    "processing": {
        "processing_steps": [],
        "passes": [{"n": 1, "started_at": "2026-06-02T10:00:00+02:00", "file": "T01.wav"}],
    },
    "people": {"transfer_organisation": "Grauwell Transfer Room", "client": "Ambersund Chamber Archive"},
    "files": [],
    "derived": [],
    "coding_history": HISTORY,
}  # fmt: skip


def record_with(**sections: Any) -> dict[str, Any]:
    """RECORD with some fields of its sections replaced, e.g. signal={"file_emphasis": "absent"}."""
    out = copy.deepcopy(RECORD)
    for name, fields in sections.items():
        out[name] = {**(out.get(name) or {}), **fields} if isinstance(fields, dict) else fields
    return out


def ranges(*parts: tuple[int, int, str]) -> dict[str, Any]:
    """The signal section of a tape whose emphasis changes: (start, end, state)."""
    rows = [{"start": a, "end": b, "emphasis": s} for a, b, s in parts]
    return {"tape_emphasis": "mixed", "file_emphasis": "mixed", "signal_state_ranges": rows}


def wanted(*kinds: Kind, container: Container = "wav", late: int | None = None) -> Wanted:
    return Wanted(kinds=frozenset(kinds or ("deemphasis",)), container=container, late_channel=late)


def received(codes: npt.NDArray[Any], rate: int, bits: int = 16, *, extensible: bool = False) -> bytes:
    """A WAVE file around codes of shape (n, channels)."""
    channels = codes.shape[1]
    if bits == 16:
        audio = codes.astype("<i2").tobytes()
    else:
        audio = (codes.astype("<i4").view("u1").reshape(-1, 4)[:, : bits // 8]).tobytes()
    fmt = fmt_extensible(channels, rate, bits, bits) if extensible else fmt_plain(channels, rate, bits)
    return wave(fmt, audio)


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """One derivative as made: the file, what was told of it, the plan, the record afterwards."""

    path: Path
    told: Derivative
    plan: DerivativePlan
    record: dict[str, Any]

    @property
    def codes(self) -> Codes:
        """Samples of a WAV derivative, taken out with a RIFF walker of the tests' own."""
        data = strict_riff(self.path.read_bytes()).one(b"data").body
        raw = np.frombuffer(data, dtype=np.uint8).reshape(-1, 3).astype(np.int32)
        flat = raw[:, 0] | (raw[:, 1] << 8) | (raw[:, 2] << 16)
        return ((flat ^ (1 << 23)) - (1 << 23)).astype(np.int32).reshape(-1, self.plan.format.channels)


def derive(
    folder: Path,
    content: bytes,
    rate: Fraction,
    *,
    record: dict[str, Any] | None = None,
    wish: Wanted | None = None,
    block_frames: int = BLOCK_FRAMES,
    disk: Disk | None = None,
    threads: int = 2,
) -> Work:
    """Plan and write the derivative of a received file, through a staging folder of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "T01.wav"
    file.write_bytes(content)
    own = copy.deepcopy(record or RECORD)
    stage = Staging(disk or RealDisk(), folder / ".partial-job-1_t01-00000000")
    with ReceivedFile(file) as source, crew(threads) as run_all:
        layout = read_layout(source, file.name)
        assert layout.format is not None
        assert layout.data is not None
        plan, _ = plan_derivative(own, layout.format, rate, layout.frames, wish or wanted(), name="job-1_t01")
        assert plan is not None
        audio = content[layout.data.offset : layout.data.offset + layout.data.size]
        stage.begin()
        told = write_derivative(
            stage, source, layout, plan, own,
            parent=hashlib.sha256(audio).hexdigest(), master="T01.wav", at=AT, run_all=run_all,
            progress=Silent(), block_frames=block_frames,
        )  # fmt: skip
    assert file.read_bytes() == content  # the received file is only read
    return Work(path=stage.folder / plan.path, told=told, plan=plan, record=own)


def sine(rate: Fraction, hertz: float, n: int, level: float, shift: float = 0.0) -> npt.NDArray[np.float64]:
    """level * sin at `hertz`, computed `shift` samples later."""
    return np.asarray(level * np.sin(2 * np.pi * hertz * (np.arange(n) + shift) / float(rate)))


def amplitude(sound: npt.NDArray[Any], rate: Fraction, hertz: Sequence[float]) -> npt.NDArray[np.complex128]:
    """Complex amplitudes of sines at these frequencies, all at once (least squares, so no leakage)."""
    t = 2 * np.pi * np.outer(np.arange(len(sound)), np.asarray(hertz)) / float(rate)
    got = np.linalg.lstsq(np.concatenate([np.sin(t), np.cos(t)], axis=1), sound, rcond=None)[0]
    return np.asarray(got[: len(hertz)] + 1j * got[len(hertz) :], dtype=np.complex128)
