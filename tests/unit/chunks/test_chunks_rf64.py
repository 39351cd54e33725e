"""RF64 and BW64 (EBU Tech 3306 v1.1 Annex A; ITU-R BS.2088-2), and files that break them (traps 6 and 7)."""

from __future__ import annotations

import struct

import pytest
from unit.chunks.wavbytes import AUDIO, FMT, U32, chunk, ds64, rf64, riff, rule_ids, walk

F = chunk(b"fmt ", FMT)
D = chunk(b"data", AUDIO, size=U32)


@pytest.mark.parametrize("form", [b"RF64", b"BW64"])
def test_a_small_64_bit_file(form: bytes) -> None:
    layout = walk(rf64(F, D, form=form))
    assert layout.findings == ()
    assert layout.form == form.decode()
    assert layout.declared_size == layout.file_size - 8
    assert layout.data is not None
    assert (layout.data.size, layout.data.declared_size) == (40, 40)
    assert layout.ds64 is not None
    assert (layout.ds64.data_size, layout.ds64.sample_count, layout.ds64.table) == (40, 10, ())


def test_real_32_bit_sizes_are_used_and_flagged() -> None:
    layout = walk(riff(ds64(112, 40, 10), F, chunk(b"data", AUDIO), form=b"RF64"))
    assert rule_ids(layout) == ["wav-real-size-in-rf64", "wav-real-size-in-rf64"]
    assert layout.frames == 10


@pytest.mark.parametrize(
    ("wide", "field", "frames"),
    [
        (36, 40, 10),  # the 32-bit field is real and differs
        ((1 << 32) + 40, 40, 10),  # low words agree, but ds64 speaks of more than the file has
        (U32 + 41, 40, 10),
    ],
)
def test_ds64_and_32_bit_size_disagree(wide: int, field: int, frames: int) -> None:
    layout = walk(riff(ds64(112, wide, 10), F, chunk(b"data", AUDIO, size=field), form=b"RF64", size=U32))
    assert rule_ids(layout) == ["wav-real-size-in-rf64", "wav-ds64-size-differs"]
    assert layout.frames == frames


def test_sample_count_is_compared_in_rf64_only() -> None:
    layout = walk(rf64(F, D, samples=41_745))
    assert rule_ids(layout) == ["wav-sample-count-wrong"]
    assert layout.frames == 10
    assert walk(rf64(F, D, samples=0, form=b"BW64")).findings == ()


def test_rf64_without_ds64() -> None:
    layout = walk(riff(F, D, form=b"RF64", size=U32))
    assert rule_ids(layout) == ["wav-data-size-unset", "wav-ds64-missing"]
    assert layout.frames == 10


def test_ds64_not_first_still_counts() -> None:
    layout = walk(riff(F, ds64(112, 40, 10), D, form=b"RF64", size=U32))
    assert rule_ids(layout) == ["wav-ds64-not-first"]
    assert layout.frames == 10


def test_short_ds64_and_second_ds64() -> None:
    short = riff(chunk(b"ds64", bytes(20)), F, D, form=b"RF64", size=U32)
    assert rule_ids(walk(short)) == ["wav-ds64-malformed", "wav-data-size-unset", "wav-ds64-missing"]
    twice = rf64(ds64(1, 2, 3), F, D)
    assert walk(twice).frames == 10
    assert walk(twice).findings == ()


def test_table_gives_the_size_of_another_chunk() -> None:
    table = struct.pack("<4sQ", b"iXML", 6) + struct.pack("<4sQ", b"iXML", 2)
    parts = (chunk(b"iXML", b"<abc/>", size=U32), chunk(b"iXML", b"ab", size=U32), chunk(b"abcd", b"wxyz"))
    total = 4 + len(ds64(0, 0, 0, table)) + sum(map(len, (F, D, *parts)))
    layout = walk(riff(ds64(total, 40, 10, table), F, D, *parts, form=b"RF64", size=U32))
    assert layout.findings == ()
    assert [c.declared_size for c in layout.chunks[3:]] == [6, 2, 4]


def test_table_longer_than_its_chunk() -> None:
    table = struct.pack("<4sQ", b"iXML", 6)
    total = 4 + 48 + len(F) + len(D)
    layout = walk(riff(ds64(total, 40, 10, table, entries=0xFFFFFFF0), F, D, form=b"RF64", size=U32))
    assert rule_ids(layout) == ["wav-ds64-malformed"]
    assert layout.ds64 is not None
    assert layout.ds64.table == ((b"iXML", 6),)


def test_ds64_size_beyond_the_file_is_a_cut_capture() -> None:
    layout = walk(rf64(F, D, data_size=1 << 62))
    assert rule_ids(layout)[0] == "wav-data-cut-short"
    assert layout.frames == 10


def test_ds64_never_filled_in_is_an_interrupted_recording() -> None:
    layout = walk(riff(ds64(0, 0, 0), F, D, form=b"RF64", size=U32))
    assert "wav-interrupted" in rule_ids(layout)
    assert layout.frames == 0


def test_fact_sentinel_is_lawful_in_rf64() -> None:
    fact = chunk(b"fact", struct.pack("<I", U32))
    assert walk(rf64(F, fact, D)).findings == ()
    assert walk(rf64(F, chunk(b"fact", bytes(4)), D, form=b"BW64")).findings == ()


def test_ds64_in_a_plain_riff_file_has_no_meaning() -> None:
    layout = walk(riff(ds64(1, 2, 3), F, chunk(b"data", AUDIO)))
    assert layout.findings == ()
    assert layout.ds64 is None
