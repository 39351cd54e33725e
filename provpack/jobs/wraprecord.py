"""What wrapping adds to the record: the digest of a pass, its own step, files; and the domain
rules once more, now that something was measured."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from provpack import __version__
from provpack.findings import Finding
from provpack.jobs.check_records import led_back
from provpack.jobs.loaded import LoadedJob, LoadedTransfer, NamedFile
from provpack.jobs.measurements import TOOL
from provpack.jobs.staging import Written
from provpack.jobs.wrapped import Refusal
from provpack.model.recordrules import judge_record
from provpack.package import layout as places


def note_step(record: dict[str, Any], received_sha256: str, at: datetime) -> None:
    """Note what we do to the file ourselves: new chunks around untouched audio (domain rule 25)."""
    record["processing"]["processing_steps"] = [
        *(record["processing"].get("processing_steps") or []),
        {
            "type": "metadata_modification",
            "tool": TOOL,
            "version": __version__,
            "agent": TOOL,
            "at": at.isoformat(),
            "input_sha256": received_sha256,
            "note": "bext, LIST INFO and axml written, cue and LIST adtl where there are events or "
            "programmes; audio copied byte for byte.",
        },
    ]
    record["derived"] = [
        *(record.get("derived") or []),
        {
            "field": f"/processing/processing_steps/{len(record['processing']['processing_steps']) - 1}",
            "from": ["/made_by"],
            "how": "the program notes its own step",
        },
    ]


def note_pass(record: dict[str, Any], named: NamedFile | None, sha256: str) -> None:
    """Put the digest of a received file into the pass that made it."""
    for one in record["processing"].get("passes") or []:
        if named is not None and one.get("file") == named.written:
            one["sha256"] = sha256


def judged_again(
    job: LoadedJob, transfer: LoadedTransfer, record: dict[str, Any], known: Sequence[Finding]
) -> list[Finding]:
    """Findings of the domain rules that the measurements brought up. Raises Refusal when one is an error."""
    register = {"equipment": [item.raw for item in job.equipment.values()]}
    told = {(f.rule, f.position.get("path")) for f in known}
    # The files of the package are not all written yet; they are for `verify` to judge.
    fresh = [
        led_back(f, transfer)
        for f in judge_record(record, equipment=register)
        if (f.rule, f.position.get("path")) not in told
        and not str(f.position.get("path", "")).startswith("/files")
    ]
    wrong = next((f for f in fresh if f.severity == "error"), None)
    if wrong is not None:
        raise Refusal(
            "measurement-against-declaration",
            f"What was measured contradicts what is declared: {wrong.what}",
            where=wrong.where,
            todo=wrong.todo,
            findings=(*known, *fresh),
        )
    return fresh


def file_entry(role: str, written: Written, named: NamedFile | None) -> dict[str, Any]:
    """A `files[]` entry of the record."""
    entry: dict[str, Any] = {
        "role": role,
        "path": written.path,
        "media_type": places.media_type(written.path),
        "bytes": written.size,
        "sha256": written.digests["sha256"],
        "sha512": written.digests["sha512"],
    }
    if named is not None:
        entry["original_name"] = named.written
    return entry
