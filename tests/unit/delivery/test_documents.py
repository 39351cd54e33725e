"""JSON documents that leave the house: what cannot be quoted is refused, by our own error. RFC 8259, 8.2."""

from __future__ import annotations

import json

import pytest

from provpack.errors import InputProblem, RecordProblem
from provpack.package.documents import document_bytes, parse_document
from provpack.package.healnote import as_bytes


def test_a_document_comes_back() -> None:
    value = {"ä": ["\U0001f600", None, 1.5, {"b": True}]}
    assert parse_document(document_bytes(value), "x") == value


def test_half_characters_are_neither_written_nor_read() -> None:
    with pytest.raises(RecordProblem) as caught:
        document_bytes({"title": "a" * 100 + "\ud800"})
    assert caught.value.code == "document-half-character" and r"\ud800" in caught.value.where
    with pytest.raises(InputProblem):
        parse_document(b'{"title": "\\ud800"}', "x")


def test_a_healing_record_says_them_in_escapes() -> None:
    assert as_bytes({"a": "ä"}) == '{\n "a": "ä"\n}\n'.encode()
    made = as_bytes({"record_id": "\ud800 ä"})
    assert made.isascii() and json.loads(made) == {"record_id": "\ud800 ä"}


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b'{"a": "\xff"}', "not UTF-8"),
        ('{"a": 1}'.encode("utf-16"), "not UTF-8"),
        (b'{"a": 1, "b": {"c": 1, "c": 2}}', "c"),
        (b'{"a": NaN}', "NaN"),
        (b'{"a": -Infinity}', "Infinity"),
        (b'{"a": 1e400}', "1e400"),
        (b'{"a": 1', "it is no JSON (line 1, column 8)"),
        (b"[1]", "it is no JSON object"),
        (b'{"a":' * 100_000, "nested too deeply"),
        (b"[" * 100_000 + b"]" * 100_000, "nested too deeply"),
    ],
)
def test_what_two_readers_could_read_differently_is_refused(data: bytes, why: str) -> None:
    """RFC 8259 sections 4 (names given twice), 6 (no NaN), 8.1 (UTF-8); I-JSON (RFC 7493) section 2."""
    with pytest.raises(InputProblem) as caught:
        parse_document(data, "receipt.json")
    assert (caught.value.code, caught.value.where) == ("document-unreadable", "receipt.json")
    assert why in caught.value.what
