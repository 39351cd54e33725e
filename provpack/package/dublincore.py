"""Dublin Core: the few lines a catalogue takes over, as DCMI metadata terms.

Source: DCMI terms, dcterms.xsd of 2008-02-11. No DCMI schema declares a root element for a file that stands
alone; applications declare one of their own, for which dcterms.xsd offers the type
`elementOrRefinementContainer`. Ours is `metadata` in the namespace CONTAINER. No `xsi:type` is used: a reader
of METS that has no Dublin Core schema at hand would refuse the document for it.

What is described is the sound as transferred; where there is none, the carrier. Nothing is guessed: a
language, a place, a creator and a holder of rights are fields that the record does not have.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

from provpack.package.mets_time import exact_duration, iso_duration, keeps_time, rate_words
from provpack.package.premis_view import Json, View, at, rows, spoken, words
from provpack.xmldoc import Node, serialise

TERMS = "http://purl.org/dc/terms/"
CONTAINER = "urn:provpack:dublin-core:1"
PREFIXES: Mapping[str, str] = MappingProxyType({"pd": CONTAINER, "dcterms": TERMS})
WHOLE = frozenset({"complete", "clean"})
"""Outcomes after which the copy can stand for the carrier."""


def _terms(*pairs: tuple[str, Any]) -> Node:
    """The container with its terms in order; what has no value is left out."""
    said = ((name, spoken(value)) for name, value in pairs)
    return Node(
        f"{{{CONTAINER}}}metadata",
        {},
        tuple(Node(f"{{{TERMS}}}{name}", {}, (text,)) for name, text in said if text),
    )


def urn(record_id: Any) -> str | None:
    """A record's identifier as a URN (RFC 9562); None when there is none."""
    return f"urn:uuid:{record_id}" if record_id else None


def _extent(record: Json) -> list[str]:
    known = exact_duration(record)
    if known is None:
        return []
    frames, rate = known
    return [iso_duration(frames, rate), f"{frames} sample frames at {rate_words(rate)}"]


def _copies(view: View) -> list[tuple[str, Any]]:
    """Derivatives: the same content in another form where nothing was cut or moved, else merely related."""
    return [
        ("hasFormat" if keeps_time(view, file) else "relation", file.get("path"))
        for _, file in view.numbered
        if file.get("role") == "derivative"
    ]


def _origin(record: Json) -> list[str]:
    """Custody in the words of the record, and who made the transfer for whom."""
    people = at(record, "people")
    by, whom = at(people, "transfer_organisation"), at(people, "client")
    made = [f"digital transfer by {spoken(by)}" if by else "", f"for {spoken(whom)}" if whom else ""]
    said = [" ".join(part for part in made if part)] if by else []
    said += [words(entry) for entry in rows(at(record, "custody", "custody_events"))]
    earlier = words(at(record, "derived_from"))
    return [*said, f"the received file was made from an earlier one; {earlier}"] if earlier else said


def _access(record: Json) -> list[str]:
    rights = at(record, "rights")
    until = at(rights, "access_restriction_until")
    return [
        spoken(at(rights, "access_restriction")),
        f"until {until}" if until else "",
        words(rights, "personal_data"),
    ]


def dublin_core_node(record: Json, files: Sequence[Json]) -> Node:
    """The description of a valid record as an element: `metadata` with dcterms inside.

    files: entries in the shape of the record's `files`. Raises nothing for a valid record.
    """
    view = View(record, tuple(files))
    item, carrier = at(record, "item"), at(record, "carrier")
    audio = at(record, "audio_sha256") is not None
    masters = [file for _, file in view.numbered if file.get("role") == "master"]
    segments, sources = rows(at(item, "programme_segments")), rows(at(item, "source_items"))
    carrier_id = at(carrier, "carrier_id")
    return _terms(
        ("title", at(item, "title")),
        ("identifier", at(item, "client_item_id")),
        ("identifier", urn(record.get("record_id"))),
        ("identifier", record.get("package_name")),
        ("type", "Sound" if audio else "PhysicalObject"),
        ("created", at(item, "recorded_date")),
        *(("extent", said) for said in _extent(record)),
        ("medium", at(carrier, "carrier_type")),
        ("medium", at(carrier, "carrier_type_note")),
        *(("format", file.get("media_type")) for file in masters),
        ("description", words(record, "outcome", "outcome_note")),
        *(("tableOfContents", part.get("title")) for part in segments),
        *(("hasPart", part.get("client_item_id")) for part in segments),
        ("source", carrier_id),
        ("isFormatOf", carrier_id if audio and record.get("outcome") in WHOLE else None),
        *_copies(view),
        *(("relation", urn(part.get("record_id"))) for part in sources),
        ("replaces", urn(at(record, "supersedes", "record_id"))),
        *(("provenance", said) for said in _origin(record)),
        ("rights", words(at(record, "rights"), "rights_basis")),
        *(("accessRights", said) for said in _access(record)),
    )


def segment_node(segment: Json, record: Json) -> Node:
    """The description of one programme segment, part of the item."""
    return _terms(
        ("title", segment.get("title")),
        ("identifier", segment.get("client_item_id")),
        ("description", segment.get("note")),
        ("isPartOf", at(record, "item", "client_item_id")),
    )


def source_item_node(entry: Json) -> Node:
    """The description of one of several carriers that hold one item."""
    return _terms(
        ("identifier", entry.get("client_item_id")),
        ("identifier", urn(entry.get("record_id"))),
        ("source", entry.get("carrier_id")),
        ("description", words(entry, "order", "overlap_frames", "join_frame", "note")),
    )


def build_dublin_core(record: Json, files: Sequence[Json]) -> bytes:
    """The document dublin-core.xml of a valid record, UTF-8. Arguments as for dublin_core_node."""
    return serialise(dublin_core_node(record, files), prefixes=PREFIXES)
