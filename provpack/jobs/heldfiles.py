"""Holding names back while a package is made: files are searched for them, the studio's copy is built."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from provpack.chunks.walk import read_layout
from provpack.edge.received import ReceivedFile
from provpack.findings import Finding
from provpack.jobs.check_records import led_back
from provpack.jobs.clientprofiles import ClientProfile
from provpack.jobs.loaded import LoadedJob, LoadedTransfer
from provpack.jobs.wrapdocs import documents_of
from provpack.package import heldrules
from provpack.package.heldback import PARTY_FIELDS, PERSON_FIELDS, SALT_BYTES, Held, persons_in
from provpack.package.heldnames import Person, Searcher, names_of

STUDIO_FOLDER = "studio-only"
"""Beside the packages: full records with names. It is never part of a package or of a delivery."""
STUDIO_VERSION = "1.0.0"

_WINDOW = 4 * 1024 * 1024
_OVERLAP = 64 * 1024
_PACKED = {b"PK\x03\x04": "a zip container", b"%PDF": "a PDF", b"\x1f\x8b": "gzip", b"7z\xbc\xaf": "7z"}
_PICTURES = (b"\xff\xd8\xff", b"\x89PNG", b"II*\0", b"MM\0*")


def holds_back(job: LoadedJob, client: ClientProfile | None) -> bool:
    """Whether the job's sheet or its client's requirements keep names out of the packages."""
    needs = client.needs if client is not None else None
    return job.job_values.get("hold_back_names") is True or (needs is not None and needs.hold_back_names)


def everybody(job: LoadedJob) -> tuple[Person, ...]:
    """All persons the job's sheets and the equipment register name, and whoever was at the bench: none may
    turn up in a package. Who is one word only in the bench log may be a role ("desk"), and is not taken."""
    records = [_by_section(transfer.values) for transfer in job.transfers]
    records.append({"custody": {"custody_events": list(job.custody_events)}, "people": job.job_values})
    others = names_of(job.job_values.get("hold_back_also") or ())
    for equipment in job.equipment.values():
        for log in ("service_log", "checks", "fault_notices"):
            others += names_of(entry.get("by") for entry in equipment.raw.get(log) or ())
    at_the_bench = names_of(dict.fromkeys(entry.get("by") for entry in job.bench.entries))
    others += [name for name in at_the_bench if len(name.split()) > 1]
    return persons_in(records, others)


def _by_section(values: Mapping[str, Any]) -> dict[str, Any]:
    """A row's values where persons_in looks for them."""
    out: dict[str, Any] = {}
    for section, field, *_ in (*PERSON_FIELDS, *PARTY_FIELDS):
        if field in values:
            out.setdefault(section, {})[field] = values[field]
        if section in values:
            out[section] = values[section]
    return out


def no_salt() -> bytes:
    """For names that are only looked for, and of which nothing is kept."""
    return bytes(SALT_BYTES)


def held_in_draft(transfer: LoadedTransfer, draft: Mapping[str, Any], held: Held) -> list[Finding]:
    """What stands in the way of holding names back, as far as sheets and files tell, led back to the cell."""
    if not held.watched:
        return []
    searcher = Searcher(held.watched)
    found = [*held.hints(held.without(draft), "the record"), *_in_names(searcher, transfer, draft)]
    for _, named, role in documents_of(transfer):
        if named.path is not None:
            with ReceivedFile(named.path) as source:
                found += _in_file(searcher, source, f"{role.capitalize()} '{named.written}'", named.written)
    if transfer.path is not None and transfer.file is not None:
        with ReceivedFile(transfer.path) as source:
            found += _in_file(searcher, source, "What stands around the audio", transfer.file.written)
    return [led_back(f, transfer) for f in found]


def _in_names(searcher: Searcher, transfer: LoadedTransfer, draft: Mapping[str, Any]) -> list[Finding]:
    """Names of files and packages are used as they are."""
    received = [f for f in (transfer.file, *transfer.pass_files.values()) if f is not None]
    received += [named for _, named, _ in documents_of(transfer)]
    told = {f"The file name '{f.written}'": f.written for f in received}
    told |= {f"The {k} '{draft.get(k)}'": str(draft.get(k)) for k in ("job_id", "transfer_id")}
    return [
        heldrules.NAME_IN_PATH.found(f"{what} tells the name of a person.", text)
        for what, text in told.items()
        if searcher.finds(text)
    ]


def _in_file(searcher: Searcher, source: ReceivedFile, what: str, where: str) -> list[Finding]:
    head = source.read_at(0, 16)
    packed = next((word for magic, word in _PACKED.items() if head.startswith(magic)), None)
    if packed is not None:
        return [heldrules.UNSEARCHED.found(f"{what} is {packed}: names inside cannot be looked for.", where)]
    if head.startswith(_PICTURES):
        said = f"{what} is a picture: writing in it cannot be looked for."
        found = [heldrules.UNSEARCHED.found(said, where, severity="note")]
    else:
        found = []
    for start, stop in _spans(source):
        for at in range(start, stop, _WINDOW - _OVERLAP):
            part = source.read_at(at, min(_WINDOW, stop - at))
            if searcher.in_bytes(part):
                said = f"{what} goes into the package as it is, and holds a name that is to be held back."
                return [*found, heldrules.NAME_IN_FILE.found(said, where)]
            hint = next(searcher.hints_in_bytes(part), None) if not head.startswith(_PICTURES) else None
            if hint is not None and not any(f.rule == heldrules.NAME_PART.id for f in found):
                said = f"{what} holds {hint!r}, which can stand for a person whose name is held back."
                found.append(heldrules.NAME_PART.found(said, where))
    return found


def _spans(source: ReceivedFile) -> Iterator[tuple[int, int]]:
    """The whole file, or for audio what stands before and after the samples."""
    if source.read_at(0, 4) in (b"RIFF", b"RF64", b"BW64"):
        data = read_layout(source, source.path.name).data
        if data is not None:
            yield 0, data.offset
            yield data.offset + data.size, source.size
            return
    yield 0, source.size


def told_without(held: Held, findings: Sequence[Finding]) -> list[Finding]:
    """The findings as they may stand in a package."""
    return [
        replace(f, what=held.without(f.what), where=held.without(f.where), todo=held.without(f.todo))
        for f in findings
    ]


def studio_record(
    record: Mapping[str, Any], full: Mapping[str, Any], held: Held, tagmanifest_sha512: str
) -> dict[str, Any]:
    """The studio's own document (schemas/studio-record.schema.json).

    record: as sealed. full: the draft it started from, names and all.
    """
    restored = _restored({k: v for k, v in record.items() if k != "held_back"}, full, held.without(full))
    return {
        "schema_version": STUDIO_VERSION,
        "package": record["package_name"],
        "record_id": record["record_id"],
        "tagmanifest_sha512": tagmanifest_sha512,
        "held_back": [name.for_studio() for name in held.names],
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
