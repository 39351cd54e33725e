"""PREMIS objects of a transfer: carrier, received files, master, its audio, derivatives, documents.

A physical carrier is a Representation since PREMIS 3.0 (Data Dictionary 3.0, Introduction); the WAV is a
File; the audio payload alone is a Bitstream, so that its digest has a home of its own. File and bitstream
are linked `derivation` / `has source` and `structural` / `is included in` (Data Dictionary 1.13).
"""

from __future__ import annotations

import re
from typing import Any

from provpack.package.premis_terms import PREMIS, RECORD, XSI, el, identifier, term, text
from provpack.package.premis_view import AUDIO_ROLES, Json, View, at, property_of, spoken, words
from provpack.xmldoc import Node, Raw, parse_untrusted

FORMATS = {
    "audio/wav": "Broadcast WAVE",
    "audio/vnd.wave": "Broadcast WAVE",
    "audio/x-wav": "Broadcast WAVE",
    "audio/flac": "FLAC",
}
_NOT_XML = re.compile("[^\\t\\n\\r\\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def json_for_xml(document: str) -> str:
    """JSON text with the characters XML 1.0 cannot hold (section 2.2) written as JSON escapes.

    Such characters can stand only inside JSON strings, where `\\uXXXX` means the same; text without them
    comes back unchanged.
    """
    return _NOT_XML.sub(lambda m: f"\\u{ord(m.group()):04x}", document)


def _object(kind: str, *children: Node | None) -> Node:
    return Node(
        el("object").tag, {f"{{{XSI}}}type": f"premis:{kind}"}, tuple(c for c in children if c is not None)
    )


def _fixity(algorithm: str, digest: Any, originator: str | None) -> Node | None:
    if not digest:
        return None
    return el(
        "fixity",
        term("messageDigestAlgorithm", algorithm),
        el("messageDigest", str(digest)),
        text("messageDigestOriginator", originator),
    )


def _relation(view: View, kind: str, sub: str, target: str, *events: str) -> Node:
    return el(
        "relationship",
        term("relationshipType", kind),
        term("relationshipSubType", sub),
        identifier("relatedObject", view.id_of("object", target)),
        *(identifier("relatedEvent", view.id_of("event", event)) for event in events),
    )


def _format(file: Json) -> Node:
    media = str(file.get("media_type") or "")
    name = FORMATS.get(media.lower(), media or "unknown")
    ours = file.get("role") in ("master", "derivative")  # both with a bext chunk of version 2
    version = "2" if ours and name == "Broadcast WAVE" else None
    if name == "Broadcast WAVE" and not ours:
        name = "WAVE"  # nobody has looked whether it has a bext chunk
    return el(
        "format",
        el("formatDesignation", el("formatName", name), text("formatVersion", version)),
        text("formatNote", f"media type {media}" if media else None),
    )


def _carrier(view: View) -> Node:
    record, carrier = view.record, at(view.record, "carrier")
    carrier_id, client_id = at(carrier, "carrier_id"), at(record, "item", "client_item_id")
    kind = at(carrier, "carrier_type_note") or at(carrier, "carrier_type")
    place = (
        el(
            "contentLocation",
            el("contentLocationType", "carrier identifier"),
            el("contentLocationValue", str(carrier_id)),
        )
        if carrier_id
        else None
    )
    return _object(
        "representation",
        identifier("object", view.id_of("object", "carrier")),
        identifier("object", str(carrier_id), kind="carrier identifier") if carrier_id else None,
        identifier("object", str(client_id), kind="client item identifier") if client_id else None,
        property_of("carrier type", kind),
        property_of("recording format", at(carrier, "recording_format")),
        property_of("line standard", at(carrier, "line_standard")),
        property_of("tape speed mode", at(carrier, "tape_speed_mode")),
        property_of("coded word length in bits", at(carrier, "source_bit_depth")),
        property_of("pre-emphasis state of the tape", at(record, "signal", "tape_emphasis")),
        property_of("evidence of that state", at(record, "signal", "tape_emphasis_evidence")),
        text("originalName", at(carrier, "label_transcription")),
        el("storage", place, text("storageMedium", kind)) if place or kind else None,
        view.link_rights(),
    )


def _signal_properties(record: Json) -> list[Node | None]:
    signal, rate = at(record, "signal"), at(record, "signal", "sampling_frequency")
    exact = f"{rate['num']}/{rate['den']} Hz" if at(rate, "num") and at(rate, "den") else None
    return [
        property_of("pre-emphasis state of the file", at(signal, "file_emphasis")),
        property_of("sampling frequency, exact", exact),
        property_of("sampling frequency in the file header, Hz", at(signal, "header_sampling_frequency_hz")),
        property_of("coded word length in bits", at(record, "carrier", "source_bit_depth")),
        property_of("captured word length in bits", at(record, "capture", "capture_word_length")),
        property_of("channels", at(record, "measured", "channels")),
        property_of("channel use", at(signal, "channel_use")),
        property_of("frames", at(record, "measured", "frames")),
    ]


def extensions(extension: str | None, merged: bytes | None) -> list[Node]:
    """`objectCharacteristicsExtension` with the record as text, and a second one with the former document."""
    out: list[Node] = []
    if extension is not None:
        holder = Node(
            f"{{{RECORD}}}transferRecord", {"media-type": "application/json"}, (json_for_xml(extension),)
        )
        out.append(el("objectCharacteristicsExtension", holder))
    if merged is not None:
        out.append(el("objectCharacteristicsExtension", _former(merged)))
    return out


def _former(merged: bytes) -> Node | Raw:
    """The document that stood in the file before, as a subtree; as text where moving it would change its
    meaning: a type name in an attribute (`xsi:type`) loses its prefix, and PREMIS in PREMIS would be judged
    by the same schema as ours. Raises XmlProblem when it is not XML."""
    root = parse_untrusted(merged, where="former axml chunk")
    for element in root.iter():
        if isinstance(element.tag, str) and (
            element.get(f"{{{XSI}}}type") is not None or element.tag.startswith(f"{{{PREMIS}}}")
        ):
            encoding = root.getroottree().docinfo.encoding or "UTF-8"
            attributes = {"media-type": "application/xml"}
            return Node(f"{{{RECORD}}}formerDocument", attributes, (merged.decode(encoding),))
    return Raw(merged)


def _received(view: View, name: str, file: Json) -> Node:
    """The file as it was handed in, before the record was embedded in a copy of it."""
    software = at(view.record, "capture", "capture_software")
    originator = spoken(at(view.record, "made_by", "tool")) or None
    return _object(
        "file",
        identifier("object", view.id_of("object", view.received[name])),
        *(_signal_properties(view.record) if file.get("role") == "master" else []),
        el(
            "objectCharacteristics",
            el("compositionLevel", "0"),
            _fixity("SHA-256", file.get("original_sha256"), originator),
            text("size", file.get("original_bytes")),
            el("format", el("formatDesignation", el("formatName", "WAVE"))),
            el("creatingApplication", el("creatingApplicationName", str(software))) if software else None,
        ),
        text("originalName", file.get("original_name")),
        _relation(view, "derivation", "has source", "carrier", *view.captures_of(view.received[name])),
        view.link_rights(),
    )


def _file(view: View, name: str, file: Json, inside: list[Node] | None) -> Node:
    """inside: the extensions of a master that carries this very document, None for any other file."""
    role = file.get("role")
    own = inside is None  # a file cannot state its own digest
    originator = spoken(at(view.record, "made_by", "tool")) or None
    audio_digest = (
        file.get("audio_sha256") if role != "master" else None
    )  # the master's has an object of its own
    return _object(
        "file",
        identifier("object", view.id_of("object", name)),
        identifier("object", str(file["path"]), kind="path in package") if file.get("path") else None,
        *(_signal_properties(view.record) if role == "master" else []),
        property_of("pre-emphasis state of the file", file.get("file_emphasis"))
        if role != "master"
        else None,
        property_of("SHA-256 of the audio payload alone", audio_digest),
        el(
            "objectCharacteristics",
            el("compositionLevel", "0"),
            _fixity("SHA-256", file.get("sha256") if own else None, originator),
            _fixity("SHA-512", file.get("sha512") if own else None, originator),
            text("size", file.get("bytes")),
            _format(file),
            *(inside or ()),
        ),
        text("originalName", file.get("original_name")),
        *_file_relations(view, name, file),
        view.link_rights() if role in AUDIO_ROLES else None,
    )


def _file_relations(view: View, name: str, file: Json) -> list[Node]:
    role = file.get("role")
    if role in ("master", "pass"):
        if name in view.received:
            event = ("metadata-modification-1",) if role == "master" else ()
            return [_relation(view, "derivation", "has source", view.received[name], *event)]
        return [_relation(view, "derivation", "has source", "carrier", *view.captures_of(name))]
    if role == "derivative":
        parent = view.by_digest.get(str(file.get("parent")))
        if not parent or parent == name:
            return []
        return [_relation(view, "derivation", "has source", parent, *view.made_by_steps(file))]
    return [_relation(view, "reference", "documents", "carrier")]


def _audio(view: View, master: str) -> Node | None:
    digest = at(view.record, "audio_sha256")
    if not digest:
        return None
    measured = at(view.record, "measured")
    return _object(
        "bitstream",
        identifier("object", view.id_of("object", "audio-1")),
        property_of("meaning", "the audio payload alone: the bytes of the data chunk"),
        property_of("samples", words(measured, "frames", "channels", "container_bits")),
        el(
            "objectCharacteristics",
            el("compositionLevel", "0"),
            _fixity("SHA-256", digest, spoken(at(view.record, "made_by", "tool")) or None),
            el("format", el("formatDesignation", el("formatName", "linear PCM, little-endian, interleaved"))),
        ),
        _relation(view, "structural", "is included in", master),
    )


def build_objects(view: View, *, extension: str | None, merged: bytes | None) -> list[Node]:
    """All objects, the carrier first."""
    masters = view.named("master")
    embedded = extensions(extension, merged) if masters else []
    objects = [_carrier(view)]
    for name, file in view.numbered:
        if name in view.received:
            objects.append(_received(view, name, file))
        inside = embedded if embedded and name == masters[0] else None
        objects.append(_file(view, name, file, inside))
        if masters and name == masters[0]:
            audio = _audio(view, name)
            if audio is not None:
                objects.append(audio)
    return objects
