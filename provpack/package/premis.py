"""The transfer record as PREMIS 3.0: objects, events, agents, rights.

Conformance level 2B, export by routine (PREMIS Conformance 2015). Source: PREMIS Data Dictionary 3.0 and
premis-v3-0.xsd; what goes where is told in the modules beside this one.
"""

from __future__ import annotations

from collections.abc import Sequence

from provpack.errors import Bug
from provpack.findings import Finding
from provpack.package.premis_agents import build_agents, build_rights
from provpack.package.premis_check import check_premis
from provpack.package.premis_events import build_events
from provpack.package.premis_objects import build_objects
from provpack.package.premis_terms import PREFIXES, PREMIS, RECORD
from provpack.package.premis_view import Json, View
from provpack.xmldoc import Node, parse_untrusted, serialise

__all__ = ["build_premis", "check_premis", "read_extension"]


def build_premis(
    record: Json,
    *,
    files: Sequence[Json],
    extension: str | None = None,
    merged: bytes | None = None,
    findings: Sequence[Finding] | None = None,
    signed_by: tuple[str, str] | None = None,
) -> bytes:
    """The PREMIS document of a valid record, UTF-8 XML.

    files: entries in the shape of the record's `files`; digests and sizes not yet known are simply absent.
    extension: JSON text of the record, placed inside the master's objectCharacteristicsExtension: give it
    when the document is to be embedded in the master itself; the master then states no digest of its own.
    merged: the axml document found in the received file, embedded in a second extension.
    findings: what checking the record found, for the validation event; None = not told here.
    signed_by: principal and key fingerprint of whoever signs the package, for the event of signing.
    Neither belongs into the embedded document, whose room is reserved before they are known.
    Raises XmlProblem when merged is not well-formed XML, Bug when there is no master to carry them.
    """
    view = View(record, tuple(files), findings, signed_by)
    if (extension is not None or merged is not None) and not view.named("master"):
        raise Bug(
            "premis-extension-without-master",
            "A record cannot be embedded where there is no master file.",
            where=view.record_id,
            todo="Build the document without an extension.",
        )
    root = Node(
        f"{{{PREMIS}}}premis",
        {"version": "3.0"},
        (
            *build_objects(view, extension=extension, merged=merged),
            *build_events(view),
            *build_agents(view),
            build_rights(view),
        ),
    )
    return serialise(root, prefixes=PREFIXES)


def read_extension(document: bytes, *, where: str = "axml chunk") -> str | None:
    """The JSON text of the record embedded by build_premis; None when there is none. Raises XmlProblem.

    Only the place build_premis uses is looked at, so a record inside a former document is never taken for
    this file's own.
    """
    root = parse_untrusted(document, where=where)
    steps = ("object", "objectCharacteristics", "objectCharacteristicsExtension")
    path = "/".join(f"{{{PREMIS}}}{step}" for step in steps) + f"/{{{RECORD}}}transferRecord"
    if root.tag != f"{{{PREMIS}}}premis":
        return None
    found = root.find(path)
    return None if found is None else (found.text or "")
