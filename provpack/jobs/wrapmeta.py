"""The metadata documents of a package, each from the one record: PREMIS, AES57, Dublin Core, METS."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from provpack.errors import Bug
from provpack.findings import Finding
from provpack.jobs.staging import PAYLOAD, Staging
from provpack.package import layout as places
from provpack.package.audio_object import build_audio_object
from provpack.package.dublincore import build_dublin_core
from provpack.package.mets import build_mets
from provpack.package.mets_files import PackedFile
from provpack.package.premis import build_premis, check_premis

SignedBy = tuple[str, str] | None
"""Principal and key fingerprint of whoever signs the package."""


def add_metadata(
    staging: Staging,
    record: Mapping[str, Any],
    *,
    findings: Sequence[Finding],
    signed_by: SignedBy,
    audio_offset: int | None,
) -> None:
    """Write all documents but mets.xml. audio_offset: of the first sample in the master, in bytes."""
    files = record["files"]
    premis = build_premis(record, files=files, findings=findings, signed_by=signed_by)
    wrong = check_premis(premis, where=places.PREMIS)
    if wrong:
        raise Bug(
            "premis-wrong", wrong[0].what, where=places.PREMIS,
            todo="Report this: a document of our own making breaks the rules of PREMIS.",
        )  # fmt: skip
    staging.add(places.PREMIS, premis)
    audio = build_audio_object(record, files, audio_offset=audio_offset)
    if audio is not None:
        staging.add(places.AUDIO_OBJECT, audio)
    staging.add(places.DUBLIN_CORE, build_dublin_core(record, files))


def add_mets(
    staging: Staging, record: Mapping[str, Any], *, findings: Sequence[Finding], signed_by: SignedBy
) -> None:
    """Write mets.xml over everything in the payload that stands by now; so it comes last."""
    others = [
        PackedFile(
            path=w.path, bytes=w.size, sha512=w.digests["sha512"], media_type=places.media_type(w.path)
        )
        for w in staging.files
        if w.path.startswith(PAYLOAD)
    ]
    document = build_mets(record, record["files"], others=others, findings=findings, signed_by=signed_by)
    staging.add(places.METS, document)
