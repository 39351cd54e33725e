"""What is written is read back: single chunks, and whole planned files.

Layout of the planned file: RIFF/WAVE 1991; EBU Tech 3306 v1.1 Annex A. Fields: EBU Tech 3285 v2, EBU R 98.
"""

from __future__ import annotations

import struct
from datetime import date, time
from decimal import ROUND_HALF_UP, Decimal

from hypothesis import given, settings
from hypothesis import strategies as st

from provpack.chunks.bext import NO_UMID, Bext, build_bext, parse_bext
from provpack.chunks.history import ALGORITHMS, MODES, CodingRow, format_history, parse_history
from provpack.chunks.info import build_info, parse_info
from provpack.chunks.layout import Layout
from provpack.chunks.markers import Marker, build_adtl, build_cue, markers
from provpack.chunks.plan import (
    CopyRange,
    FormWanted,
    Literal_,
    fill_tail,
    is_replaced,
    plan_master,
    tail_size,
)
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import read_layout

ASCII = st.characters(min_codepoint=0x20, max_codepoint=0x7E)
CENT = Decimal("0.01")


def level(low: str) -> st.SearchStrategy[Decimal | None]:
    return st.none() | st.decimals(Decimal(low), Decimal("99.99"), places=2)


def text(limit: int) -> st.SearchStrategy[str]:
    return st.text(ASCII, max_size=limit)


rows = st.lists(
    st.builds(
        CodingRow,
        algorithm=st.sampled_from(ALGORITHMS),
        frequency=st.none() | st.integers(1, 400_000),
        bit_rate=st.none() | st.integers(1, 400),
        word_length=st.none() | st.integers(8, 32),
        mode=st.none() | st.sampled_from(MODES),
        text=st.text(
            st.characters(min_codepoint=0x21, max_codepoint=0x7E, exclude_characters=","), max_size=60
        ),
    ),
    max_size=6,
)


@given(rows)
def test_history(items: list[CodingRow]) -> None:
    assert parse_history(format_history(items)) == (tuple(items), ())


@given(
    st.builds(
        Bext,
        description=text(256),
        originator=text(32),
        originator_reference=text(32),
        origination_date=st.dates(date(1, 1, 1)).map(date.isoformat),
        origination_time=st.times().map(lambda t: time.isoformat(t, "seconds")),
        time_reference=st.integers(0, 2**64 - 1),
        umid=st.just(NO_UMID) | st.binary(min_size=60, max_size=60).map(lambda b: b"\x06\x0a\x2b\x34" + b),
        loudness_value=level("-99.99"),
        loudness_range=level("0"),
        max_true_peak=level("-99.99"),
        max_momentary=level("-99.99"),
        max_short_term=level("-99.99"),
        coding_history=rows.map(format_history),
    )
)
def test_bext(bext: Bext) -> None:
    values = (
        bext.loudness_value,
        bext.loudness_range,
        bext.max_true_peak,
        bext.max_momentary,
        bext.max_short_term,
    )
    body = build_bext(bext)
    back, findings = parse_bext(body)
    if all(v is not None and v == 0 for v in values):
        assert [f.rule for f in findings] == ["wav-loudness-all-zero"]
        return
    assert back == bext
    assert findings == ()
    assert len(body) == (602 + len(bext.coding_history) + 1) // 2 * 2


@given(st.decimals(Decimal("-99.99"), Decimal("99.99"), allow_nan=False))
def test_loudness_rounding(value: Decimal) -> None:
    (word,) = struct.unpack("<h", build_bext(Bext(loudness_value=value))[412:414])
    assert Decimal(word) / 100 == value.quantize(CENT, rounding=ROUND_HALF_UP)


@given(st.dictionaries(st.from_regex(r"I[A-Z0-9]{3}", fullmatch=True), text(40), max_size=8))
def test_info(entries: dict[str, str]) -> None:
    assert parse_info(build_info(entries.items())) == (tuple(entries.items()), ())


@given(
    st.lists(
        st.builds(
            Marker,
            id=st.integers(0, 2**32 - 1),
            frame=st.integers(0, 2**32 - 1),
            label=text(40),
            note=st.none() | text(40),
            length=st.none() | st.integers(0, 2**32 - 1),
        ),
        max_size=6,
        unique_by=lambda m: m.id,
    )
)
def test_markers(items: list[Marker]) -> None:
    assert markers(build_cue(items), build_adtl(items)) == tuple(items)


# -- the planned file --------------------------------------------------------------------------------

IDS = st.sampled_from(
    [b"iXML", b"cart", b"JUNK", b"cue ", b"ID3 ", b"axml", b"FLLR", b"levl", b"abcd", b"x12 "]
)
others = st.lists(st.tuples(IDS, st.binary(max_size=40)), max_size=5)


def padded(chunk_id: bytes, body: bytes) -> bytes:
    return chunk_id + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def body_of(source: bytes, layout: Layout, replaced: bool) -> list[tuple[bytes, bytes]]:
    return [
        (c.id, source[c.data_offset : c.data_offset + c.size])
        for c in layout.chunks
        if is_replaced(c) == replaced and c.id not in (b"fmt ", b"data")
    ]


@settings(max_examples=300, deadline=None)
@given(
    before=others,
    middle=others,
    after=others,
    channels=st.integers(1, 8),
    bits=st.integers(8, 32),
    frames=st.integers(1, 30),
    new=st.lists(st.tuples(st.sampled_from([b"bext", b"abcd"]), st.binary(max_size=30)), max_size=2),
    tail=st.lists(
        st.tuples(
            st.sampled_from([b"LIST", b"axml"]),
            st.binary(min_size=4, max_size=30).filter(lambda body: body[:4] != b"wavl"),  # audio in segments
        ),
        max_size=3,
    ),
    spare=st.integers(0, 20),
    form=st.sampled_from(["auto", "RF64", "BW64"]),
)
def test_a_planned_file_walks_clean_and_carries_every_byte(
    before: list[tuple[bytes, bytes]],
    middle: list[tuple[bytes, bytes]],
    after: list[tuple[bytes, bytes]],
    channels: int,
    bits: int,
    frames: int,
    new: list[tuple[bytes, bytes]],
    tail: list[tuple[bytes, bytes]],
    spare: int,
    form: FormWanted,
) -> None:
    align = channels * ((bits + 7) // 8)
    fmt = struct.pack("<HHIIHH", 1, channels, 44056, 44056 * align, align, bits)
    audio = bytes(n % 251 for n in range(frames * align))
    parts = [*before, (b"fmt ", fmt), *middle, (b"data", audio), *after]
    content = b"WAVE" + b"".join(padded(*p) for p in parts)
    source = b"RIFF" + struct.pack("<I", len(content)) + content
    layout = read_layout(BytesSource(source))
    assert layout.findings == ()

    budget = tail_size([(i, len(b)) for i, b in tail]) + 2 * spare
    plan = plan_master(layout, before=tuple(new), after_budget=budget, form_wanted=form)
    made = b"".join(
        s.data if isinstance(s, Literal_)
        else source[s.offset : s.offset + s.size] if isinstance(s, CopyRange)
        else fill_tail(plan, tuple(tail))
        for s in plan.segments
    )  # fmt: skip
    assert len(made) == plan.total_size

    result = read_layout(BytesSource(made))
    assert result.findings == ()
    assert result.form == ("RIFF" if form == "auto" else form)
    assert result.frames == frames
    assert made[plan.data_offset : plan.data_offset + plan.data_size] == audio
    found = [(c.id, made[c.data_offset : c.data_offset + c.size]) for c in result.chunks]
    carried = body_of(source, layout, replaced=False)
    split = found.index((b"data", audio))
    stood_ahead = [p for p in (*before, *middle) if p in carried]
    ahead = [p for p in stood_ahead if form == "auto" or len(p[1]) % 2 == 0]
    moved = [p for p in stood_ahead if form != "auto" and len(p[1]) % 2]
    behind = [*moved, *[p for p in after if p in carried]]
    expected = [*new, (b"fmt ", fmt), *ahead, (b"data", audio), *behind, *tail]
    assert [p for p in found if p[0] not in (b"ds64",)][: len(expected)] == expected
    assert split >= len(new) + 1
    assert found[-1][0] == b"JUNK"
    assert [(c.id, source[c.data_offset : c.data_offset + c.size]) for c in plan.carried] == carried
