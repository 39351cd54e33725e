"""Job folders with several passes of one carrier, made on the spot. All names are invented."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
from support.jobs import make_job, wav
from support.passes import tape

from provpack.findings import Finding
from provpack.jobs.load import load_job
from provpack.jobs.loaded import LoadedTransfer
from provpack.jobs.passes import PassReport, compare_transfer
from provpack.jobs.progress import Silent

RATE = Fraction(44100)


@cache
def clean() -> np.ndarray:
    """Six seconds of an undamaged 14-bit tape, int16, (frames, 2)."""
    return tape(seconds=6.0, seed=4)


def muted(x: np.ndarray, start: int, end: int) -> np.ndarray:
    """The tape with a stretch of zeros."""
    x = x.copy()
    x[start:end] = 0
    return x


def job_with(
    folder: Path,
    files: Mapping[int, np.ndarray | bytes],
    *,
    own: int | None = None,
    assembly: Sequence[tuple[int, int, int, int, int]] | str = (),
) -> Path:
    """A job of one transfer T01 whose pass n has the file p<n>.wav. own: the pass whose file the transfer
    names. assembly: (pass, source start, source end, target start, target end), or the sheet's text."""
    make_job(folder, ids=("T01",), frames=len(clean()))
    (folder / "T01.wav").unlink()
    rows = ["transfer_id,n,chain_id,deck_id,started_at,stopped_at,outcome,file"]
    for n, audio in files.items():
        content = audio if isinstance(audio, bytes) else wav(audio.tobytes())
        (folder / f"p{n}.wav").write_bytes(content)
        hour = f"2026-06-02T1{n}:00"
        rows.append(f"T01,{n},A,DECK-1,{hour}:00+02:00,{hour}:07+02:00,complete,p{n}.wav")
    (folder / "passes.csv").write_text("\n".join(rows) + "\n")
    sheet = (folder / "job.toml").read_text()
    row = [
        line for line in sheet.splitlines() if not line.startswith(("file = ", "started_at", "stopped_at"))
    ]
    if own is not None:
        row.append(f'file = "p{own}.wav"')
    (folder / "job.toml").write_text("\n".join(row) + "\n")
    if assembly:
        text = assembly
        if not isinstance(text, str):
            head = "transfer_id,pass_n,source_start,source_end,target_start,target_end\n"
            text = head + "".join("T01," + ",".join(map(str, r)) + "\n" for r in assembly)
        (folder / "assembly.csv").write_text(text)
    return folder


def transfer_of(folder: Path) -> LoadedTransfer:
    """The job's only transfer; its sheets must be without errors."""
    job = load_job(folder)
    assert [f for f in job.all_findings() if f.severity == "error"] == []
    return job.transfers[0]


def compared(folder: Path) -> PassReport:
    """The report on the job's only transfer."""
    return compare_transfer(transfer_of(folder), RATE, Silent())


def told(findings: Sequence[Finding]) -> list[str]:
    """Rule ids without the room's prefix, in order."""
    return [f.rule.removeprefix("pass-") for f in findings]
