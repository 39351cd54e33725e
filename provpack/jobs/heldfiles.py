"""Holding names back while a package is made: files are searched for them, the studio's copy is built."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from provpack.chunks.walk import read_layout
from provpack.edge.received import ReceivedFile
from provpack.findings import Finding
from provpack.jobs.clientprofiles import ClientProfile
from provpack.jobs.loaded import LoadedJob, LoadedTransfer
from provpack.jobs.wrapdocs import Document, documents_of
from provpack.jobs.wraprecord import led_back
from provpack.package import heldrules
from provpack.package.heldback import (
    SALT_BYTES,
    HeldName,
    findings_in_bytes,
    findings_in_record,
    names_in,
    without,
)

STUDIO_FOLDER = "studio-only"
"""Beside the packages: full records with names. It is never part of a package or of a delivery."""
STUDIO_VERSION = "1.0.0"

_WINDOW = 4 * 1024 * 1024
_OVERLAP = 64 * 1024


def holds_back(job: LoadedJob, client: ClientProfile | None) -> bool:
    """Whether the job's sheet or its client's requirements keep names out of the packages."""
    needs = client.needs if client is not None else None
    return job.job_values.get("hold_back_names") is True or (needs is not None and needs.hold_back_names)


def held_in_draft(transfer: LoadedTransfer, draft: Mapping[str, Any]) -> list[Finding]:
    """What stands in the way of holding names back, as far as sheets and files tell, led back to the cell."""
    names = names_in(draft, lambda: bytes(SALT_BYTES))
    found = [
        *findings_in_record(names, without(names, draft), "the record"),
        *held_findings(names, transfer, documents_of(transfer)),
    ]
    return [led_back(f, transfer) for f in found]


def held_findings(
    names: Sequence[HeldName], transfer: LoadedTransfer, documents: Sequence[Document]
) -> list[Finding]:
    """Where names would leave the studio in spite of it: in documents, chunks and file names."""
    found: list[Finding] = []
    if not names:
        return found
    received = [f for f in (transfer.file, *transfer.pass_files.values()) if f is not None]
    for written in dict.fromkeys(f.written for f in (*received, *(named for _, named, _ in documents))):
        if _tells(names, written):
            what = f"The file name '{written}' tells the name of a person."
            found.append(heldrules.NAME_IN_PATH.found(what, written))
    for _, named, role in documents:
        if named.path is not None:
            what = f"{role.capitalize()} '{named.written}'"
            with ReceivedFile(named.path) as source:
                found += _in_file(names, source, what, named.written)
    if transfer.path is not None and transfer.file is not None:
        with ReceivedFile(transfer.path) as source:
            found += _in_file(names, source, "What stands around the audio", transfer.file.written)
    return found


def _tells(names: Sequence[HeldName], path: str) -> bool:
    spaced = " ".join(part for part in path.replace("_", " ").replace("-", " ").replace(".", " ").split())
    return any(without(names, text) != text for text in (path, spaced))


def _in_file(names: Sequence[HeldName], source: ReceivedFile, what: str, where: str) -> tuple[Finding, ...]:
    for start, stop in _spans(source):
        for at in range(start, stop, _WINDOW - _OVERLAP):
            part = source.read_at(at, min(_WINDOW, stop - at))
            if found := findings_in_bytes(names, part, what, where):
                return found
    return ()


def _spans(source: ReceivedFile) -> Iterator[tuple[int, int]]:
    """The whole file, or for audio what stands before and after the samples."""
    if source.read_at(0, 4) in (b"RIFF", b"RF64", b"BW64"):
        data = read_layout(source, source.path.name).data
        if data is not None:
            yield 0, data.offset
            yield data.offset + data.size, source.size
            return
    yield 0, source.size


def told_without(names: Sequence[HeldName], findings: Sequence[Finding]) -> list[Finding]:
    """The findings as they may stand in a package."""
    return [
        replace(f, what=without(names, f.what), where=without(names, f.where), todo=without(names, f.todo))
        for f in findings
    ]


def studio_record(
    record: Mapping[str, Any], full: Mapping[str, Any], names: Sequence[HeldName], tagmanifest_sha512: str
) -> dict[str, Any]:
    """The studio's own document (schemas/studio-record.schema.json).

    record: as sealed. full: the draft it started from, names and all.
    """
    restored = _restored({k: v for k, v in record.items() if k != "held_back"}, full, without(names, full))
    return {
        "schema_version": STUDIO_VERSION,
        "package": record["package_name"],
        "record_id": record["record_id"],
        "tagmanifest_sha512": tagmanifest_sha512,
        "held_back": [held.for_studio() for held in names],
        "record": restored,
    }


def _restored(final: Any, full: Any, told: Any) -> Any:
    """final with each text put back that the holding back had changed and nothing has changed since."""
    if isinstance(final, Mapping) and isinstance(full, Mapping) and isinstance(told, Mapping):
        return {
            key: _restored(value, full[key], told[key]) if key in full else value
            for key, value in final.items()
        }
    if isinstance(final, list) and isinstance(full, list | tuple) and isinstance(told, list):
        both = [_restored(f, a, b) for f, a, b in zip(final, full, told, strict=False)]
        return both + final[len(both) :]
    return full if isinstance(final, str) and final == told else final
