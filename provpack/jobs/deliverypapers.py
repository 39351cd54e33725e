"""The papers of a delivery: note, its signature, pages to look at, READ-ME-FIRST, checksums."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from provpack import __version__
from provpack.edge.hashing import digest_bytes
from provpack.edge.schemas import check_version, validate
from provpack.errors import Bug, RecordProblem
from provpack.jobs.clientprofiles import ClientProfile
from provpack.jobs.delivered import DeliverPorts, Wishes
from provpack.jobs.deliverydemands import own_signers
from provpack.jobs.signatures import Signer
from provpack.jobs.staging import Staging
from provpack.package import deliverynote as places
from provpack.package.bagwrite import build_manifest
from provpack.package.deliverynote import Handed, Heading, build_note, with_papers
from provpack.package.deliveryreadme import build_delivery_readme
from provpack.package.documents import document_bytes, parse_document
from provpack.package.figures import counted
from provpack.package.readfirst import FILE_NAME
from provpack.package.sshsig import NAMESPACE_DELIVERY
from provpack.package.summary import summarise


def made_by(at: datetime) -> dict[str, str]:
    """Which program made a document, and when; ISO 8601 with offset."""
    return {"tool": "provpack", "version": __version__, "at": at.isoformat()}


def signer_json(signer: Signer | None) -> dict[str, str] | None:
    """The shape `signer` of the note's and the receipt's schema."""
    if signer is None:
        return None
    return {
        "principal": signer.principal,
        "fingerprint": signer.fingerprint,
        "public_key": signer.public_line,
    }


def _profile_json(profile: ClientProfile | None) -> dict[str, str | None] | None:
    if profile is None:
        return None
    identifier = profile.bag.identifier if profile.bag else None
    return {"name": profile.name, "bagit_profile_identifier": identifier}


def checked_document(schema: str, value: Mapping[str, Any]) -> bytes:
    """The document as it is written, after it was held against its schema."""
    for wrong in validate(schema, value):
        raise Bug(
            f"{schema}-invalid", f"{wrong.pointer or '/'}: {wrong.message}", where=schema,
            todo="Report this: a document of our own making breaks our own schema.",
        )  # fmt: skip
    return document_bytes(value)


def strangers_document(schema: str, data: bytes, where: str) -> dict[str, Any]:
    """A document of that schema that came from outside. Raises InputProblem, RecordProblem."""
    content = parse_document(data, where)
    check_version(content, schema)
    wrong = validate(schema, content)
    if wrong:
        more = f" (and {counted(len(wrong) - 1, 'more place')})" if len(wrong) > 1 else ""
        raise RecordProblem(
            f"{schema}-invalid",
            f"It does not have the form of a {schema.replace('-', ' ')}: {wrong[0].pointer or '/'}: "
            f"{wrong[0].message}{more}",
            where=where,
            todo="Ask for the file again, as the program wrote it and unopened by any editor.",
        )
    return content


class Papers:
    """Writes the papers of one delivery into its staging folder; use write() once."""

    def __init__(self, ports: DeliverPorts, wishes: Wishes, client: str, name: str, at: datetime) -> None:
        self._ports, self._wishes, self._client, self._at = ports, wishes, client, at
        self.name = name
        self.delivery_id = ports.new_id()
        self.note_sha512 = ""

    def write(self, staging: Staging, handed: Sequence[Handed], *, ledger: Mapping[str, Any] | None) -> None:
        """All papers: what people read first, then the note, which names it all, then the checksums."""
        profile, signer = self._wishes.profile, self._wishes.signer
        note = build_note(
            Heading(
                delivery_id=self.delivery_id, delivery_name=self.name, made_by=made_by(self._at),
                client=self._client, form=self._wishes.form, contact=self._wishes.contact,
                client_profile=_profile_json(profile),
                ledger=ledger, signer=signer_json(signer), note=self._wishes.note,
            ),
            handed,
        )  # fmt: skip
        told = [
            {"entry": entry, **summarise(one.record, one.findings)}
            for entry, one in zip(note["packages"], handed, strict=True)
        ]
        staging.add(places.INDEX, self._ports.render_index(note, packages=told).encode())
        staging.add(places.NOTE_PAGE, self._ports.render_note(note).encode())
        staging.add(FILE_NAME, build_delivery_readme(note).encode())
        if signer is not None:
            staging.add(places.SIGNERS, own_signers(signer).encode())
        papers = [(w.path, w.size, w.digests["sha512"]) for w in staging.files]
        data = checked_document("delivery-note", with_papers(note, papers))
        self.note_sha512 = digest_bytes(data, ("sha512",))["sha512"]
        staging.add(places.NOTE, data)
        if signer is not None:
            staging.add(places.NOTE_SIGNATURE, signer.sign(data, NAMESPACE_DELIVERY))
        staging.add(places.CHECKSUMS, build_manifest(self._digests(staging, handed)))

    def _digests(self, staging: Staging, handed: Sequence[Handed]) -> list[tuple[str, str]]:
        """SHA-512 of every file outside package folders, and of the tag manifest of each such folder."""
        listed = [(w.path, w.digests["sha512"]) for w in staging.files]
        for one in handed:
            place = places.place_of(one.name, self._wishes.form)
            if one.sha512 is None:
                listed.append((f"{place}/{places.TAG_MANIFEST}", one.identity))
            else:
                listed.append((place, one.sha512))
        return listed
