"""The result of `inspect` as lines of plain text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from provpack.report.text import count_words, finding_lines

if TYPE_CHECKING:
    from provpack.chunks.bext import Bext
    from provpack.chunks.embedded import Embedded
    from provpack.jobs.inspect import Facts, InspectResult

MOST = 40


def _line(label: str, value: object) -> str:
    return f"  {label:24}{value}"


def _shown(text: str, limit: int = 400) -> str:
    """Text from a file we did not write, safe for a terminal."""
    plain = "".join(c if c.isprintable() else "\ufffd" for c in text)
    return plain if len(plain) <= limit else plain[:limit] + f" ... ({len(plain)} characters)"


def inspect_lines(result: InspectResult) -> Iterator[str]:
    """Facts, chunks, embedded metadata, findings."""
    yield _shown(result.name)
    yield from _fact_lines(result.facts)
    if result.chunks:
        yield ""
        yield "Chunks"
        yield f"  {'offset':>14}  {'id':6} {'type':5} {'size':>14}  pad"
        for chunk in result.chunks[:200]:
            kind = chunk.list_type.decode("latin-1") if chunk.list_type else ""
            size = f"{chunk.size}" + (
                "" if chunk.size == chunk.declared_size else f" of {chunk.declared_size}"
            )
            yield f"  {chunk.offset:>14}  {_shown(chunk.name):6} {_shown(kind):5} {size:>14}  {chunk.pad}"
        if len(result.chunks) > 200:
            yield f"  ... {len(result.chunks) - 200} more (see --json)"
    if result.embedded is not None:
        yield from _embedded_lines(result.embedded)
    if result.flac is not None:
        yield ""
        yield "FLAC"
        yield _line("MD5 of the samples", result.flac.md5 or "not stated")
        for key, value in result.flac.comments[:MOST]:
            yield _line(_shown(key, 24), _shown(value))
    if result.has_record:
        yield ""
        yield "A transfer record is embedded: provpack inspect FILE --record prints it."
    yield ""
    yield f"{count_words(result.findings)}."
    yield from finding_lines(result.findings)


def _fact_lines(facts: Facts) -> Iterator[str]:
    yield _line("container", facts.container or "not recognised")
    yield _line("file", f"{facts.file_bytes} bytes")
    if facts.encoding is not None:
        bits = f"{facts.valid_bits} bits"
        if facts.bits_per_sample != facts.valid_bits:
            bits += f" in {facts.bits_per_sample}"
        yield _line("encoding", f"{facts.encoding}, {bits}, {facts.channels} channels")
        yield _line("rate in the header", f"{facts.sample_rate} Hz")
    if facts.rate_note:
        yield _line("", facts.rate_note)
    if facts.frames is not None:
        yield _line("length", f"{facts.frames} frames = {facts.duration} at the header's rate")
    if facts.audio_offset is not None:
        yield _line("audio payload", f"{facts.audio_bytes} bytes from offset {facts.audio_offset}")


def _embedded_lines(embedded: Embedded) -> Iterator[str]:
    for bext in embedded.bext_all:
        yield from _bext_lines(bext)
    if embedded.history:
        yield ""
        yield "Coding history (oldest first)"
        for row in embedded.history[:MOST]:
            keys = (("A", row.algorithm), ("F", row.frequency), ("B", row.bit_rate), ("W", row.word_length))
            told = [f"{k}={v}" for k, v in (*keys, ("M", row.mode), *row.extra) if v not in (None, "")]
            yield f"  {_shown(', '.join(told))}"
            if row.text:
                yield f"      {_shown(row.text)}"
    for number, entries in enumerate(embedded.info_lists, 1):
        yield ""
        yield "LIST INFO" + (f" ({number})" if len(embedded.info_lists) > 1 else "")
        for tag, text in entries[:MOST]:
            yield _line(_shown(tag), _shown(text))
    if embedded.markers:
        yield ""
        yield f"Markers ({len(embedded.markers)})"
        for marker in embedded.markers[:MOST]:
            length = f", {marker.length} frames long" if marker.length else ""
            note = f" - {_shown(marker.note, 120)}" if marker.note else ""
            yield f"  {marker.frame:>14}  {_shown(marker.label, 80)}{length}{note}"
        if len(embedded.markers) > MOST:
            yield f"  ... {len(embedded.markers) - MOST} more (see --json)"
    documents = [
        f"{name} of {len(body)} bytes"
        for name, body in (("axml", embedded.axml), ("iXML", embedded.ixml))
        if body is not None
    ]
    if embedded.id3_count:
        documents.append(f"{embedded.id3_count} ID3 chunks (shown by --json only as a count; never evidence)")
    if embedded.chna is not None:
        documents.append(f"chna with {embedded.chna.tracks} tracks")
    if documents:
        yield ""
        yield "Also inside: " + "; ".join(documents)


def _bext_lines(bext: Bext) -> Iterator[str]:
    yield ""
    yield f"bext (version {bext.version})"
    for label, value in (
        ("description", bext.description),
        ("originator", bext.originator),
        ("originator reference", bext.originator_reference),
        ("origination", f"{bext.origination_date} {bext.origination_time}".strip()),
    ):
        yield _line(label, _shown(value) if value else "(empty)")
    yield _line("time reference", f"{bext.time_reference} frames since midnight")
    yield _line("UMID", bext.umid.hex() if bext.umid_is_valid else "none")
    loudness = (
        ("loudness", bext.loudness_value, "LUFS"), ("loudness range", bext.loudness_range, "LU"),
        ("max true peak", bext.max_true_peak, "dBTP"), ("max momentary", bext.max_momentary, "LUFS"),
        ("max short-term", bext.max_short_term, "LUFS"),
    )  # fmt: skip
    for label, figure, unit in loudness:
        yield _line(label, f"{figure} {unit}" if figure is not None else "not measured")
