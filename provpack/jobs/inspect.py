"""Look into one audio file: what it is, what it carries, what is wrong with it. Nothing is written."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from provpack.chunks import rules
from provpack.chunks.bext import Bext
from provpack.chunks.embedded import Embedded, read_embedded
from provpack.chunks.layout import Chunk, Layout
from provpack.chunks.source import ByteSource
from provpack.chunks.walk import read_layout
from provpack.edge.audio import W64_MAGIC, read_audio_facts
from provpack.edge.tags import FLAC_MAGIC, FlacFacts, read_flac
from provpack.errors import InputProblem
from provpack.findings import Finding, worst
from provpack.xmldoc import parse_untrusted

RECORD_TAG = "{urn:provpack:record:1}transferRecord"
TEXT_SHOWN = 65_536
"""Longest XML document repeated in the result, in bytes."""

RATE_NOTES = {
    44056: "Headers hold whole hertz only: 44056 Hz may stand for 44100/1.001 Hz = 44055.944... Hz.",
    47952: "Headers hold whole hertz only: 47952 Hz may stand for 48000/1.001 Hz = 47952.047... Hz.",
}
"""44.1 kHz and 48 kHz divided by 1.001 [computed]."""

Outcome = Literal["good", "warnings", "refused"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What the header states; None where the file does not say, or cannot be believed.

    sample_rate: whole hertz as in the header. bits_per_sample: of the container; valid_bits: significant.
    audio_offset, audio_bytes: the data payload. duration_s: seconds as "numerator/denominator", exact for
    the header rate; duration: the same as h:mm:ss.mmm, rounded.
    """

    container: str | None
    file_bytes: int
    declared_bytes: int | None = None
    encoding: str | None = None
    format_tag: int | None = None
    channels: int | None = None
    sample_rate: int | None = None
    bits_per_sample: int | None = None
    valid_bits: int | None = None
    frame_bytes: int | None = None
    channel_mask: int | None = None
    frames: int | None = None
    audio_offset: int | None = None
    audio_bytes: int | None = None
    trailing_bytes: int = 0
    rate_note: str = ""

    @property
    def duration_s(self) -> str | None:
        seconds = self._seconds()
        return None if seconds is None else f"{seconds.numerator}/{seconds.denominator}"

    @property
    def duration(self) -> str | None:
        seconds = self._seconds()
        return None if seconds is None else clock_text(seconds)

    def _seconds(self) -> Fraction | None:
        if self.frames is None or not self.sample_rate:
            return None
        return Fraction(self.frames, self.sample_rate)

    def as_json(self) -> dict[str, object]:
        """All facts by name, the durations included."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return plain | {"duration_s": self.duration_s, "duration": self.duration}


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectResult:
    """Everything found in one file.

    chunks and embedded describe RIFF files, flac FLAC files; the others are empty or None. has_record: a
    transfer record can be recovered from it.
    """

    name: str
    facts: Facts
    chunks: tuple[Chunk, ...]
    embedded: Embedded | None
    flac: FlacFacts | None
    has_record: bool
    findings: tuple[Finding, ...]

    @property
    def outcome(self) -> Outcome:
        """refused: the file could not be used for a package; warnings: look before you do; else good."""
        grave = worst(self.findings)
        return "refused" if grave == "error" else "warnings" if grave == "warning" else "good"

    def as_json(self) -> dict[str, object]:
        """The result for programs; schemas/result-inspect.schema.json."""
        return {
            "outcome": self.outcome,
            "file": self.name,
            "facts": self.facts.as_json(),
            "chunks": [_chunk_json(c) for c in self.chunks],
            "embedded": _embedded_json(self.embedded) if self.embedded else None,
            "flac": _flac_json(self.flac) if self.flac else None,
            "has_record": self.has_record,
            "findings": [f.as_json() for f in self.findings],
        }


def inspect_file(source: ByteSource, name: str) -> InspectResult:
    """Inspect a file. name is what the result calls it. Raises nothing for a bad file: findings say it."""
    head = source.read_at(0, 16)
    if head[:4] == FLAC_MAGIC:
        return _inspect_flac(source, name)
    if head == W64_MAGIC:
        return _inspect_w64(source, name)
    layout = read_layout(source, name)
    if layout.form is None:
        return _result(name, _facts(layout), findings=layout.findings)
    embedded = read_embedded(source, layout)
    return _result(
        name,
        _facts(layout),
        chunks=layout.chunks,
        embedded=embedded,
        has_record=recover_record(embedded) is not None,
        findings=(*layout.findings, *embedded.findings, *_axml_findings(embedded, layout)),
    )


def recover_record(embedded: Embedded) -> bytes | None:
    """The JSON transfer record inside the axml document, byte for byte; None when there is none.

    It is the text of the first element {urn:provpack:record:1}transferRecord, anywhere in the document,
    that holds a JSON object. A document that cannot be read yields None; inspect_file has a finding then.
    """
    if embedded.axml is None:
        return None
    try:
        root = parse_untrusted(embedded.axml, where="axml")
    except InputProblem:
        return None
    for element in root.iter(RECORD_TAG):
        text = (element.text or "") + "".join(child.tail or "" for child in element)
        try:
            record = json.loads(text, parse_constant=_no_number)
        except (ValueError, RecursionError):
            continue
        if isinstance(record, dict):
            return text.encode("utf-8")
    return None


def _no_number(word: str) -> object:
    raise ValueError(f"{word} is not JSON (RFC 8259 section 6)")


def clock_text(seconds: Fraction) -> str:
    """h:mm:ss.mmm, rounded half up to the millisecond; hours may have any number of digits."""
    thousandths = int(seconds * 1000 + Fraction(1, 2))
    minutes, rest = divmod(thousandths, 60_000)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest // 1000:02d}.{rest % 1000:03d}"


# -- one container each ------------------------------------------------------------------------------


def _result(
    name: str,
    facts: Facts,
    *,
    chunks: tuple[Chunk, ...] = (),
    embedded: Embedded | None = None,
    flac: FlacFacts | None = None,
    has_record: bool = False,
    findings: tuple[Finding, ...] = (),
) -> InspectResult:
    return InspectResult(
        name=name,
        facts=facts,
        chunks=chunks,
        embedded=embedded,
        flac=flac,
        has_record=has_record,
        findings=findings,
    )


def _facts(layout: Layout) -> Facts:
    fmt, data = layout.format, layout.data
    known = layout.form is not None
    return Facts(
        container=layout.form,
        file_bytes=layout.file_size,
        declared_bytes=layout.declared_size + 8 if known else None,
        encoding=fmt.encoding if fmt else None,
        format_tag=fmt.tag if fmt else None,
        channels=fmt.channels if fmt else None,
        sample_rate=fmt.sample_rate if fmt else None,
        bits_per_sample=fmt.bits_per_sample if fmt else None,
        valid_bits=fmt.valid_bits if fmt else None,
        frame_bytes=fmt.frame_bytes if fmt and fmt.encoding != "other" else None,
        channel_mask=fmt.channel_mask if fmt else None,
        frames=layout.frames if fmt and data and fmt.encoding != "other" else None,
        audio_offset=data.offset if data else None,
        audio_bytes=data.size if data else None,
        trailing_bytes=layout.trailing_bytes,
        rate_note=RATE_NOTES.get(fmt.sample_rate, "") if fmt else "",
    )


def _inspect_flac(source: ByteSource, name: str) -> InspectResult:
    facts = Facts(container="FLAC", file_bytes=source.size)
    try:
        flac = read_flac(source, name)
    except InputProblem as problem:
        return _result(name, facts, findings=(_unreadable(problem),))
    facts = Facts(
        container="FLAC",
        file_bytes=source.size,
        encoding="pcm",
        channels=flac.channels,
        sample_rate=flac.sample_rate,
        bits_per_sample=flac.bits_per_sample,
        valid_bits=flac.bits_per_sample,
        frames=flac.frames,
        rate_note=RATE_NOTES.get(flac.sample_rate, ""),
    )
    findings = [
        rules.OTHER_CONTAINER.found(
            "This is a FLAC file: STREAMINFO and Vorbis comments are told; the audio was not decoded.",
            name,
            position={"file": name},
        )
    ]
    if flac.problem:
        what = f"In this FLAC file {flac.problem}."
        position = {"file": name}
        findings.append(rules.CONTAINER_UNREADABLE.found(what, name, severity="warning", position=position))
    return _result(name, facts, flac=flac, findings=tuple(findings))


def _inspect_w64(source: ByteSource, name: str) -> InspectResult:
    try:
        told = read_audio_facts(source, name)
    except InputProblem as problem:
        return _result(name, Facts(container="W64", file_bytes=source.size), findings=(_unreadable(problem),))
    facts = Facts(
        container="W64",
        file_bytes=source.size,
        encoding=told.encoding,
        channels=told.channels,
        sample_rate=told.sample_rate,
        frames=told.frames,
        rate_note=RATE_NOTES.get(told.sample_rate, ""),
    )
    note = rules.OTHER_CONTAINER.found(
        "This is a W64 file: the facts are those libsndfile tells; its chunks are not listed.",
        name,
        position={"file": name},
    )
    return _result(name, facts, findings=(note,))


def _unreadable(problem: InputProblem) -> Finding:
    return rules.CONTAINER_UNREADABLE.found(
        problem.what, problem.where, todo=problem.todo, position={"file": problem.where}
    )


def _axml_findings(embedded: Embedded, layout: Layout) -> tuple[Finding, ...]:
    if embedded.axml is None:
        return ()
    try:
        parse_untrusted(embedded.axml, where="axml")
    except InputProblem as problem:
        chunk = next(c for c in layout.chunks if c.id == b"axml")
        where = f"{layout.name}, offset {chunk.data_offset}, {problem.where}"
        position: dict[str, str | int] = {"file": layout.name, "chunk": "axml", "offset": chunk.data_offset}
        return (rules.XML_BAD.found(problem.what, where, todo=problem.todo, position=position),)
    return ()


# -- plain values ------------------------------------------------------------------------------------


def _chunk_json(chunk: Chunk) -> dict[str, object]:
    return {
        "id": chunk.name,
        "list_type": None if chunk.list_type is None else chunk.list_type.decode("latin-1"),
        "offset": chunk.offset,
        "data_offset": chunk.data_offset,
        "declared_size": chunk.declared_size,
        "size": chunk.size,
        "pad": chunk.pad,
    }


def _embedded_json(embedded: Embedded) -> dict[str, object]:
    chna = embedded.chna
    return {
        "bext": [_bext_json(b) for b in embedded.bext_all],
        "coding_history": [
            {name: getattr(row, name) for name in row.__dataclass_fields__ if name != "extra"}
            | {"extra": _pairs(row.extra)}
            for row in embedded.history
        ],
        "info": [[{"tag": tag, "text": text} for tag, text in entries] for entries in embedded.info_lists],
        "markers": [{name: getattr(m, name) for name in m.__dataclass_fields__} for m in embedded.markers],
        "axml": _document_json(embedded.axml),
        "ixml": _document_json(embedded.ixml),
        "id3_chunks": embedded.id3_count,
        "chna": None if chna is None else {
            "tracks": chna.tracks,
            "uids": chna.uids,
            "records": [{n: getattr(r, n) for n in r.__dataclass_fields__} for r in chna.records],
        },
    }  # fmt: skip


def _bext_json(bext: Bext) -> dict[str, object]:
    plain: dict[str, object] = {name: getattr(bext, name) for name in bext.__dataclass_fields__}
    for name in ("loudness_value", "loudness_range", "max_true_peak", "max_momentary", "max_short_term"):
        plain[name] = None if plain[name] is None else str(plain[name])
    plain["umid"] = bext.umid.hex() if bext.umid_is_valid else None
    return plain


def _document_json(document: bytes | None) -> dict[str, object] | None:
    if document is None:
        return None
    text = document.decode("utf-8", "replace") if len(document) <= TEXT_SHOWN else None
    return {"bytes": len(document), "text": text}


def _pairs(pairs: Iterable[tuple[str, str]]) -> list[dict[str, str]]:
    return [{"key": key, "value": value} for key, value in pairs]


def _flac_json(flac: FlacFacts) -> dict[str, object]:
    return {
        "md5": flac.md5,
        "vendor": flac.vendor,
        "comments": _pairs(flac.comments),
        "blocks": [{"name": b.name, "offset": b.offset, "size": b.size} for b in flac.blocks],
        "problem": flac.problem,
    }
