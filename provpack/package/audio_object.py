"""The master as an AES57-2011 audioObject, and the carrier as another: audio-object.xml.

Decisions, each against aes57-2011-08-27.xsd:

- One document is one object (the root holds one `audioObject`, and nothing in it can hold a second). The
  document in the package is about the master file (FILE_DIGITAL, PRESERVATION_MASTER), because that is what
  the receiver stores and checks. The carrier is another object of another kind (PHYS_DIGITAL or ANALOG) with
  other words, other state and another history, so it is neither a formatRegion of the file, which no region
  of the file could rightly refer to, nor its `objectLink`, which locates the object itself and can stand
  once only. The file names its carrier in secondaryIdentifier by the identifiers that premis.xml uses too;
  `carrier_object_node` gives the carrier's own object for whoever wants it (METS sourceMD).
- Derivatives have no object: the record states neither their length nor their word length, and both are
  required here or would have to be guessed. PREMIS tells what they are and what they were made from.
- A video cassette has one face. A second playback of it is not a second face but the same one read again:
  passes are PREMIS events, and what an assembled master took from which pass stands in timed notes.
- Programme segments are not cut out as regions: a title is no format. METS tells them in its logical map.
- Regions are stretches of constant format, cut where signal_state_ranges change. Pre-emphasis fits only
  `equalization` of the generic formatRegionType (digitalTapeFormatRegionType has none), so that type is used.
  An unknown state stays unknown; the words for it are never those for "none".
- bitDepth is what was coded (source_bit_depth, or the 14/16-bit mode of the stretch; through an analogue
  output what the converter gave); wordSize is the sample container of the file, as measured.
- Times count sample frames: one edit unit is exactly one frame, at the exact rate. `sampleRate` is a double
  and only approximates 44100/1.001.
- fileChecksum and soundDataChecksum take CRC, MD5 and SHA-1 only. The record has SHA-2, so neither is
  written; the digest of the audio stands in appSpecificData as text, all digests in premis.xml.
- firstSampleOffset is written only when the caller knows it; audioDataBlockSize and the like are left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import partial
from urllib.parse import quote

from provpack.errors import RecordProblem
from provpack.model.rates import format_rate, rate_from_json
from provpack.package.audio_object_face import Audio, face_of, format_list
from provpack.package.audio_object_formats import carrier_format, master_format
from provpack.package.audio_object_notes import carrier_notes, notes_of
from provpack.package.audio_object_regions import frame_of, stretches
from provpack.package.audio_object_terms import PREFIXES, SCHEMA_VERSION, XLINK, el, moment, text
from provpack.package.premis_view import Json, at, rows, spoken
from provpack.package.words import FORMAT_WORDS, STANDARD_WORDS
from provpack.xmldoc import Node, serialise

_CARRIER_FLAG = {"digital_tape": "PHYS_DIGITAL", "digital_disc": "PHYS_DIGITAL", "analogue": "ANALOG"}
_LONG_RESTRICTION = 500  # characters; a longer text is not repeated in every region


def build_audio_object(
    record: Json, files: Sequence[Json], *, audio_offset: int | None = None
) -> bytes | None:
    """audio-object.xml of a valid record; None when there is no audio.

    files: entries in the shape of the record's `files`, the master among them. audio_offset: byte offset of
    the first sample in the master, where it is known.
    """
    root = audio_object_node(record, files, audio_offset=audio_offset)
    return None if root is None else serialise(root, prefixes=PREFIXES)


def audio_object_node(
    record: Json, files: Sequence[Json], *, audio_offset: int | None = None, prefix: str = "ao"
) -> Node | None:
    """The same as an element, for a document that wraps it and declares PREFIXES. prefix: beginning of every
    XML identifier in it, for the wrapping document may hold others."""
    audio = _audio(record, prefix)
    master = next((f for f in files if f.get("role") == "master"), None)
    if audio is None or master is None:
        return None
    bits = frame_of(at(record, "measured", "container_bits"))
    name = str(master.get("path") or master.get("original_name") or "master")
    return el(
        "audioObject",
        el("format", "Broadcast WAVE", specificationVersion=_version_of(master)),
        *_application_data(record, audio.rate),
        el("audioDataEncoding", _encoding(record, bits)),
        el("byteOrder", "LITTLE_ENDIAN"),  # RIFF: Multimedia Programming Interface 1.0, section 2
        text("firstSampleOffset", audio_offset),
        el("use", useType="PRESERVATION_MASTER"),
        el("primaryIdentifier", name.rpartition("/")[2], identifierType="FILE_NAME"),
        *_other_identifiers(record),
        _locator(str(master["path"])) if master.get("path") else None,
        face_of(audio, notes_of(record, audio.frames), _security(record)),
        format_list(audio, partial(master_format, audio)),
        text("objectCreationDate", moment(str(at(record, "made_by", "at")))),
        ID=prefix,
        title=_said(at(record, "item", "title")),
        analogDigitalFlag="FILE_DIGITAL",
        generation=_generation(record),
        disposition=f"in package {spoken(record.get('package_name')) or 'not named'}",
        schemaVersion=SCHEMA_VERSION,
    )


def carrier_object_node(record: Json, *, prefix: str = "src") -> Node | None:
    """The carrier as an audioObject; None without audio, or when nobody knows whether it is digital.

    Its timeline is that of the master: what was read from it, at the rate it was read with.
    """
    audio, flag = _audio(record, prefix), _CARRIER_FLAG.get(str(at(record, "item", "source_domain")))
    if audio is None or flag is None:
        return None
    kind = at(record, "carrier", "carrier_type_note") or at(record, "carrier", "carrier_type")
    return el(
        "audioObject",
        el("format", spoken(kind).replace("_", " ") or "unknown"),
        *_carrier_data(record),
        text("audioDataEncoding", _source_words(record)),
        el("use", useType="OTHER", otherType="carrier the transfer was made from"),
        *_carrier_identifiers(record),
        face_of(audio, carrier_notes(record), ()),
        format_list(audio, partial(carrier_format, audio, digital=flag != "ANALOG")),
        ID=prefix,
        title=_said(at(record, "item", "title")),
        analogDigitalFlag=flag,
        disposition=_whereabouts(record),
        schemaVersion=SCHEMA_VERSION,
    )


def _said(value: object) -> str | None:
    return spoken(value) or None


def _audio(record: Json, prefix: str) -> Audio | None:
    """What both objects are built on; None when there is no audio."""
    frames, channels = (frame_of(at(record, "measured", key)) for key in ("frames", "channels"))
    if not frames or not channels or at(record, "signal") is None:
        return None
    try:
        rate = rate_from_json(at(record, "signal", "sampling_frequency"))
    except RecordProblem:
        return None
    regions = stretches(record, frames)
    return Audio(prefix=prefix, record=record, rate=rate, frames=frames, channels=channels, regions=regions)


def _application_data(record: Json, rate: Fraction) -> list[Node]:
    """Facts AES57 has no element for, one per element, `name: value`."""
    signal, carrier = at(record, "signal"), at(record, "carrier")
    standard = at(carrier, "line_standard")
    said = {
        "sampling frequency, exact": format_rate(rate),
        "sampling frequency in the file header, Hz": at(signal, "header_sampling_frequency_hz"),
        "note on the rate": at(signal, "rate_label_note"),
        "video system of the carrier": STANDARD_WORDS.get(str(standard), standard),
        "captured word length, bits": at(record, "capture", "capture_word_length"),
        "SHA-256 of the audio payload alone": at(record, "audio_sha256"),
    }
    return _named(record, said)


def _carrier_data(record: Json) -> list[Node]:
    """The same for the carrier. Its make stands here because tapeStructure wants layers nobody measured."""
    carrier = at(record, "carrier")
    standard = at(carrier, "line_standard")
    said = {
        "label on the carrier": at(carrier, "label_transcription"),
        "length as labelled": at(carrier, "carrier_label_length"),
        "stock": at(carrier, "carrier_stock"),
        "tape speed mode": at(carrier, "tape_speed_mode"),
        "video system": STANDARD_WORDS.get(str(standard), standard),
    }
    return _named(record, said)


def _named(record: Json, said: Mapping[str, object]) -> list[Node]:
    version = _said(at(record, "made_by", "version"))
    return [
        el("appSpecificData", f"{name}: {spoken(value)}", appVersion=version)
        for name, value in said.items()
        if spoken(value)
    ]


def _version_of(master: Json) -> str:
    """The standards of the file; beyond 4 GiB a RIFF cannot be, so it is RF64 (EBU Tech 3306)."""
    size = frame_of(master.get("bytes")) or 0
    large = "; RF64, EBU Tech 3306" if size - 8 > 0xFFFFFFFF else ""
    return f"EBU Tech 3285 version 2{large}"


def _encoding(record: Json, bits: int | None) -> str:
    """Coding of the samples in the file; that they were lossy before must not be lost (domain note 1.7)."""
    length = f", {bits} bit words" if bits else ""
    codec = at(record, "carrier", "source_codec")
    before = f"; decoded from {spoken(codec)}" if codec else ""
    return f"linear PCM{length}, channels interleaved{before}"


def _source_words(record: Json) -> str:
    carrier = at(record, "carrier")
    name = str(at(carrier, "recording_format"))
    said = [FORMAT_WORDS.get(name, name.replace("_", " ")), at(carrier, "recording_format_note")]
    return "; ".join(spoken(part) for part in (*said, at(carrier, "source_codec")) if part)


def _other_identifiers(record: Json) -> list[Node]:
    """By which the client, the carrier and the record are known."""
    record_id = spoken(record.get("record_id"))
    said = {
        "client item identifier": at(record, "item", "client_item_id"),
        "carrier identifier": at(record, "carrier", "carrier_id"),
        "transfer record identifier": record_id,
        "carrier in premis.xml": f"{record_id}/object/carrier",
    }
    return [
        el("secondaryIdentifier", spoken(value), identifierType="OTHER", idOtherType=kind)
        for kind, value in said.items()
        if spoken(value)
    ]


def _carrier_identifiers(record: Json) -> list[Node]:
    """The mark on the carrier first; the client's name of the item where there is no such mark."""
    found = _other_identifiers(record)
    first = next((n for n in found if n.attrib["idOtherType"] == "carrier identifier"), found[0])
    primary = Node(el("primaryIdentifier").tag, first.attrib, first.children)
    return [primary, *(n for n in found if n is not first)]


def _locator(path: str) -> Node:
    """Where the master lies, seen from the folder of metadata this document stands in."""
    href = f"../{path.removeprefix('data/')}" if path.startswith("data/") else path
    node = el("objectLink")
    return Node(node.tag, {f"{{{XLINK}}}type": "simple", f"{{{XLINK}}}href": quote(href)})


def _generation(record: Json) -> str | None:
    if at(record, "derived_from"):
        return "later copy, made by others from an earlier file"
    interface = at(record, "interface", "interface_type")
    if interface is None:
        return None
    path = "an analogue" if interface == "analogue" else "a digital"
    return f"copy of the carrier through {path} output"


def _security(record: Json) -> tuple[str, ...]:
    """Restrictions as the client states them; short, for they hold in every region."""
    rights, out = at(record, "rights"), []
    restriction, until = spoken(at(rights, "access_restriction")), at(rights, "access_restriction_until")
    if restriction or until:
        said = f"{restriction or 'restricted'}{f', until {until}' if until else ''}"
        fits = len(said) <= _LONG_RESTRICTION
        out.append(f"access, declared: {said if fits else 'restricted, see record.json'}")
    personal = {True: "yes, see record.json", "unknown": "not known"}.get(at(rights, "personal_data"))
    if personal:
        out.append(f"personal data, declared: {personal}")
    return tuple(out)


def _whereabouts(record: Json) -> str:
    """The last thing the custody record says about the carrier."""
    events = rows(at(record, "custody", "custody_events"))
    if not events:
        return "unknown"
    last = events[-1]
    return (
        f"{spoken(last.get('type')).replace('_', ' ')} {spoken(last.get('at'))}, by {spoken(last.get('to'))}"
    )
