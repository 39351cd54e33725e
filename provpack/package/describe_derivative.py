"""What a derivative says of itself: coding-history row, bext, INFO entries, Vorbis comments.

A derivative is found apart from its package more often than a master, so it names its parent by the digest
of the master's audio, and the record by its id.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from provpack.chunks.bext import Bext
from provpack.chunks.history import CodingRow
from provpack.model.rates import rate_to_json
from provpack.package.describe import ascii_text, build_bext_fields, build_info_entries, coding_mode, name_of
from provpack.package.words import FILE_EMPHASIS_WORDS

Record = Mapping[str, Any]
DESCRIPTION_SIZE = 256
"""bytes of bext Description (EBU Tech 3285 v2 section 2.3)"""


def build_derivative_row(
    record: Record, *, header_rate: int, channels: int, done: Sequence[str], parent: str
) -> CodingRow:
    """The row that follows the master's (EBU R 98: each process appends one; the last row describes the
    file as it is). done: what was done, in words; parent: SHA-256 of the audio of the master."""
    use = str((record.get("signal") or {}).get("channel_use") or "")
    made_by = record.get("made_by") or {}
    words = (
        *done,
        "24 bits without dither",
        f"made from the master with audio SHA-256 {parent}",
        f"{made_by.get('tool', 'provpack')} {made_by.get('version', '')}".strip(),
    )
    return CodingRow(
        algorithm="PCM",
        frequency=header_rate,
        word_length=24,
        mode=coding_mode(use, channels),
        text="; ".join(ascii_text(w).replace(",", ";") for w in words),
    )


def build_derivative_bext(
    record: Record, *, rate: Fraction, history: str, master: str, emphasis: str
) -> Bext:
    """bext v2 of a derivative: as the master's (master: its name as handed in), so that both lie on one time
    line, but for the description, the coding history, and loudness, which was not measured on it.

    emphasis: file_emphasis of the derivative. OriginatorReference is the id of the record, which lists both.
    """
    fields = build_bext_fields(record, rate=rate, history=history, master=master)
    item = record.get("item") or {}
    state = FILE_EMPHASIS_WORDS.get(emphasis, "unknown")
    ids = (("item", item.get("client_item_id")), ("job", record.get("job_id")))
    names = [f"{label} {ascii_text(str(value))[:44]}" for label, value in ids if value]
    said = [
        f"emphasis in this file: {state}",
        "derivative; the master and its record are in the same package",
    ]
    rest = "".join(f"; {part}" for part in (*names, *said))
    title = ascii_text(str(item.get("title") or "untitled"))[: DESCRIPTION_SIZE - len(rest)]
    return replace(fields, description=title + rest)


def build_derivative_info(record: Record, *, parent: str, done: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """LIST INFO of a derivative: the master's entries, the comment being its own."""
    comment = f"derivative: {'; '.join(done)}; made from the master with audio SHA-256 {parent}"
    entries = dict(build_info_entries(record))
    entries["ICMT"] = ascii_text(f"{comment}; {entries.get('ICMT', '')}".strip("; "))
    return tuple(entries.items())


def build_vorbis_entries(
    record: Record, *, rate: Fraction, history: str, parent: str, done: Sequence[str], mask: int | None = None
) -> tuple[tuple[str, str], ...]:
    """Vorbis comments of a FLAC derivative, exact text in UTF-8.

    TITLE, VERSION, ORGANIZATION, DESCRIPTION, DATE: field names of the Vorbis comment recommendation (Xiph;
    from memory). MEDIA, ENCODER: common practice, no source. The rest are ours: what bext would
    have held (RFC 9639 has no place for it). mask: speaker positions, where the received file states them.
    """
    item, carrier, people = record.get("item") or {}, record.get("carrier") or {}, record.get("people") or {}
    made_by, exact = record.get("made_by") or {}, rate_to_json(rate)
    pairs = (
        ("TITLE", str(item.get("title") or "")),
        ("DATE", str(item.get("recorded_date") or "")),
        ("VERSION", "; ".join(done)),
        ("DESCRIPTION", f"Derivative: {'; '.join(done)}. The master is in the same package."),
        ("ORGANIZATION", name_of(people.get("transfer_organisation"))),
        ("ENCODER", f"{made_by.get('tool', 'provpack')} {made_by.get('version', '')}".strip()),
        ("MEDIA", str(carrier.get("carrier_type") or "")),
        ("ARCHIVAL_LOCATION", name_of(people.get("client"))),
        ("ITEM_ID", str(item.get("client_item_id") or "")),
        ("RECORD_ID", str(record["record_id"])),
        ("PARENT_AUDIO_SHA256", parent),
        ("SAMPLING_FREQUENCY", f"{exact['num']}/{exact['den']} Hz"),
        ("CODING_HISTORY", history),
        ("WAVEFORMATEXTENSIBLE_CHANNEL_MASK", f"0x{mask:04X}" if mask else ""),
    )
    return tuple((key, value) for key, value in pairs if value)
