"""Reading never raises, never hangs, never believes a size: random and damaged files.

The laws checked are those of our own reader; RIFF/WAVE 1991 gives the shape of the seeds.
"""

from __future__ import annotations

import json
import struct
from decimal import Decimal
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from support.watched import Watched
from support.worktime import at_most

from provpack.chunks.bext import Bext, build_bext
from provpack.chunks.embedded import read_embedded
from provpack.chunks.info import build_info
from provpack.chunks.lists import chunk_bytes
from provpack.chunks.markers import Marker, build_adtl, build_cue
from provpack.chunks.plan import plan_master
from provpack.chunks.walk import read_layout
from provpack.errors import ProvpackError
from provpack.jobs.inspect import inspect_file

FMT = struct.pack("<HHIIHH", 1, 2, 44056, 176224, 4, 16)
EXTENSIBLE = (
    struct.pack("<HHIIHHHHI", 0xFFFE, 1, 48000, 144000, 3, 24, 22, 20, 4)
    + bytes.fromhex("0100000000001000800000AA00389B71")
)  # fmt: skip
BEXT = build_bext(
    Bext(
        description="x",
        origination_date="2025-03-04",
        loudness_value=Decimal(-23),
        coding_history="A=PCM,F=44056,W=16,M=stereo,T=x\r\n",
    )
)
MARKS = (Marker(id=1, frame=1, label="a", note="b", length=2), Marker(id=2, frame=3, label="c"))
BODY = b"".join(
    (
        chunk_bytes(b"bext", BEXT),
        chunk_bytes(b"iXML", b"<BWFXML><BWF_TIME_REFERENCE_LOW>-4</BWF_TIME_REFERENCE_LOW></BWFXML>"),
        chunk_bytes(b"chna", struct.pack("<HH", 1, 1) + bytes(40)),
        chunk_bytes(b"data", bytes(range(60))),
        chunk_bytes(b"LIST", build_info([("INAM", "abc"), ("ICMT", "d")])),
        chunk_bytes(b"cue ", build_cue(MARKS)),
        chunk_bytes(b"LIST", build_adtl(MARKS)),
        chunk_bytes(b"axml", b'<a><t xmlns="urn:provpack:record:1">{}</t></a>'),
        chunk_bytes(b"fact", struct.pack("<I", 15)),
    )
)


def seed(form: bytes, fmt: bytes) -> bytes:
    ds64 = b"" if form in (b"RIFF", b"RIFX") else chunk_bytes(b"ds64", struct.pack("<QQQI", 0, 60, 15, 0))
    body = b"WAVE" + ds64 + chunk_bytes(b"fmt ", fmt) + BODY
    return form + struct.pack("<I", len(body)) + body


SEEDS = [seed(form, fmt) for form in (b"RIFF", b"RF64", b"BW64", b"RIFX") for fmt in (FMT, EXTENSIBLE)]
SEEDS.append(
    b"fLaC\0\0\0\x22" + bytes(10) + ((44056 << 44) | (1 << 41) | (15 << 36)).to_bytes(8, "big") + bytes(16)
    + b"\x84\0\0\x1a" + struct.pack("<I", 2) + b"ab" + struct.pack("<II", 1, 8) + b"TITLE=ab" + bytes(4)
)  # fmt: skip
WORDS = [
    b"\xff\xff\xff\xff",
    bytes(4),
    b"\x01\0\0\0",
    b"data",
    b"fmt ",
    b"LIST",
    b"ds64",
    b"\0\xf0\xff\x7f",
    b"bext",
]


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    data = bytearray(draw(st.sampled_from(SEEDS)))
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, max(len(data) - 1, 0)))
        match draw(st.integers(0, 4)):
            case 0:
                data[at : at + 1] = bytes([draw(st.integers(0, 255))])
            case 1:
                word = draw(st.sampled_from(WORDS))
                data[at : at + 4] = word
            case 2:
                del data[at : at + draw(st.integers(1, 40))]
            case 3:
                data[at:at] = draw(st.binary(max_size=12))
            case _:
                del data[at:]
    return bytes(data)


def examine(data: bytes) -> None:
    source = Watched(data)
    layout = read_layout(source, "x.wav")
    assert source.reads <= 40 + 8 * len(layout.chunks) + 512
    end = 12
    for chunk in layout.chunks:
        assert chunk.offset >= end
        end = chunk.data_offset + chunk.size
        assert end <= len(data)
        assert chunk.size <= chunk.declared_size
    if layout.form:
        assert 0 <= layout.trailing_bytes <= len(data)
    if layout.data:
        assert layout.data.offset + layout.data.size <= len(data)
        assert layout.format is None or layout.data.size % layout.format.frame_bytes == 0 or (
            layout.format.encoding == "other"
        )  # fmt: skip
    assert (layout.format is None or layout.data is None) <= any(
        f.severity == "error" for f in layout.findings
    )
    read_embedded(source, layout)
    plain: dict[str, Any] = inspect_file(source, "x.wav").as_json()
    assert json.loads(json.dumps(plain)) == plain
    assert all(f["what"] and f["where"] and f["todo"] for f in plain["findings"])
    try:
        plan = plan_master(layout, after_budget=64)
    except ProvpackError as refusal:
        assert refusal.todo
    else:
        assert plan.data_size == (layout.data.size if layout.data else -1)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=400))
def test_random_bytes(data: bytes) -> None:
    with at_most(2):
        examine(data)


@settings(max_examples=200, deadline=None)
@given(st.sampled_from([b"RIFF", b"RF64", b"BW64", b"RIFX"]), st.binary(max_size=300))
def test_random_bytes_behind_a_header(form: bytes, data: bytes) -> None:
    with at_most(2):
        examine(form + b"\xff\xff\xff\xffWAVE" + data)


@settings(max_examples=600, deadline=None)
@given(damaged())
def test_damaged_files(data: bytes) -> None:
    with at_most(2):
        examine(data)
