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
