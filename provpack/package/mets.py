"""The package as METS 1.12.1: what there is, how it hangs together, and everything known about it.

Source: mets.xsd 1.12.1. Nothing is told here that is not told elsewhere: descriptions are the nodes of
dublin-core.xml, administrative metadata those of premis.xml and audio-object.xml, so the documents cannot
drift apart. Sections in the order of the schema: metsHdr, dmdSec, amdSec, fileSec, structMap.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from provpack.findings import Finding
from provpack.package import audio_object_terms, dublincore, premis_terms
from provpack.package.dublincore import dublin_core_node, urn
from provpack.package.mets_admin import build_admin
from provpack.package.mets_files import PackedFile, build_files
from provpack.package.mets_struct import build_descriptions, build_logical, build_physical
from provpack.package.mets_terms import METS, XLINK, el, moment
from provpack.package.premis_view import Json, View, at, spoken
from provpack.xmldoc import Node, serialise

__all__ = ["PackedFile", "build_mets", "mets_node"]

PREFIXES: Mapping[str, str] = MappingProxyType(
    {
        "mets": METS,
        "xlink": XLINK,
        **dublincore.PREFIXES,
        **audio_object_terms.PREFIXES,
        **premis_terms.PREFIXES,
    }
)
_HOW_TO_READ = (
    "Locations are relative to this document.",
    "Times in area count from the first frame of the file at the exact sampling frequency, which the header "
    "of the file may round or belie. They are rounded to the microsecond: time x frequency, rounded, gives "
    "the frame. END is where the first frame after the stretch begins. The frames in LABEL are exact.",
)


def _header(view: View) -> Node:
    record = view.record
    organisation = spoken(at(record, "people", "transfer_organisation"))
    made_by = at(record, "made_by")
    tool = " ".join(part for part in (spoken(at(made_by, "tool")), spoken(at(made_by, "version"))) if part)
    names = (
        ("package name", record.get("package_name")),
        ("job", record.get("job_id")),
        ("transfer", record.get("transfer_id")),
        ("client's item", at(record, "item", "client_item_id")),
    )
    return el(
        "metsHdr",
        {"CREATEDATE": moment(view.made_at)},
        el("agent", {"ROLE": "CREATOR", "TYPE": "ORGANIZATION"}, el("name", None, organisation))
        if organisation
        else None,
        el(
            "agent",
            {"ROLE": "CREATOR", "TYPE": "OTHER", "OTHERTYPE": "SOFTWARE"},
            el("name", None, tool or "provpack"),
            *(el("note", None, line) for line in _HOW_TO_READ),
        ),
        *(el("altRecordID", {"TYPE": kind}, spoken(name)) for kind, name in names if name),
    )


def mets_node(
    record: Json,
    files: Sequence[Json],
    *,
    others: Sequence[PackedFile],
    findings: Sequence[Finding] | None = None,
    signed_by: tuple[str, str] | None = None,
) -> Node:
    """The METS document as an element; arguments as for build_mets."""
    view = View(record, tuple(files), findings, signed_by)
    admin = build_admin(view)
    return el(
        "mets",
        {
            "OBJID": urn(view.record_id),
            "LABEL": spoken(at(record, "item", "title")),
            "TYPE": "sound recording transfer",
        },
        _header(view),
        *build_descriptions(view, dublin_core_node(record, files)),
        admin.section,
        build_files(view, admin, others),
        build_physical(view, admin),
        build_logical(view, admin),
    )


def build_mets(
    record: Json,
    files: Sequence[Json],
    *,
    others: Sequence[PackedFile],
    findings: Sequence[Finding] | None = None,
    signed_by: tuple[str, str] | None = None,
) -> bytes:
    """The document mets.xml of a valid record, UTF-8.

    files: entries in the shape of the record's `files`. others: payload files which those do not list
    (record.json, premis.xml, the report ..), but not mets.xml, which cannot state its own digest.
    findings, signed_by: the very ones build_premis was given for premis.xml, so that both tell the same.
    Raises what the builders of PREMIS and AES57 raise.
    """
    root = mets_node(record, files, others=others, findings=findings, signed_by=signed_by)
    return serialise(root, prefixes=PREFIXES)
