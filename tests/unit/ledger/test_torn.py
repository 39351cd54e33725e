"""Which bytes a power cut may leave of an append: every beginning of a line of ours, and not much else."""

from __future__ import annotations

import json
import time

import pytest

from provpack.package.ledgerchain import NO_PREVIOUS
from provpack.package.ledgertorn import LONGEST_FIRST, LONGEST_LINE, may_be_torn

DIGEST = "ab" * 64
ENTRY = {
    "at": "2031-06-10T12:00:00+02:00",
    "findings": {"error": 0, "note": 12, "warning": 3},
    "equipment_ids": ["DECK-1", 'a "quoted" one', "back\\slash\\\\", "[{]}"],
    "kind": "note",
    "n": 1204,
    "note": "größe \U0001f50a \x07\n\t\u2028 \\u12 \\",
    "outcome": None,
    "yes": True,
    "no": False,
    "previous": DIGEST,
    "tool": "provpack",
}


def written(entry: dict[str, object]) -> bytes:
    """As edge/ledger writes a line."""
    return json.dumps(entry, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()


def test_every_beginning_of_a_line_may_be_torn() -> None:
    line = written(ENTRY)
    for size in range(1, len(line) + 1):
        for zeros in (b"", b"\0" * 3):
            assert may_be_torn(line[:size] + zeros, 1203, DIGEST), line[:size]
    first = written(ENTRY | {"n": 1, "previous": NO_PREVIOUS})
    assert all(may_be_torn(first[:size], 0, NO_PREVIOUS) for size in range(1, len(first) + 1))


def test_out_of_its_place_it_may_not() -> None:
    line = written(ENTRY)
    number, previous = line.index(b'"n":1204,') + 6, line.index(DIGEST.encode()) + 1
    for size in range(1, len(line) + 1):
        assert may_be_torn(line[:size], 7000, DIGEST) == (size < number - 1), line[:size]
        assert may_be_torn(line[:size], 1203, "cd" * 64) == (size < previous), line[:size]


@pytest.mark.parametrize("at", [0, 1, 5, 60, 150, 200])
def test_another_byte_in_it_is_no_beginning(at: int) -> None:
    line = written(ENTRY)[:300]
    for new in (b"\0", b"\n", b"\x1b", b"\xff"):
        assert not may_be_torn(line[:at] + new + line[at + 1 :], 1203, DIGEST)


@pytest.mark.parametrize("end", [b"\\u12x4", b"\\u123g ...", b"\\uD83D\\uzz"])
def test_an_escape_that_json_does_not_have_is_no_beginning(end: bytes) -> None:
    """RFC 8259 section 7: four hex digits follow a \\u."""
    assert not may_be_torn(b'{"at":"a' + end + b'"', 1203, DIGEST)
    assert may_be_torn(b'{"at":"a\\u12', 1203, DIGEST)


@pytest.mark.parametrize(
    "rest",
    [
        b'{"a":"' + b"x" * LONGEST_LINE,
        b'{"a":"' + b'\\"' * (LONGEST_LINE // 2 - 10),
        b'{"a":[' + b"1," * (LONGEST_LINE // 2 - 10),
        b"{" * LONGEST_LINE,
        b'{"a":' * 100_000,
        b'"' * LONGEST_LINE,
        b'{"' + b'":"' * 300_000,
    ],
    ids=["long", "escapes", "numbers", "braces", "deep", "quotes", "colons"],
)
def test_hostile_ends_are_judged_soon(rest: bytes) -> None:
    begun = time.process_time()
    for number, digest in ((0, NO_PREVIOUS), (1203, DIGEST)):
        told = may_be_torn(rest, number, digest)
        assert not told or len(rest) <= (LONGEST_LINE if number else LONGEST_FIRST)
    assert time.process_time() - begun < 10
