"""The fields of every sheet, and where each stands in the record: read once from the schemas."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from provpack.edge.schemas import load
from provpack.jobs.columns import Column, column_of
from provpack.package.benchline import LOG_NAME

JOB_VERSION = "1.3.0"
REGISTER_VERSION = "1.1.0"
RECORD_VERSION = "1.3.0"
"""Of the three schemas. Record 1.1: measured figures; 1.2: client profiles, names held back; 1.3: what
else was in the path. Register 1.1: what is fitted to what. Job sheet 1.2: capture_files of a chain; 1.3:
corrects, plays_again."""
NOT_IN_CELLS = frozenset({"supersedes", "derived_from"})
FILE_COLUMNS = frozenset({"file", "documents", "photos", "condition_photos"})
"""Names of files of the job folder: resolved, and kept apart from the values of the record."""
OWN_PAPERS = frozenset({"job.toml", "transfers.csv", "equipment.toml", LOG_NAME})
"""What a job is declared in, beside the sheets named after a field: no sound, and no photograph."""
ROW_ONLY = frozenset({"transfer_id", "chain", "started_at", "stopped_at"})
CHAIN_ONLY = frozenset({"id", "note", "capture_files"})
"""Of a chain, no fields of the record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFields:
    """Columns by name for each place, and section of the record by field name ("" = the record itself)."""

    job: Mapping[str, Column]
    defaults: Mapping[str, Column]
    chain: Mapping[str, Column]
    transfer: Mapping[str, Column]
    equipment: Mapping[str, Column]
    section: Mapping[str, str]
    sections: Mapping[str, bool]
    """Section -> may it be null (there was no such equipment, or there is no audio)."""

    @property
    def tables(self) -> tuple[str, ...]:
        """Fields that have a sheet of their own."""
        return tuple(sorted(name for name, c in self.transfer.items() if c.kind == "table"))


MEASURED_LATER = ("made_by", "measured", "files", "client_profile", "held_back")


@cache
def sheet_fields() -> SheetFields:
    """Read the schemas: job-sheet, equipment-register, transfer-record and what they share."""
    defs = load("fields")["$defs"]
    job_sheet = load("job-sheet")["properties"]
    register = load("equipment-register")["properties"]["equipment"]["items"]
    record = load("transfer-record")["properties"]

    def columns(schema: Mapping[str, Any]) -> dict[str, Column]:
        return {name: column_of(name, part, defs) for name, part in schema["properties"].items()}

    section: dict[str, str] = {}
    sections: dict[str, bool] = {}
    for name, part in record.items():
        if name in MEASURED_LATER:
            continue
        if "properties" in part:
            sections[name] = "null" in part.get("type", ())
            section.update(dict.fromkeys(part["properties"], name))
        else:
            section[name] = ""
    return SheetFields(
        job={
            n: column_of(n, p, defs)
            for n, p in job_sheet.items()
            if n not in ("defaults", "chain", "transfer")
        },
        defaults=columns(job_sheet["defaults"]),
        chain=columns(job_sheet["chain"]["items"]),
        transfer=columns(job_sheet["transfer"]["items"]),
        equipment=columns(register),
        section=section,
        sections=sections,
    )


def pointer(field: str) -> str:
    """JSON pointer of a field in the record (RFC 6901)."""
    section = sheet_fields().section.get(field, "")
    return f"/{section}/{field}" if section else f"/{field}"
