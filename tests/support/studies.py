"""Records with everything that is made of them, for the tests of the mapping table."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from provpack.chunks.bext import build_bext, parse_bext
from provpack.chunks.history import CodingRow, format_history, parse_history
from provpack.chunks.info import build_info, parse_info
from provpack.chunks.markers import build_adtl, build_cue, markers
from provpack.model.rates import rate_from_json
from provpack.package.audio_object import build_audio_object
from provpack.package.describe import (
    build_bext_fields,
    build_coding_rows,
    build_info_entries,
    build_markers,
)
from provpack.package.dublincore import build_dublin_core
from provpack.package.mets import build_mets
from provpack.package.premis import build_premis
from provpack.xmldoc import parse_untrusted
from support.mapped import Study
from support.metadata import OTHERS

Record = Mapping[str, Any]


def roots_of(record: Record) -> dict[str, Any]:
    """The XML documents, written and read back."""
    files = record["files"]
    made = {
        "premis": build_premis(record, files=files),
        "mets": build_mets(record, files, others=OTHERS),
        "aes57": build_audio_object(record, files),
        "dc": build_dublin_core(record, files),
    }
    return {k: None if v is None else parse_untrusted(v, where=k) for k, v in made.items()}


def named_rows(record: Record, rows: tuple[CodingRow, ...]) -> dict[str, CodingRow]:
    """Rows of a master's coding history by what they tell of; the file's own former rows lie between."""
    analogue = record["interface"].get("interface_type") == "analogue" and len(rows) > 2
    named = {"tape row": rows[0], "capture row": rows[-1]}
    return {**named, "analogue row": rows[1]} if analogue else named


def study_of(name: str, record: Record) -> Study:
    """All documents and chunks of a record, each written to bytes and read back by our own readers."""
    roots, measured = roots_of(record), record.get("measured")
    master = next((f for f in record["files"] if f["role"] == "master"), None)
    if master is None or not measured:
        return Study(name=name, record=record, roots=roots)
    rate = rate_from_json(record["signal"]["sampling_frequency"])
    return Study(
        name=name, record=record, roots=roots, **_chunks(record, rate, str(master.get("original_name")))
    )


def _chunks(record: Record, rate: Fraction, handed_in: str) -> dict[str, Any]:
    measured = record["measured"]
    rows = build_coding_rows(
        record,
        received=(),
        header_rate=record["signal"].get("header_sampling_frequency_hz") or round(rate),
        word_length=measured["container_bits"],
        channels=measured["channels"],
    )
    fields = build_bext_fields(record, rate=rate, history=record["coding_history"] or "", master=handed_in)
    bext, _ = parse_bext(build_bext(fields))
    info, _ = parse_info(build_info(build_info_entries(record)))
    history, _ = parse_history(format_history(rows))
    made, _ = build_markers(record, received=(), frames=measured["frames"])
    return {
        "bext": bext,
        "info": dict(info),
        "history": named_rows(record, history),
        "markers": markers(build_cue(made), build_adtl(made)),
    }
