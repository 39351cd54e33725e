"""Measuring the file of one pass while the evening goes on, and keeping what was measured.

What is kept depends on the file and on what the measurements had to know; it lies in a hidden folder of the
job, which nothing else reads. Findings are not kept: they depend on what is declared, which changes.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import secrets
import stat
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

from provpack import __version__
from provpack.chunks.walk import read_layout
from provpack.edge.commit import RealDisk, folder_names
from provpack.edge.jobfolder import printable, read_all
from provpack.edge.received import ReceivedFile
from provpack.edge.schemas import validate
from provpack.edge.workers import crew
from provpack.errors import InputProblem, ProvpackError
from provpack.findings import Finding, worst
from provpack.jobs.benchfiles import local_time
from provpack.jobs.check import check_loaded
from provpack.jobs.check_records import NO_ID
from provpack.jobs.chosen import chosen
from provpack.jobs.load import build_record_draft, load_job
from provpack.jobs.loaded import LoadedJob, LoadedTransfer, NamedFile
from provpack.jobs.measurements import measured, measurements_json
from provpack.jobs.measuring import measure_audio
from provpack.jobs.merge import exact_rate
from provpack.jobs.newfile import NewFile
from provpack.jobs.progress import Progress, Silent
from provpack.model.rates import rate_to_json

CACHE_FOLDER: Final = ".provpack-bench"
_MOST_BYTES: Final = 64 * 1024 * 1024
_MOST_TRIED: Final = 8


def measure_pass(
    folder: Path, transfer_id: str, number: int, now: Callable[[], datetime], progress: Progress
) -> dict[str, Any]:
    """Measure the file of a pass, or take what was measured before, and hold it against what is declared.

    The result is plain JSON: `measured` as in a record, `measurements` as measurements.json, `findings` as
    `provpack check --json` has them, of this transfer. rate_from: "declared", or "header" where the exact
    rate is not known yet. Raises ProvpackError: no such transfer, no file, nothing in it to measure.
    """
    job = load_job(folder)
    transfer = chosen(job, frozenset({transfer_id}))[0]
    named = file_of_pass(transfer, number)
    if named is None or named.path is None:
        raise InputProblem(
            "pass-without-file", f"Pass {number} of {transfer_id} has no file that could be measured.",
            where=str(transfer.origin), todo="Attach its file first.",
        )  # fmt: skip
    kept = _measured(job, transfer, named, now(), progress)
    found = judge_pass(job, transfer_id, named, kept["measured"], now())
    return {
        "outcome": {"error": "refused", "warning": "warnings"}.get(worst(found) or "", "good"),
        "transfer_id": transfer_id,
        "pass": number,
        **kept,
        "findings": [f.as_json() for f in found],
    }


def file_of_pass(transfer: LoadedTransfer, number: int) -> NamedFile | None:
    """The file of a pass: its own, or the transfer's where this pass made it; None when it has none."""
    own = transfer.pass_files.get(number)
    if own is not None or transfer.file is None:
        return own
    passes = transfer.values.get("passes")
    entries = [p for p in passes if isinstance(p, Mapping)] if isinstance(passes, list) else []
    this = next((p for p in entries if p.get("n") == number), None)
    alone = len(entries) < 2 and number == (entries[0].get("n") if entries else 1)
    named = this.get("file") if this is not None else None
    return transfer.file if alone or named == transfer.file.written else None


def judge_pass(
    job: LoadedJob, transfer_id: str, named: NamedFile, figures: Mapping[str, Any], now: datetime
) -> tuple[Finding, ...]:
    """What `check` says of a transfer when this is its file and these figures were measured in it. Headers
    of the job's files are read, no audio."""
    transfers = tuple(replace(t, file=named) if t.transfer_id == transfer_id else t for t in job.transfers)
    checked = check_loaded(
        replace(job, transfers=transfers), now=now, progress=Silent(), validate=validate,
        figures={transfer_id: figures},
    )  # fmt: skip
    pairs = zip(checked.transfers, checked.by_transfer, strict=True)
    return next((found for one, found in pairs if one.transfer_id == transfer_id), ())


def measured_before(folder: Path, name: str) -> Mapping[str, Any] | None:
    """What was measured in a file of the job folder as it is now: members file, bytes, modified_at,
    rate_from, measured, measurements; the newest where there are several, None when there is nothing."""
    if Path(name).is_absolute() or ".." in Path(name).parts:
        return None
    state = file_state(folder / name)
    if state is None:
        return None
    return max(_cached(folder, name, state), key=lambda one: str(one["measured"].get("at")), default=None)


def file_state(path: Path) -> tuple[int, int] | None:
    """Bytes and time of change (ns) of a plain file, None when it is none."""
    try:
        info = path.lstat()
    except (OSError, ValueError):
        return None
    return (info.st_size, info.st_mtime_ns) if stat.S_ISREG(info.st_mode) else None


# --- measuring ---


def _measured(
    job: LoadedJob, transfer: LoadedTransfer, named: NamedFile, at: datetime, progress: Progress
) -> dict[str, Any]:
    assert named.path is not None
    folder = job.folder
    shown = printable(named.relative)
    with ReceivedFile(named.path) as source:
        state = file_state(named.path) or (source.size, 0)
        layout = read_layout(source, shown)
        draft = build_record_draft(job, replace(transfer, file=named), record_id=NO_ID)
        exact = exact_rate(draft.get("signal") or {}) or exact_rate(transfer.values)
        header = layout.format.sample_rate if layout.format is not None else 0
        rate = exact[0] if exact is not None else Fraction(header)
        carrier = draft.get("carrier") or {}
        known = {
            "rate": rate_to_json(rate) if rate else None,
            "source_bit_depth": carrier.get("source_bit_depth"),
            "line_standard": carrier.get("line_standard"),
        }
        before = next((k for k in _cached(folder, named.relative, state) if k["known"] == known), None)
        if before is not None:
            return before
        found = None
        if rate > 0:
            with crew() as run_all:
                found = measure_audio(source, draft, rate=rate, run_all=run_all, progress=progress)
        if found is None:
            first = next((f for f in layout.findings if f.severity == "error"), None)
            raise InputProblem(
                "nothing-to-measure",
                first.what if first else "It holds no audio that can be measured here.",
                where=shown,
                todo=first.todo if first else "WAV files with whole-number samples are measured.",
            )
    kept = {
        "file": named.relative,
        "bytes": state[0],
        "modified_at": local_time(state[1]),
        "rate_from": "declared" if exact is not None else "header",
        "known": known,
        "measured": measured(*found, rate, at),
        "measurements": measurements_json(*found, path=named.relative, rate=rate, at=at),
    }
    with contextlib.suppress(ProvpackError, OSError):  # a full disk costs the time, not the result
        _keep(folder, named.relative, state, kept)
    return kept


# --- what is kept ---


def _key(name: str, state: tuple[int, int]) -> str:
    text = f"{state[0]}\n{state[1]}\n{name}"
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()[:40]


def _keep(folder: Path, name: str, state: tuple[int, int], kept: Mapping[str, Any]) -> None:
    place, disk = folder / CACHE_FOLDER, RealDisk()
    if not disk.exists(place):
        disk.make_folder(place)
    if not _own_folder(place):
        return
    body = json.dumps({**kept, "tool_version": __version__}, ensure_ascii=True, allow_nan=False)
    mark = secrets.token_hex(4)
    target = place / f"{_key(name, state)}-{mark}.json"
    digest = hashlib.sha256(body.encode()).hexdigest()
    NewFile(target=target, disk=disk, mark=mark, option="").write((digest, "\n", body))


def _own_folder(place: Path) -> bool:
    """Whether it is a folder and no link: nothing is read or written outside the job folder."""
    try:
        return stat.S_ISDIR(place.lstat().st_mode)
    except OSError:
        return False


def _cached(folder: Path, name: str, state: tuple[int, int]) -> list[dict[str, Any]]:
    """What is kept of a file in that state and can be read; what cannot is passed over and made anew."""
    place, key = folder / CACHE_FOLDER, _key(name, state)
    if not _own_folder(place):
        return []
    try:
        names = [n for n in folder_names(place) if n.startswith(key) and n.endswith(".json")]
    except ProvpackError:
        return []
    return [kept for n in names[:_MOST_TRIED] if (kept := _read(place / n, name, state)) is not None]


def _read(path: Path, name: str, state: tuple[int, int]) -> dict[str, Any] | None:
    try:
        data = read_all(path, _MOST_BYTES)
        digest, _, body = data.partition(b"\n")
        if len(data) > _MOST_BYTES or hashlib.sha256(body).hexdigest().encode() != digest:
            return None
        kept = json.loads(body)
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(kept, dict) or kept.pop("tool_version", None) != __version__:
        return None
    parts = ("measured", "measurements", "known")
    whole = all(isinstance(kept.get(part), dict) for part in parts)
    return kept if whole and (kept.get("file"), kept.get("bytes")) == (name, state[0]) else None
