"""Block digests: reading the file, blocks to frames and exact time."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

import pytest

from provpack.package.bagblocks import clock_time, parse_block_digests, ranges

GOOD: dict[str, Any] = {
    "schema_version": "1.0.0",
    "file": "data/master/x.wav",
    "file_bytes": 44 + 1000 * 4 + 7,
    "audio_offset": 44,
    "audio_bytes": 4000,
    "frame_bytes": 4,
    "frames": 1000,
    "sampling_frequency": {"num": 44_100_000, "den": 1001},
    "algorithm": "sha256",
    "block_frames": 300,
    "audio_sha256": "a" * 64,
    "head_sha256": "b" * 64,
    "tail_sha256": "c" * 64,
    "blocks": ["d" * 64] * 4,
}


def test_reads_and_spans() -> None:
    digests, why = parse_block_digests(json.dumps(GOOD).encode())
    assert digests is not None and why == ""
    assert digests.rate == Fraction(44_100_000, 1001)
    assert [digests.span(n) for n in range(4)] == [(0, 1200), (1200, 1200), (2400, 1200), (3600, 400)]


@pytest.mark.parametrize(
    "change",
    [
        {"schema_version": "2.0.0"},
        {"algorithm": "md5"},
        {"frames": 999},
        {"frames": -1},
        {"frames": True},
        {"frames": 2**70},
        {"file_bytes": 10},
        {"blocks": ["d" * 64] * 3},
        {"blocks": ["D" * 64] * 4},
        {"blocks": None},
        {"block_frames": 0},
        {"frame_bytes": 0},
        {"sampling_frequency": {"num": 1, "den": 0}},
        {"sampling_frequency": 44100},
        {"file": None},
        {"head_sha256": ""},
        {"audio_offset": 1.5},
    ],
)
def test_what_does_not_fit_is_refused(change: dict[str, Any]) -> None:
    digests, why = parse_block_digests(json.dumps({**GOOD, **change}).encode())
    assert digests is None and why


@pytest.mark.parametrize("data", [b"", b"{", b"[]", b"\xff", b"[" * 200_000])
def test_what_is_no_object_is_refused(data: bytes) -> None:
    assert parse_block_digests(data)[0] is None


def test_exact_time() -> None:
    # computed by hand: 3600 s at 44100000/1001 Hz are 158 601 398.6 frames
    rate = Fraction(44_100_000, 1001)
    assert clock_time(158_601_398, rate) == "0:59:59.999"
    assert clock_time(158_601_399, rate) == "1:00:00.000"
    assert clock_time(158_601_399, rate, up=True) == "1:00:00.001"
    assert clock_time(0, rate) == clock_time(0, rate, up=True) == "0:00:00.000"
    assert clock_time(44100 * 36_610, Fraction(44100)) == "10:10:10.000"


def test_neighbours_are_merged() -> None:
    digests, _ = parse_block_digests(json.dumps(GOOD).encode())
    assert digests is not None
    first, last = ranges(digests, [3, 0, 1])
    assert (first.first_block, first.last_block, first.first_frame, first.last_frame) == (0, 1, 0, 599)
    assert (last.first_block, last.first_frame, last.last_frame) == (3, 900, 999)
    assert (first.start, first.end) == ("0:00:00.000", "0:00:00.014")
    assert first.sentence() == "blocks 0-1, frames 0-599, 0:00:00.000 to 0:00:00.014"


def test_neighbours_are_one_range_wherever_they_lie() -> None:
    digests, _ = parse_block_digests(
        json.dumps(GOOD | {"block_frames": 100, "blocks": ["d" * 64] * 10}).encode()
    )
    assert digests is not None
    found = ranges(digests, [9, 1, 6, 5, 3, 2])
    assert [(r.first_block, r.last_block, r.first_frame, r.last_frame) for r in found] == [
        (1, 3, 100, 399), (5, 6, 500, 699), (9, 9, 900, 999),
    ]  # fmt: skip
