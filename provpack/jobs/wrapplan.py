"""What wrapping one transfer will do to its audio, worked out before anything is written."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from provpack.chunks.bext import build_bext
from provpack.chunks.embedded import Embedded, read_embedded
from provpack.chunks.history import CodingRow, format_history
from provpack.chunks.info import build_info
from provpack.chunks.layout import Format, Layout
from provpack.chunks.markers import Marker, build_adtl, build_cue
from provpack.chunks.plan import MasterPlan, plan_master, tail_size
from provpack.chunks.walk import read_layout
from provpack.edge.received import ReceivedFile
from provpack.errors import InputProblem
from provpack.findings import Finding
from provpack.jobs import wraprules
from provpack.model.rates import rate_from_json
from provpack.package.describe import (
    ascii_text,
    build_bext_fields,
    build_coding_rows,
    build_info_entries,
    build_markers,
)
from provpack.package.premis import build_premis
from provpack.xmldoc import XmlProblem, parse_untrusted

Record = Mapping[str, Any]

# The embedded record lists this many silences at the most; measurements.json lists all.
EMBEDDED_SILENCES = 200
# Room for what only the audio can tell: digests, levels and silences of the embedded record.
_ROOM_FOR_MEASURED = 4096
_ROOM_PER_CHANNEL = 512
_ROOM_PER_SILENCE = 48
_ROUND = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioPlan:
    """How the master of one transfer is built: layout of the received file, plan of the new one, and the
    chunks that follow the audio except axml, which is made last."""

    layout: Layout
    format: Format
    rate: Fraction
    plan: MasterPlan
    coding_history: str
    after: tuple[tuple[bytes, bytes], ...]
    merged: bytes | None
    findings: tuple[Finding, ...]


def plan_audio(source: ReceivedFile, record: Record, *, path: str) -> AudioPlan:
    """Plan the master for a received file; path is its place in the package.

    Raises InputProblem for a file that cannot be wrapped, RecordProblem for a record whose rate cannot be
    read.
    """
    name = source.path.name
    layout = read_layout(source, name)
    fmt = _usable(layout, name)
    embedded = read_embedded(source, layout)
    rate = rate_from_json(record["signal"]["sampling_frequency"])
    history = format_history(
        build_coding_rows(
            record,
            received=[_ascii_row(r) for r in embedded.history if r.algorithm or r.text],
            header_rate=fmt.sample_rate,
            word_length=fmt.valid_bits,
            channels=fmt.channels,
        )
    )
    bext = build_bext(build_bext_fields(record, rate=rate, history=history))
    found: list[Finding] = []
    merged = _mergeable(embedded, name, found)
    after = _after(record, embedded, layout.frames, name, found)
    axml = embedded_document({**record, "coding_history": history}, path=path, merged=merged)
    room = _ROOM_FOR_MEASURED + fmt.channels * _ROOM_PER_CHANNEL + EMBEDDED_SILENCES * _ROOM_PER_SILENCE
    need = tail_size([*((cid, len(body)) for cid, body in after), (b"axml", len(axml) + room)])
    plan = plan_master(layout, before=[(b"bext", bext)], after_budget=-(-need // _ROUND) * _ROUND)
    return AudioPlan(
        layout=layout, format=fmt, rate=rate, plan=plan, coding_history=history, after=after,
        merged=merged, findings=tuple(found),
    )  # fmt: skip


def embedded_document(record: Record, *, path: str, merged: bytes | None) -> bytes:
    """The axml document: PREMIS with the record inside it.

    A file cannot hold its own digest, so the embedded record lists no files; everything else is the same
    as in record.json, save that a long list of silences is cut.
    """
    inner = embeddable(record)
    text = json.dumps(inner, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    files = [{"role": "master", "path": path, "media_type": "audio/vnd.wave"}]
    return build_premis(record, files=files, extension=text, merged=merged)


def embeddable(record: Record) -> dict[str, Any]:
    """The record as it can stand inside its own master: without files, silences cut to a fixed number."""
    inner = {**record, "files": []}
    measured = record.get("measured")
    if measured:
        inner["measured"] = {**measured, "digital_silence": measured["digital_silence"][:EMBEDDED_SILENCES]}
    return inner


def _usable(layout: Layout, name: str) -> Format:
    broken = [f for f in layout.findings if f.severity == "error"]
    if layout.format is None or layout.data is None or layout.data.size == 0:
        first = broken[0] if broken else None
        raise InputProblem(
            first.rule if first else "wav-no-audio",
            first.what if first else "The file holds no audio.",
            where=first.where if first else name,
            todo=first.todo if first else "Transfer again, or record the outcome no_pcm_found or failed.",
        )
    if not layout.format.is_pcm or not 1 <= layout.format.container_bytes <= 4:
        rule = wraprules.NOT_PCM
        raise InputProblem(
            rule.id,
            f"The audio is {layout.format.encoding}, {layout.format.bits_per_sample} bits.",
            where=name,
            todo=rule.todo,
        )
    return layout.format


def _ascii_row(row: CodingRow) -> CodingRow:
    """A received coding-history row in lawful characters; its very bytes are kept in the received head."""
    if not row.algorithm:
        return CodingRow(algorithm="", text=ascii_text(row.text) or "?")
    return CodingRow(
        algorithm=ascii_text(row.algorithm).replace(",", ";"),
        frequency=row.frequency,
        bit_rate=row.bit_rate,
        word_length=row.word_length,
        mode=ascii_text(row.mode).replace(",", ";") if row.mode else None,
        text=ascii_text(row.text),
        extra=tuple((ascii_text(k), ascii_text(v).replace(",", ";")) for k, v in row.extra),
    )


def _mergeable(embedded: Embedded, name: str, found: list[Finding]) -> bytes | None:
    if embedded.axml is None:
        return None
    try:
        parse_untrusted(embedded.axml, where=f"{name}, chunk 'axml'")
    except XmlProblem as err:
        found.append(
            wraprules.AXML_ASIDE.found(err.what, err.where, position={"file": name, "chunk": "axml"})
        )
        return None
    return embedded.axml


def _after(
    record: Record, embedded: Embedded, frames: int, name: str, found: list[Finding]
) -> tuple[tuple[bytes, bytes], ...]:
    """LIST INFO, cue and LIST adtl: ours, with what the received file already had."""
    entries = dict(build_info_entries(record))
    for tag, text in (pair for one in embedded.info_lists for pair in one):
        plain = ascii_text(text)
        if not (len(tag) == 4 and tag[0] == "I" and tag.isascii() and tag.isalnum() and tag.isupper()):
            continue
        if entries.setdefault(tag, plain) != plain:
            found.append(
                wraprules.INFO_REPLACED.found(
                    f"{tag} was '{plain[:80]}'; the record says '{entries[tag][:80]}'.",
                    f"{name}, LIST INFO",
                    position={"file": name, "chunk": "LIST"},
                )
            )
    chunks = [(b"LIST", build_info([(t, v) for t, v in entries.items() if v]))]
    received = [_lawful(m) for m in _distinct(embedded.markers) if m.frame < frames]
    markers, left_out = build_markers(record, received=received, frames=frames)
    if left_out:
        found.append(
            wraprules.MARKER_ASIDE.found(f"{left_out} logged positions lie outside the audio.", name)
        )
    if markers:
        chunks += [(b"cue ", build_cue(markers)), (b"LIST", build_adtl(markers))]
    return tuple(chunks)


def _distinct(markers: Sequence[Marker]) -> list[Marker]:
    """Markers with an id of their own; a second one with the same id cannot be told apart."""
    return list({m.id: m for m in reversed(markers)}.values())[::-1]


def _lawful(marker: Marker) -> Marker:
    return Marker(
        id=marker.id,
        frame=marker.frame,
        label=ascii_text(marker.label),
        note=ascii_text(marker.note) if marker.note else None,
        length=marker.length,
    )
