"""Records and invented file lists for the tests of metadata documents, and texts that are hard to write."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from provpack.package.mets import PackedFile

TESTS = Path(__file__).resolve().parents[1]
RECORDS = sorted((TESTS / "unit" / "report" / "records").glob("*.json")) + sorted(
    (TESTS / "cases" / "records" / "valid").glob("*.json")
)
OTHERS = tuple(
    PackedFile(path=path, bytes=1000 + n, sha512=f"{n:0128x}", media_type=media)
    for n, (path, media) in enumerate(
        (
            ("data/metadata/record.json", "application/json"),
            ("data/metadata/measurements.json", "application/json"),
            ("data/metadata/premis.xml", "application/xml"),
            ("data/metadata/audio-object.xml", "application/xml"),
            ("data/metadata/dublin-core.xml", "application/xml"),
            ("data/report/index.html", "text/html"),
            ("READ-ME-FIRST.txt", "text/plain"),
        )
    )
)
HOSTILE = {
    "controls": "a\x00b\x1bc\x08d\x7fe\x85f\ufffeg",
    "markup": "]]> <!-- & --> <?x y?> <!DOCTYPE z> \" ' &#0; &lt;",
    "long": "x y " * 5000,
    "direction": "\u202egnol si siht\u202c \u05e9\u05b8\u05c1\u05dc\u05d5\u05b9\u05dd \u0639\u064e\u0631",
    "lone surrogate": json.loads('"left \\ud800 alone"'),
    "lines": "first\r\nsecond\tthird\u2028third",
    "blank": " ",
}
"""What people and programs put into free text; XML 1.0 section 2.2 and 2.4 make them hard."""
FREE = frozenset(
    [
        "title",
        "note",
        "outcome_note",
        "label_transcription",
        "carrier_stock",
        "condition_note",
        "carrier_id",
        "client_item_id",
        "operator",
        "qc_by",
        "transfer_organisation",
        "client",
        "deck_make_model",
        "deck_serial",
        "capture_software",
        "access_restriction",
        "personal_data_note",
        "reason",
        "from",
        "to",
        "agent",
        "by",
        "job_id",
        "transfer_id",
        "carrier_type_note",
        "channel_use_note",
        "chain_id",
        "signature_ref",
        "original_name",
        "rate_label_note",
        "tracking_note",
    ]
)
"""Fields of the record that hold free text."""


def load(path: Path) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return data


def changed(value: Any, change: Callable[[str, str], str], key: str = "") -> Any:
    """A copy with every text run through change(key, text)."""
    if isinstance(value, dict):
        return {k: changed(v, change, k) for k, v in value.items()}
    if isinstance(value, list):
        return [changed(v, change, key) for v in value]
    return change(key, value) if isinstance(value, str) else value


def hostile(record: dict[str, Any], text: str) -> dict[str, Any]:
    """The record with one hard text in every field of free text."""
    made: dict[str, Any] = changed(record, lambda key, said: text if key in FREE else said)
    return made


def rich() -> dict[str, Any]:
    """The fullest of the records at hand."""
    return copy.deepcopy(load(next(p for p in RECORDS if p.stem == "pcm-14-bit")))


def strange() -> dict[str, Any]:
    """A valid record that holds what the others lack."""
    record = rich()
    record["carrier"] |= {
        "carrier_type": "other",
        "carrier_type_note": "open reel, half inch",
        "recording_format": "other",
        "recording_format_note": "experimental, 12 bit",
        "line_standard": "625_50",
    }
    record["signal"] |= {
        "sampling_frequency": {"num": 32000, "den": 1},
        "channel_use": "other",
        "channel_use_note": "sum and difference",
        "channel_polarity": "inverted_r",
    }
    record["interface"] |= {
        "interface_type": "other",
        "interface_type_note": "parallel words",
        "cs_copy": "asserted",
    }
    record["deck"] |= {"picture_processing": ["other"], "picture_processing_note": "a comb filter"}
    record["rights"] |= {"rights_basis": "licensed"}
    record["custody"]["custody_events"][0]["note"] = "came in a shoe box"
    record["measured"] |= {
        "duration_s": 38500000 / 32000,
        "events_detected": [
            {
                "type": "mute",
                "start": 7000,
                "length": 90,
                "channel": 1,
                "confidence": 0.75,
                "note": "hard edge",
            }
        ],
        "events_left_out": 41,
    }
    record["held_back"] = [
        {"label": "person A", "roles": ["/people/operator", "/people/qc_by"], "commitment_sha256": "c" * 64}
    ]
    record["files"].append(
        {
            **record["files"][1],
            "path": "data/derivatives/extract.wav",
            "sha256": "e" * 64,
            "note": "an extract",
        }
    )
    return record
