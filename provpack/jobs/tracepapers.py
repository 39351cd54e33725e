"""Reads, for the notices, what a package says of itself; and the equipment register of a trace."""

from __future__ import annotations

import base64
import binascii
import os
from collections.abc import Collection
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from provpack.edge.archiveplace import ArchivePlace
from provpack.edge.hashing import digest_bytes
from provpack.edge.jobfolder import read_all
from provpack.edge.ledger import read_ledger
from provpack.edge.place import FolderPlace, Place
from provpack.edge.reading import read_small
from provpack.edge.tomlfile import MAX_TOML_BYTES, read_toml
from provpack.errors import CouldNotCheck, InputProblem, ProvpackError
from provpack.findings import Finding
from provpack.jobs.harvestwords import text
from provpack.jobs.register import read_register
from provpack.jobs.report import Validate, read_sealed
from provpack.jobs.traceletters import Paper
from provpack.package.bagpaths import readable
from provpack.package.bagtext import MAX_TAG_FILE
from provpack.package.heldback import persons_in
from provpack.package.listening import listening
from provpack.package.noticewords import PEOPLE
from provpack.package.readfirst_words import section

if TYPE_CHECKING:
    from provpack.catalogue.values import Listed, Storage
    from provpack.jobs.loaded import Equipment
    from provpack.package.ledgerchain import Entry

IDENTITY = "tagmanifest-sha512.txt"


def read_paper(package: Listed, validate: Validate) -> Paper:
    """The record of the package, held against its manifest. Raises ProvpackError."""
    path = _path(package)
    record = read_sealed(path, validate).record
    item, people = section(record, "item"), section(record, "people")
    return Paper(
        client=text(people.get("client")),
        organisation=text(people.get("transfer_organisation")),
        job_id=text(record.get("job_id")),
        transfer_id=text(record.get("transfer_id")),
        title=text(item.get("title")),
        client_item_id=text(item.get("client_item_id")),
        carrier_id=text(section(record, "carrier").get("carrier_id")),
        identity=_identity(path, package.storage),
        listen=tuple(listening(record)),
        held=bool(record.get("held_back")),
        persons=persons_in([record]),
    )


def _path(package: Listed) -> Path:
    if package.storage == "remote" or "://" in package.place:
        raise CouldNotCheck(
            "package-elsewhere", "The package does not lie on a disk of this machine.",
            where=readable(package.place), todo="Fetch it, or fill in by hand what it says.",
        )  # fmt: skip
    if package.place_base64 is None:
        return Path(package.place)
    try:
        return Path(os.fsdecode(base64.b64decode(package.place_base64, validate=True)))
    except (binascii.Error, ValueError):
        raise CouldNotCheck(
            "place-unreadable", "The catalogue holds no usable path of the package.",
            where=readable(package.place), todo="Run `provpack catalogue add` on the folder it lies in.",
        ) from None  # fmt: skip


def _identity(path: Path, storage: Storage) -> str:
    place: Place = FolderPlace(path)
    if storage == "tar" or storage == "zip":
        place = ArchivePlace(path, storage)
    with closing(place):
        return digest_bytes(read_small(place, IDENTITY, MAX_TAG_FILE), ("sha512",))["sha512"]


class Knowing(Protocol):
    """What is asked of a catalogue (catalogue/opening.py)."""

    def people(self, roles: Collection[str]) -> list[str]: ...
    def ledgers(self) -> list[str]: ...


def known_people(known: Knowing) -> list[str]:
    """Everybody whom the packages name in their records, and the ledgers in their lines. A ledger that cannot
    be read tells nobody."""
    found = dict.fromkeys(known.people(PEOPLE))

    def take(_: int, entry: Entry) -> None:
        person = text(entry.get("person"))
        if person is not None:
            found[person] = None

    for path in known.ledgers():
        with suppress(ProvpackError, OSError, ValueError):
            read_ledger(Path(path), each=take)
    return list(found)


def load_register(path: Path) -> tuple[dict[str, Equipment], list[Finding]]:
    """The entries of an equipment register by id, and what is wrong with it. Raises InputProblem when it
    cannot be read at all."""
    shown = readable(str(path))
    try:
        data = read_all(path, MAX_TOML_BYTES)
    except (OSError, ValueError) as err:
        said = (err.strerror if isinstance(err, OSError) else None) or str(err)
        raise InputProblem(
            "register-unreadable", f"The equipment register cannot be read: {said}.", where=shown,
            todo="Mend the path after --register.",
        ) from None  # fmt: skip
    document, findings = read_toml(data, shown)
    if document is None:
        first: Any = findings[0] if findings else None
        raise InputProblem(
            "register-unreadable",
            first.what if first else "The equipment register is no TOML.",
            where=first.where if first else shown,
            todo=first.todo if first else "Mend the file.",
        )
    register, more = read_register(document, shown)
    return register, [*findings, *more]
