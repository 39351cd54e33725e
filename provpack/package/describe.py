"""From the record to what is embedded in the master: bext fields, coding history, INFO entries, markers.

Everything here is declared or copied, save the loudness that bext has room for. bext and INFO hold ASCII
only (EBU Tech 3285 v2 section 2.3; RIFF-1991 states no character set for INFO), so text is spelled in ASCII
there and kept exactly in the record.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from provpack.chunks.bext import Bext
from provpack.chunks.history import CodingRow
from provpack.chunks.markers import Marker

if TYPE_CHECKING:
    from provpack.measure.loudness import Loudness
from provpack.package.words import EMPHASIS_WORDS, FILE_EMPHASIS_WORDS, FORMAT_WORDS, STANDARD_WORDS

Record = Mapping[str, Any]
NO_UMID = bytes(64)
MAX_MARKER_FRAME = 0xFFFFFFFF
# Letters and signs that Unicode decomposition does not take apart.
_SPELLINGS = dict(zip("µμøØłŁ–—‘’“”×đĐ", "uuoOlL--''\"\"xdD", strict=True)) | {
    "ß": "ss",
    "æ": "ae",
    "Æ": "AE",
    "œ": "oe",
    "Œ": "OE",
    "…": "...",
    "þ": "th",
    "ð": "d",
}


def ascii_text(text: str) -> str:
    """The nearest ASCII spelling: accents taken off, the micro sign as `u`, what is left as `?`;
    line breaks and other control characters become spaces."""
    out = []
    for c in "".join(_SPELLINGS.get(c, c) for c in text):
        for d in unicodedata.normalize("NFKD", c):
            if " " <= d <= "~":
                out.append(d)
            elif unicodedata.combining(d):
                continue
            elif d.isspace() or unicodedata.category(d) == "Cc":
                out.append(" ")
            else:
                out.append("?")
    return " ".join("".join(out).split())


def name_of(agent: object) -> str:
    """The name of an agent that is either plain text or an object with a name."""
    if isinstance(agent, Mapping):
        return str(agent.get("name") or agent.get("role") or "")
    return str(agent or "")


def start_of(record: Record, master: str) -> datetime | None:
    """When the capture of the master began, in the declared zone; None when nobody wrote it down.

    That is the start of the pass which left the file (master: its name as handed in); of an assembled file,
    of the pass its first frame comes from; where neither can be told, of the earliest pass.
    """
    processing = record.get("processing") or {}
    passes = [p for p in processing.get("passes") or [] if isinstance(p, Mapping)]
    parts = [part for part in processing.get("assembly") or [] if isinstance(part, Mapping)]
    first = min(parts, key=lambda part: int(part["target_start"]), default=None)
    chosen = [p for p in passes if first is not None and p.get("n") == first["pass_n"]]
    chosen = chosen or [p for p in passes if p.get("file") == master] or passes
    starts = [datetime.fromisoformat(p["started_at"]) for p in chosen if p.get("started_at")]
    # Zones may differ, so text does not sort by time; a time without a zone can only stand among its like.
    if len({start.tzinfo is None for start in starts}) > 1:
        starts = starts[:1]
    return min(starts, default=None)


def build_bext_fields(record: Record, *, rate: Fraction, history: str, master: str) -> Bext:
    """bext v2 of the master, handed in under the name `master`. TimeReference counts frames since local
    midnight at the exact rate."""
    start = start_of(record, master)
    seconds = (start.hour * 3600 + start.minute * 60 + start.second) if start else 0
    return Bext(
        description=_description(record),
        originator=ascii_text(name_of((record.get("people") or {}).get("transfer_organisation")))[:32],
        originator_reference=str(record["record_id"]).replace("-", "")[:32],
        origination_date=start.strftime("%Y-%m-%d") if start else "",
        origination_time=start.strftime("%H:%M:%S") if start else "",
        time_reference=int(seconds * rate),
        version=2,
        umid=NO_UMID,
        loudness_value=None,
        loudness_range=None,
        max_true_peak=None,
        max_momentary=None,
        max_short_term=None,
        coding_history=history,
    )


def with_loudness(bext: Bext, loudness: Loudness) -> Bext:
    """bext with the loudness of the file as it is (EBU Tech 3285 v2 section 2.3), to a hundredth.

    What is None there, or beyond what the field can say (+-99.99), stays "not measured".
    """

    def hundredths(value: float | None) -> Decimal | None:
        said = None if value is None else Decimal(repr(value)).quantize(Decimal("0.01"), ROUND_HALF_UP)
        return said if said is not None and abs(said) < 100 else None

    return replace(
        bext,
        loudness_value=hundredths(loudness.integrated_lufs),
        loudness_range=hundredths(loudness.range_lu),
        max_true_peak=hundredths(loudness.max_true_peak_dbtp),
        max_momentary=hundredths(loudness.max_momentary_lufs),
        max_short_term=hundredths(loudness.max_short_term_lufs),
    )


def _description(record: Record) -> str:
    """Title first, then what nobody must overlook; a long title gives way to the rest (256 characters, EBU
    Tech 3285 v2 section 2.3)."""
    item, carrier = record.get("item") or {}, record.get("carrier") or {}
    emphasis = (record.get("signal") or {}).get("file_emphasis", "unknown")
    ids = [_of("item", item.get("client_item_id")), _of("carrier", carrier.get("carrier_id"))]
    said = [
        f"emphasis in this file: {FILE_EMPHASIS_WORDS.get(str(emphasis), 'unknown')}",
        "full record in the axml chunk",
    ]
    names = [ascii_text(part)[:44] for part in (*ids, _of("job", record.get("job_id"))) if part]
    rest = "".join(f"; {part}" for part in (*names, *said))
    return ascii_text(str(item.get("title") or "untitled"))[: 256 - len(rest)] + rest


def build_coding_rows(
    record: Record, *, received: Sequence[CodingRow], header_rate: int, word_length: int, channels: int
) -> tuple[CodingRow, ...]:
    """The coding history, oldest first: the tape, what the received file already said, the capture.

    The last row describes the file as it is (EBU Tech 3285 v2 section 2.3; R 98). Emphasis has no key in
    R 98, so it stands in T= of every row where it matters.
    """
    carrier, signal = record.get("carrier") or {}, record.get("signal") or {}
    interface, capture = record.get("interface") or {}, record.get("capture") or {}
    deck, decoder = record.get("deck") or {}, record.get("decoder") or {}
    mode = coding_mode(str(signal.get("channel_use") or ""), channels)
    digital_source = (record.get("item") or {}).get("source_domain") != "analogue"
    tape_words = (
        FORMAT_WORDS.get(str(carrier.get("recording_format")), "unknown recording format"),
        STANDARD_WORDS.get(str(carrier.get("line_standard")), ""),
        f"pre-emphasis 50/15 us: {EMPHASIS_WORDS.get(str(signal.get('tape_emphasis')), 'unknown')}",
        _of("source carrier", carrier.get("carrier_id")),
        _of("deck", deck.get("deck_make_model"), deck.get("deck_serial")),
    )
    rows = [
        _row("PCM" if digital_source else "ANALOGUE",
             header_rate if digital_source else None,
             _lawful_bits(carrier.get("source_bit_depth")) if digital_source else None,
             mode, tape_words)
    ]  # fmt: skip
    if digital_source and interface.get("interface_type") == "analogue":
        words = (_of("analogue output", decoder.get("decoder_make_model"), decoder.get("decoder_serial")),)
        rows.append(_row("ANALOGUE", None, None, mode, words))
    rows += received
    rows.append(
        _row("PCM", header_rate, word_length, mode, (
            _of("decoder", decoder.get("decoder_make_model"), decoder.get("decoder_serial")),
            f"interface {interface.get('interface_type') or 'unknown'}",
            _of("capture", capture.get("capture_device_make_model"), capture.get("capture_device_serial")),
            f"clock {capture.get('clock_source') or 'unknown'}",
            f"rate conversion in path: {capture.get('src_in_path') or 'unknown'}",
            f"emphasis in this file: {FILE_EMPHASIS_WORDS.get(str(signal.get('file_emphasis')), 'unknown')}",
            str(capture.get("capture_software") or ""),
            _joined(record),
        ))
    )  # fmt: skip
    return tuple(rows)


def _joined(record: Record) -> str:
    """That the file was put together from several passes, of which this row describes the chain of one."""
    processing = record.get("processing") or {}
    parts = [part for part in processing.get("assembly") or [] if isinstance(part, Mapping)]
    numbers = sorted({int(part["pass_n"]) for part in parts})
    chains = {p.get("n"): p.get("chain_id") for p in processing.get("passes") or [] if isinstance(p, Mapping)}
    named = [f"{n} (chain {chains[n]})" if chains.get(n) else str(n) for n in numbers]
    return f"assembled bit for bit from passes {' and '.join(named)}" if named else ""


def _row(
    algorithm: str, rate: int | None, bits: int | None, mode: str | None, words: Sequence[str]
) -> CodingRow:
    text = "; ".join(ascii_text(w).replace(",", ";") for w in words if w)
    return CodingRow(
        algorithm=algorithm, frequency=rate, bit_rate=None, word_length=bits, mode=mode, text=text, extra=()
    )


def _of(label: str, *parts: object) -> str:
    known = [str(p) for p in parts if p]
    return f"{label} {' '.join(known)}" if known else ""


def _lawful_bits(bits: object) -> int | None:
    return bits if isinstance(bits, int) else None


def coding_mode(channel_use: str, channels: int) -> str | None:
    """R 98 `M=`; None where its list has no word that is true."""
    by_use = {"mono": "mono", "dual_mono": "dual-mono", "two_independent": "dual-mono", "stereo": "stereo"}
    if channels > 2 or (channels == 2 and channel_use in ("", "unknown")):
        return None
    return "mono" if channels == 1 else by_use.get(channel_use, "stereo")


def build_info_entries(record: Record) -> tuple[tuple[str, str], ...]:
    """LIST INFO by registered meaning (RIFF-1991): ICRD is the date of the recording, not of the transfer."""
    item, carrier, people = record.get("item") or {}, record.get("carrier") or {}, record.get("people") or {}
    made_by = record.get("made_by") or {}
    pairs = (
        ("INAM", str(item.get("title") or "")),
        ("ICRD", str(item.get("recorded_date") or "")),
        ("IARL", name_of(people.get("client"))),
        ("IMED", str(carrier.get("carrier_type") or "")),
        ("ISRF", FORMAT_WORDS.get(str(carrier.get("recording_format")), "")),
        ("ITCH", name_of(people.get("operator"))),
        ("ICMT", f"item {item.get('client_item_id') or '?'}; record {record['record_id']}"),
        ("ISFT", f"{made_by.get('tool', 'provpack')} {made_by.get('version', '')}".strip()),
    )
    return tuple((tag, ascii_text(text)) for tag, text in pairs if ascii_text(text))


def build_markers(
    record: Record, *, received: Sequence[Marker], frames: int
) -> tuple[tuple[Marker, ...], int]:
    """Markers for cue and adtl, and how many of the record's positions cannot be one.

    Received markers keep their ids; logged events, programme segments and signal-state ranges follow with
    ids not yet used. A position outside the file or beyond 32 bits is left to the record.
    """
    processing, signal = record.get("processing") or {}, record.get("signal") or {}
    wanted: list[tuple[int, str, str | None, int | None]] = []
    for event in processing.get("transfer_events") or []:
        if event.get("frame") is not None:
            wanted.append((event["frame"], str(event["type"]), event.get("note"), None))
    for part in (record.get("item") or {}).get("programme_segments") or []:
        title = str(part.get("title") or "programme")
        wanted.append((part["start"], title, part.get("client_item_id"), part["end"] - part["start"]))
    for stretch in signal.get("signal_state_ranges") or []:
        words = [f"{key} {stretch[key]}" for key in ("emphasis", "mode") if stretch.get(key)]
        wanted.append((stretch["start"], "; ".join(words), None, stretch["end"] - stretch["start"]))
    used = {m.id for m in received}
    out = list(received)
    number, left_out = 1, 0
    for frame, label, note, length in sorted(wanted, key=lambda w: w[0]):
        if not 0 <= frame < frames or frame > MAX_MARKER_FRAME or (length or 0) > MAX_MARKER_FRAME:
            left_out += 1
            continue
        while number in used:
            number += 1
        used.add(number)
        out.append(
            Marker(
                id=number,
                frame=frame,
                label=ascii_text(label),
                note=ascii_text(note) if note else None,
                length=length if length and length > 0 else None,
            )
        )
    return tuple(out), left_out
