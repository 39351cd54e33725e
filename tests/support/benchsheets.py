"""Job folders for tests of the bench log as a sheet: TOML from values, lines of the log, a job compared."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from provpack.edge import benchlog
from provpack.jobs.columns import Column
from provpack.jobs.loaded import LoadedJob, LoadedTransfer, NamedFile
from provpack.jobs.sheetfields import sheet_fields
from provpack.package.benchline import LOG_NAME, bench_line


def clock(seconds: int) -> str:
    """A moment of the evening, seconds after 21:00:00 or before it."""
    return (datetime.fromisoformat("2026-06-02T21:00:00+02:00") + timedelta(seconds=seconds)).isoformat()


def log(folder: Path, kind: str, at: str = "", /, **members: Any) -> int:
    """Append a line as the bench does; at: when it was written. Returns its number."""
    line = bench_line(
        kind, at=at or clock(0), by="Ilse Varrow", through="page", tool_version="1.0.0", **members
    )
    return int(benchlog.append(folder / LOG_NAME, line)["n"])


def declare(
    folder: Path, scope: str, id_: str | None, name: str, value: Any, was: Any = None, at: str = ""
) -> int:
    """Append a declared line."""
    return log(folder, "declared", at, scope=scope, id=id_, field=name, value=value, was=was)


def sample(column: Column, name: str = "") -> Any:
    """A value that the column takes, in the form of the job sheet."""
    name = name or column.name
    if column.kind == "list":
        return [sample(column.item or Column(name=name, kind="line"), name)]
    if column.kind == "table":
        return [{key: sample(part) for key, part in column.fields.items()}]
    if column.kind == "object":
        return {key: sample(part) for key, part in column.fields.items()}
    return {
        "id": f"{name}-1",
        "line": f"{name} one",
        "prose": f"{name}: some words,\nand more",
        "enum": column.words[0] if column.words else None,
        "integer": 2,
        "number": 2.5,
        "date": "2026-06-01",
        "date_time": "2026-06-01T10:00:00+02:00",
        "moment": "2026-06-01",
        "edtf": "1984",
        "rational": {"num": 44100000, "den": 1001},
        "position": 5,
        "path": "paper.txt",
    }[column.kind]


def toml_value(value: Any) -> str:
    """A JSON value as TOML, on one line."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {toml_value(part)}" for key, part in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(toml_value(part) for part in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def write_job(folder: Path, places: Mapping[str, Sequence[Mapping[str, Any]]]) -> Path:
    """A job folder whose sheets state these values. places: scope -> tables (job, defaults: one each)."""
    folder.mkdir(parents=True)
    (folder / "paper.txt").write_text("paper")
    text = [*_keys(places["job"][0]), "[defaults]", *_keys(places["defaults"][0])]
    for scope in ("chain", "transfer"):
        for table in places[scope]:
            text += [f"[[{scope}]]", *_keys(table)]
    (folder / "job.toml").write_text("\n".join(text) + "\n", encoding="utf-8")
    text = ['schema_version = "1.1.0"']
    for table in places["equipment"]:
        text += ["[[equipment]]", *_keys(table)]
    (folder / "equipment.toml").write_text("\n".join(text) + "\n", encoding="utf-8")
    return folder


def _keys(table: Mapping[str, Any]) -> list[str]:
    return [f"{key} = {toml_value(value)}" for key, value in table.items()]


def told(job: LoadedJob) -> dict[str, Any]:
    """All a loaded job says, but where it stands: origins, sheets and the log itself are left out."""
    return {
        "job": (job.job_id, job.client, job.organisation, job.job_values, job.custody_events),
        "named": [_named(f) for f in (*job.documents, *job.client_profiles)],
        "chains": job.chains,
        "equipment": {
            key: (item.raw, item.kind, item.make_model, item.serial, item.services, item.faults)
            for key, item in job.equipment.items()
        },
        "transfers": [_transfer(t) for t in job.transfers],
        "findings": sorted((f.rule, f.severity, f.what) for f in job.findings),
    }


def _transfer(transfer: LoadedTransfer) -> dict[str, Any]:
    names = ("file", "documents", "photos", "condition_photos")
    files = [getattr(transfer, name) for name in names]
    return {
        "id": transfer.transfer_id,
        "values": transfer.values,
        "chain": (transfer.chain_id, transfer.started_at, transfer.stopped_at),
        "files": [[_named(f) for f in ([one] if isinstance(one, NamedFile) else one or ())] for one in files],
        "passes": {n: _named(f) for n, f in transfer.pass_files.items()},
        "converted": [(c["field"], c["how"]) for c in transfer.converted],
        "refused": transfer.refused,
        "findings": sorted((f.rule, f.severity, f.what) for f in transfer.findings),
    }


def _named(file: NamedFile) -> tuple[str, str]:
    return file.written, file.relative


def columns_of(scope: str) -> Mapping[str, Column]:
    """The columns of a scope, by its name in a declared line."""
    found: Mapping[str, Column] = getattr(sheet_fields(), scope)
    return found
