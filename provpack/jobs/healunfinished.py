"""A healing that was interrupted after the package stood whole: prove it, and write what is still missing."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from provpack import __version__
from provpack.edge.commit import PARTIAL_PREFIX
from provpack.edge.ledger import LEDGER_NAME, append, read_ledger
from provpack.edge.ledgerbirth import NEWBORN
from provpack.edge.place import FolderPlace
from provpack.edge.reading import read_digests, read_small
from provpack.errors import CouldNotCheck, DestinationProblem, ProvpackError
from provpack.findings import Finding
from provpack.jobs import healrules as rules
from provpack.jobs.healcopies import Copy
from provpack.jobs.healed import HealResult, Ports
from provpack.jobs.notsynced import not_synced
from provpack.package import layout
from provpack.package.bagpaths import readable
from provpack.package.deliverynote import is_safe_name
from provpack.package.healnote import MOST, expected_files, record_name
from provpack.package.ledgerchain import Entry
from provpack.package.ledgerline import HEALED, ledger_line
from provpack.package.ownbag import SIGNATURE

STAGE: Final = f"{PARTIAL_PREFIX}heal-"


def line_of(
    name: str, identity: str | None, record_id: str | None, document: str, at: datetime
) -> dict[str, Any]:
    """The ledger line about a healed package; document: SHA-512 of its healing record."""
    return ledger_line(
        HEALED, at=at.isoformat(), tool_version=__version__, package=name, tagmanifest_sha512=identity,
        record_id=record_id, outcome="done", document_sha512=document,
    )  # fmt: skip


def enter(folder: Path, line: Mapping[str, Any]) -> None:
    """Append a line to the ledger in this folder. Raises as edge.ledger.append does."""
    append(folder / LEDGER_NAME, line)


def healed_documents(folder: Path) -> frozenset[str]:
    """SHA-512 of every healing record that the ledger in this folder names. Raises CouldNotCheck."""
    path, out = folder / LEDGER_NAME, set()

    def look(_line: int, entry: Entry) -> None:
        if entry.get("kind") == HEALED:
            out.add(str(entry.get("document_sha512")))

    if path.is_file():
        read_ledger(path, each=look)
    return frozenset(out)


def early_name(copies: Sequence[Copy]) -> str:
    """The package's name as a copy's record says it, unproven, else the name of the first copy."""
    first = ""
    for copy in copies:
        if copy.place is None:
            continue
        first = first or copy.place.name
        try:
            record = json.loads(read_small(copy.place, layout.RECORD, MOST))
        except (CouldNotCheck, ValueError, RecursionError):
            continue
        name = record.get("package_name") if isinstance(record, dict) else None
        if isinstance(name, str) and is_safe_name(name):
            return name
    return first


def leftovers(names: Sequence[str], destination: Path) -> list[Finding]:
    """A note for each of the names that an interrupted healing gave: its staging folder, or that of a ledger
    that has no line yet."""
    return [
        rules.LEFTOVER.found(
            f"'{readable(name)}' is what an interrupted healing left, or another is at work on it now.",
            readable(str(destination / name)),
            position={"path": readable(name)},
        )
        for name in names
        if name.startswith((STAGE, NEWBORN))
    ]


def complete_earlier(name: str, destination: Path, names: Sequence[str], ports: Ports) -> HealResult | None:
    """Something called so is in the destination: finish it if it is a package healed here before.

    None when nothing of that kind is there. Raises DestinationProblem when it is anything else, or complete.
    """
    final, noted = destination / name, destination / record_name(name)
    stage = None
    if noted.name not in names:
        stages = [destination / n for n in names if n.startswith(f"{STAGE}{name}-")]
        stage = next((folder for folder in stages if ports.disk.exists(folder / noted.name)), None)
    if noted.name not in names and stage is None:
        raise taken(final)
    document = _read(stage or destination, noted.name)
    digest = hashlib.sha512(document).hexdigest()
    if stage is None and digest in ports.healed_documents(destination):
        raise taken(final)
    record = _prove(document, name, final, ports)
    if stage is not None:
        try:
            ports.disk.rename(stage / noted.name, noted)
            ports.disk.sync_folder(destination)
            ports.disk.discard(stage)
        except BaseException:
            if not ports.disk.exists(stage / noted.name):  # as long as it is there, it is the only one
                ports.disk.discard(stage)
            raise
    findings: list[Finding] = [
        rules.COMPLETED.found(
            f"'{readable(name)}' was healed before and is as its record says; what was missing was written.",
            readable(str(final)),
        ),
        *leftovers([n for n in names if stage is None or n != stage.name], destination),
    ]
    identity, record_id = record.get("tagmanifest_sha512"), record.get("record_id")
    try:
        ports.append_ledger(destination, line_of(name, identity, record_id, digest, ports.now()))
    except ProvpackError as err:
        findings.append(rules.LEDGER_FAILED.found(err.what, err.where, todo=err.todo))
    findings += not_synced(ports.disk)
    return HealResult(
        outcome="completed", name=name, destination=str(destination), identity=identity,
        package=str(final), record=str(noted), document_sha512=digest, findings=tuple(findings),
    )  # fmt: skip


def _read(folder: Path, name: str) -> bytes:
    return read_small(FolderPlace(folder), name, MOST)


def _prove(document: bytes, name: str, final: Path, ports: Ports) -> Mapping[str, Any]:
    """The record, after every file of the package was compared with it. Raises DestinationProblem."""
    try:
        record = json.loads(document)
    except (ValueError, RecursionError):
        record = None
    files = expected_files(record)
    if files is None or record["package"] != name:
        raise taken(final)
    place = FolderPlace(final)
    listing = place.listing()
    there = {e.path: e.size for e in listing.entries if e.kind == "file"} if listing is not None else {}
    if set(there) - {SIGNATURE} != set(files):
        raise taken(final)
    ports.progress.begin(f"proving {readable(name)}", sum(there.values()))
    for path, wanted in files.items():
        digests, _, _ = read_digests(place, path, ("sha512",), threads=True, told=ports.progress.advance)
        if digests["sha512"] != wanted:
            raise taken(final)
    return dict(record)


def taken(path: Path) -> DestinationProblem:
    """The refusal to write over anything."""
    return DestinationProblem(
        "destination-exists",
        f"There is already something called {readable(path.name)}.",
        where=readable(str(path)),
        todo="Nothing is ever overwritten: name another folder with --to, or move that away. "
        "Whether it is good is told by `provpack verify`.",
    )
