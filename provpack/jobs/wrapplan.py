"""What wrapping one transfer will do to its audio, worked out before anything is written."""

from __future__ import annotations

import copy
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any

from provpack.chunks.bext import Bext, build_bext
from provpack.chunks.embedded import Embedded, read_embedded
from provpack.chunks.history import CodingRow, format_history
from provpack.chunks.info import build_info
from provpack.chunks.layout import Format, Layout
from provpack.chunks.limits import MAX_METADATA
from provpack.chunks.markers import Marker, build_adtl, build_cue
from provpack.chunks.plan import MasterPlan, plan_master, tail_size
from provpack.chunks.walk import read_layout
from provpack.errors import InputProblem
from provpack.findings import Finding
from provpack.jobs import wraprules
from provpack.jobs.assembledfile import AudioSource
from provpack.jobs.assembly import Assembly, note_join
from provpack.jobs.check_files import MOST_CHANNELS
from provpack.jobs.derive import plan_derivative
from provpack.jobs.deriveplan import DerivativePlan, Wanted, note_longest
from provpack.jobs.loaded import NamedFile
from provpack.jobs.measurements import longest_measured
from provpack.jobs.wraprecord import note_pass, note_step
from provpack.model.rates import rate_from_json
from provpack.package import layout as places
from provpack.package.describe import (
    ascii_text,
    build_bext_fields,
    build_coding_rows,
    build_info_entries,
    build_markers,
)
from provpack.package.embedding import embeddable
from provpack.package.figures import counted
from provpack.package.premis import build_premis
from provpack.xmldoc import XmlProblem, parse_untrusted

Record = Mapping[str, Any]

# Room beyond the longest document worked out beforehand: for links that only a digest can bring about.
_ROOM = 2048
_ROOM_PER_LINK = 1024
_ROUND = 4096
_MOST_HISTORY = 50_000
"""Characters of received coding history that are carried on; the record's field holds 100 000."""
_ANY_DIGEST = "f" * 64


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioPlan:
    """How the master of one transfer is built: layout of the received file, plan of the new one, and what
    follows the audio, except axml, which is made last. bext still lacks the loudness, which only the audio
    can tell; that is why it stands behind the audio too."""

    layout: Layout
    format: Format
    rate: Fraction
    plan: MasterPlan
    coding_history: str
    bext: Bext
    after: tuple[tuple[bytes, bytes], ...]
    merged: bytes | None
    derivative: DerivativePlan | None
    findings: tuple[Finding, ...]


def plan_audio(
    source: AudioSource,
    record: Record,
    *,
    path: str,
    named: NamedFile,
    at: datetime,
    wanted: Wanted | None = None,
    package: str = "",
    assembly: Assembly | None = None,
) -> AudioPlan:
    """Plan the master for a received file; path is its place in the package, named what the sheet calls it.
    wanted: the derivative asked for, which is named after the package.

    Raises InputProblem for a file that cannot be wrapped, RecordProblem for a record whose rate cannot be
    read.
    """
    name = source.path.name
    layout = read_layout(source, name)
    fmt = _usable(layout, name)
    embedded = read_embedded(source, layout)
    rate = rate_from_json(record["signal"]["sampling_frequency"])
    derivative: DerivativePlan | None = None
    noted: tuple[Finding, ...] = ()
    if wanted is not None:
        derivative, noted = plan_derivative(record, fmt, rate, layout.frames, wanted, name=package)
    received_rows, rows_left_out = _received_rows(embedded)
    history = format_history(
        build_coding_rows(
            record,
            received=received_rows,
            header_rate=fmt.sample_rate,
            word_length=fmt.valid_bits,
            channels=fmt.channels,
        )
    )
    bext = build_bext_fields(record, rate=rate, history=history, master=named.written)
    found = [*embedded.findings, *noted, *_bext_replaced(embedded.bext, bext, name)]
    if rows_left_out:
        what = f"Too long to be carried on: {counted(rows_left_out, 'row')} of its coding history."
        found.append(wraprules.HISTORY_ASIDE.found(what, f"{name}, bext", position={"file": name}))
    after = _after(record, embedded, layout.frames, name, found)
    received = received_entry(named, source.size, _ANY_DIGEST)
    longest = _longest({**record, "coding_history": history}, fmt, layout.frames, named=named, at=at)
    if assembly is not None:
        note_join(longest, assembly, _ANY_DIGEST, at)
    if derivative is not None:
        note_longest(longest, derivative, at)
    merged, size = _merge(longest, embedded, name, found, path=path, received=received)
    known = [(b"bext", len(build_bext(bext))), *((cid, len(body)) for cid, body in after)]
    need = tail_size([*known, (b"axml", size + _room(record))])
    plan = plan_master(layout, after_budget=-(-need // _ROUND) * _ROUND)
    return AudioPlan(
        layout=layout, format=fmt, rate=rate, plan=plan, coding_history=history, bext=bext, after=after,
        derivative=derivative,
        merged=merged, findings=tuple(found),
    )  # fmt: skip


def embedded_document(
    record: Record, *, path: str, merged: bytes | None, received: Mapping[str, Any]
) -> bytes:
    """The axml document: PREMIS with the record inside it.

    received: original_name, original_bytes and original_sha256 of the file handed in. A file cannot hold
    its own digest, so the master states none and the embedded record lists no files; for the rest of what
    differs from record.json see embeddable().
    """
    text = json.dumps(embeddable(record), ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    master = {
        "role": "master",
        "path": path,
        "media_type": places.media_type(path),
        "audio_sha256": record.get("audio_sha256"),
        **received,
    }
    return build_premis(record, files=[master], extension=text, merged=merged)


def received_entry(named: NamedFile, size: int, sha256: str) -> dict[str, Any]:
    """What the master's `files[]` entry says of the file as it was handed in; nothing for one that was
    assembled here and never lay anywhere."""
    if named.path is None:
        return {}
    return {"original_name": named.written, "original_bytes": size, "original_sha256": sha256}


def _longest(record: Record, fmt: Format, frames: int, *, named: NamedFile, at: datetime) -> dict[str, Any]:
    """The record as it will be once the audio was read, with the longest value wherever only the audio can
    tell: what is reserved after the audio must suffice for any of them."""
    longest = copy.deepcopy(dict(record))
    figures = longest_measured(
        frames=frames, channels=fmt.channels, container_bits=8 * fmt.container_bytes, at=at
    )
    longest |= {"audio_sha256": _ANY_DIGEST, "measured": figures}
    note_pass(longest, named, _ANY_DIGEST)
    note_step(longest, _ANY_DIGEST, at)
    return longest


def _room(record: Record) -> int:
    """Bytes for what the longest record does not show: a pass or step that names its file by digest only."""
    processing = record.get("processing") or {}
    entries = len(processing.get("passes") or []) + len(processing.get("processing_steps") or [])
    return _ROOM + _ROOM_PER_LINK * entries


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
    if layout.format.channels > MOST_CHANNELS:
        raise InputProblem(
            "too-many-channels",
            f"The header states {layout.format.channels} channels; up to {MOST_CHANNELS} are measured here.",
            where=name,
            todo="The header is damaged or hostile, or the file has to be handed in as several.",
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


def _bext_replaced(old: Bext | None, new: Bext, name: str) -> list[Finding]:
    """A note naming the bext fields of the received file that the master does not repeat."""
    if old is None:
        return []
    # The coding history is kept row by row; an empty field, or a version, loses nothing.
    names = [n for n in Bext.__dataclass_fields__ if n not in ("version", "coding_history")]
    nothing = ("", 0, None, bytes(64))
    lost = [n for n in names if getattr(old, n) not in nothing and getattr(old, n) != getattr(new, n)]
    if not lost:
        return []
    what = f"bext of the received file said otherwise: {', '.join(n.replace('_', ' ') for n in lost)}."
    place: dict[str, str | int] = {"file": name, "chunk": "bext"}
    return [wraprules.BEXT_REPLACED.found(what, f"{name}, chunk 'bext'", position=place)]


def _received_rows(embedded: Embedded) -> tuple[list[CodingRow], int]:
    """The rows of the received coding history that are carried on, and how many are not."""
    rows = [_ascii_row(r) for r in embedded.history if r.algorithm or r.text]
    kept, used = 0, 0
    for row in rows:
        used += len(format_history([row]))
        if used > _MOST_HISTORY:
            break
        kept += 1
    return rows[:kept], len(rows) - kept


def _ascii_row(row: CodingRow) -> CodingRow:
    """A received coding-history row in lawful characters; its very bytes are kept in the received head."""
    if not row.algorithm:
        return CodingRow(algorithm="", text=ascii_text(row.text) or "?")
    return CodingRow(
        algorithm=ascii_text(row.algorithm).replace(",", ";") or "?",
        frequency=row.frequency,
        bit_rate=row.bit_rate,
        word_length=row.word_length,
        mode=ascii_text(row.mode).replace(",", ";") if row.mode else None,
        text=ascii_text(row.text),
        extra=tuple((ascii_text(k), ascii_text(v).replace(",", ";")) for k, v in row.extra),
    )


def _merge(
    record: Record,
    embedded: Embedded,
    name: str,
    found: list[Finding],
    *,
    path: str,
    received: Mapping[str, Any],
) -> tuple[bytes | None, int]:
    """The received axml document as far as ours can take it in, and the size of ours, bytes.

    Ours must be readable afterwards by the same bounds: a document that is malformed, too large, or too
    deep once it stands inside another is kept aside, so that it never costs the record.
    """
    problem: Exception
    if embedded.axml is not None:
        try:
            parse_untrusted(embedded.axml, where=f"{name}, chunk 'axml'")
            ours = embedded_document(record, path=path, merged=embedded.axml, received=received)
            parse_untrusted(ours, where=f"{name}, chunk 'axml' inside ours", limit=MAX_METADATA // 2)
            return embedded.axml, len(ours)
        except (XmlProblem, ValueError, LookupError) as err:
            problem = err
        found.append(
            wraprules.AXML_ASIDE.found(
                getattr(problem, "what", f"The document cannot be taken over: {problem}"),
                getattr(problem, "where", name),
                position={"file": name, "chunk": "axml"},
            )
        )
    return None, len(embedded_document(record, path=path, merged=None, received=received))


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
    received = [_lawful(m) for m in _distinct(embedded.markers) if m.frame <= frames]
    if len(received) < len(embedded.markers):
        lost = len(embedded.markers) - len(received)
        what = f"Outside the audio, or with an id used twice: {counted(lost, 'received cue point')}."
        found.append(wraprules.MARKER_ASIDE.found(what, f"{name}, chunk 'cue '", position={"file": name}))
    markers, left_out = build_markers(record, received=received, frames=frames)
    if left_out:
        what = f"Outside the audio: {counted(left_out, 'logged position')}."
        found.append(wraprules.MARKER_ASIDE.found(what, name, position={"file": name}))
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
