"""Planning a master. Sources: RIFF/WAVE 1991; EBU Tech 3306 v1.1 Annex A (RF64, ds64 first)."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from unit.chunks.wavbytes import AUDIO, FMT, U32, chunk, rf64, riff, walk

from provpack.chunks.bext import Bext, build_bext
from provpack.chunks.info import build_info
from provpack.chunks.plan import (
    CopyRange,
    FormWanted,
    Literal_,
    MasterPlan,
    Tail,
    fill_tail,
    plan_master,
    tail_size,
)
from provpack.chunks.rules import STRUCTURE
from provpack.chunks.source import ByteSource, BytesSource
from provpack.chunks.walk import read_layout
from provpack.errors import Bug, InputProblem

F, D = chunk(b"fmt ", FMT), chunk(b"data", AUDIO)
BEXT = (b"bext", build_bext(Bext(description="new", coding_history="A=PCM\r\n")))


def carry_out(plan: MasterPlan, source: bytes, tail: bytes) -> bytes:
    parts: list[bytes] = []
    for segment in plan.segments:
        if isinstance(segment, Literal_):
            parts.append(segment.data)
        elif isinstance(segment, CopyRange):
            parts.append(source[segment.offset : segment.offset + segment.size])
        else:
            assert segment.size == len(tail)
            parts.append(tail)
    return b"".join(parts)


def test_order_replacement_and_tail() -> None:
    source = riff(
        chunk(b"JUNK", bytes(28)),
        chunk(b"cart", b"old cart 1"),
        chunk(b"bext", bytes(602)),
        F,
        chunk(b"iXML", b"<a/>x"),
        D,
        chunk(b"LIST", build_info([("INAM", "old")])),
        chunk(b"LIST", b"adtl"),
        chunk(b"LIST", b"exifabcd"),
        chunk(b"cue ", bytes(4)),
        chunk(b"axml", b"<a/>"),
        chunk(b"PAD ", b""),
        chunk(b"FLLR", b"ab"),
        chunk(b"ID3 ", b"abc"),
    )
    layout = walk(source)
    tail_chunks = ((b"axml", b"<new/>x"), (b"cue ", bytes(4)))
    plan = plan_master(layout, before=(BEXT,), after_budget=100)
    assert [c.name for c in plan.carried] == ["cart", "iXML", "LIST", "ID3 "]
    assert [c.name for c in plan.replaced] == ["JUNK", "bext", "LIST", "LIST", "cue ", "axml", "PAD ", "FLLR"]
    assert plan.form == "RIFF"
    assert plan.segments[-1] == Tail(size=100)
    made = carry_out(plan, source, fill_tail(plan, tail_chunks))
    assert len(made) == plan.total_size
    new = walk(made)
    assert new.findings == ()
    assert [c.name for c in new.chunks] == [
        "bext", "fmt ", "cart", "iXML", "data", "LIST", "ID3 ", "axml", "cue ", "JUNK",
    ]  # fmt: skip
    assert new.data is not None
    assert (new.data.offset, new.data.size) == (plan.data_offset, plan.data_size)
    assert made[plan.data_offset : plan.data_offset + plan.data_size] == AUDIO


def test_fmt_and_carried_chunks_are_byte_identical() -> None:
    odd_fmt = FMT + bytes(24)
    source = riff(chunk(b"fmt ", odd_fmt), chunk(b"abcd", b"xyz"), chunk(b"none", b""), D)
    made = carry_out(plan_master(walk(source)), source, b"")
    assert made == source


def test_bad_pads_and_sizes_are_mended_in_the_new_file() -> None:
    source = riff(
        chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, 8000, 24000, 3, 24)),
        chunk(b"abcd", b"xyz", pad=b"?"),
        chunk(b"iXML", b"<a/>x", pad=b""),
        chunk(b"data", b"\x01\x02\x03", pad=b""),
        size=7,
    )
    assert {f.rule for f in walk(source).findings} & STRUCTURE
    made = carry_out(plan_master(walk(source)), source, b"")
    assert walk(made).findings == ()
    assert made.endswith(b"\x01\x02\x03\0")


def test_fmt_after_data_comes_first_in_the_new_file() -> None:
    source = riff(D, F)
    made = carry_out(plan_master(walk(source)), source, b"")
    assert made == riff(F, D)


@pytest.mark.parametrize("form", ["RF64", "BW64"])
def test_64_bit_form_on_request(form: FormWanted) -> None:
    source = riff(F, chunk(b"abcd", b"xyz"), D)
    plan = plan_master(walk(source), before=(BEXT,), after_budget=8, form_wanted=form)
    made = carry_out(plan, source, fill_tail(plan, ()))
    new = walk(made)
    assert new.findings == ()
    assert (new.form, new.chunks[0].name, new.chunks[0].offset) == (form, "ds64", 12)
    assert made[4:8] == b"\xff\xff\xff\xff"
    assert new.ds64 is not None
    assert new.ds64.riff_size == len(made) - 8
    assert new.ds64.data_size == 40
    assert new.ds64.sample_count == (10 if form == "RF64" else 0)
    assert made[plan.data_offset - 4 : plan.data_offset] == b"\xff\xff\xff\xff"


def test_odd_chunks_move_behind_the_audio_in_rf64() -> None:
    # libsndfile 1.2.0 refuses RF64 with an odd chunk ahead of data [measured]; order is free (RIFF-1991).
    source = riff(F, chunk(b"abcd", b"xyz"), chunk(b"iXML", b"<ab/>!"), D, chunk(b"none", b""))
    plan = plan_master(walk(source), form_wanted="RF64")
    new = walk(carry_out(plan, source, b""))
    assert [c.name for c in new.chunks] == ["ds64", "fmt ", "iXML", "data", "abcd", "none"]
    assert new.findings == ()


def test_rf64_comes_back_as_riff_when_it_is_small() -> None:
    source = rf64(F, chunk(b"data", AUDIO, size=U32))
    made = carry_out(plan_master(walk(source)), source, b"")
    assert made == riff(F, D)


# -- beyond 4 GiB ------------------------------------------------------------------------------------


class SparseSource:
    """A file of a size without its bytes: zeros but for a few given ranges."""

    def __init__(self, size: int, ranges: dict[int, bytes]) -> None:
        self._size = size
        self._ranges = ranges

    @property
    def size(self) -> int:
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        assert length <= 1 << 20
        out = bytearray(max(min(length, self._size - offset), 0))
        for start, data in self._ranges.items():
            for n, byte in enumerate(data):
                if 0 <= start + n - offset < len(out):
                    out[start + n - offset] = byte
        return bytes(out)


def planned_source(plan: MasterPlan, source: ByteSource, tail: bytes = b"") -> ByteSource:
    """The planned file; of copied ranges only small ones have their bytes, large ones read as zeros."""
    ranges: dict[int, bytes] = {}
    offset = 0
    for segment in plan.segments:
        if isinstance(segment, Literal_):
            ranges[offset] = segment.data
            offset += len(segment.data)
        else:
            if isinstance(segment, Tail):
                ranges[offset] = tail
            elif segment.size <= 4096:
                ranges[offset] = source.read_at(segment.offset, segment.size)
            offset += segment.size
    assert offset == plan.total_size
    return SparseSource(offset, ranges)


def riff_of(data_size: int) -> SparseSource:
    head = riff(F, b"data" + struct.pack("<I", data_size))
    size = 44 + data_size
    patched = head[:4] + struct.pack("<I", size - 8) + head[8:]
    return SparseSource(size, {0: patched})


LIMIT = 0xFFFFFFFF + 8
"""Largest RIFF file: 2**32 - 1 + 8 bytes (RIFF-1991: the size is 32 bits)."""


@pytest.mark.parametrize(("spare", "form"), [(0, "RIFF"), (8, "RF64")])
def test_riff_up_to_its_limit_then_rf64(spare: int, form: str) -> None:
    data_size = (LIMIT - 44) // 4 * 4
    source = riff_of(data_size)
    layout = read_layout(source, "long.wav")
    assert layout.findings == ()
    plan = plan_master(layout, after_budget=spare)
    assert plan.form == form
    new = read_layout(planned_source(plan, source, fill_tail(plan, ())), "new.wav")
    assert new.findings == ()
    assert new.frames == data_size // 4
    assert new.form == form


def test_a_file_of_more_than_4_gib_from_rf64() -> None:
    data_size = 6 * 2**30
    big = 5 * 2**30
    table = struct.pack("<4sQ", b"elm1", big)
    sizes = chunk(b"ds64", struct.pack("<QQQI", 0, data_size, data_size // 4, 1) + table)
    head = b"RF64" + b"\xff" * 4 + b"WAVE" + sizes + F + b"data" + b"\xff" * 4
    size = len(head) + data_size + 8 + big
    head = head[:20] + struct.pack("<Q", size - 8) + head[28:]
    source = SparseSource(size, {0: head, len(head) + data_size: b"elm1" + b"\xff" * 4})
    layout = read_layout(source, "long.wav")
    assert layout.findings == ()
    plan = plan_master(layout, before=(BEXT,), after_budget=1000)
    assert plan.form == "RF64"
    assert CopyRange(offset=len(head), size=data_size, kind="audio") in plan.segments
    assert CopyRange(offset=len(head) + data_size + 8, size=big, kind="chunk") in plan.segments
    new = read_layout(planned_source(plan, source, fill_tail(plan, ((b"axml", b"<a/>"),))), "new.wav")
    assert new.findings == ()
    assert [c.name for c in new.chunks] == ["ds64", "bext", "fmt ", "data", "elm1", "axml", "JUNK"]
    assert new.ds64 is not None
    assert new.ds64.sample_count == data_size // 4
    assert new.ds64.table == ((b"elm1", big),)


def test_a_real_sparse_file_of_more_than_4_gib(tmp_path: Path) -> None:
    data_size = 2**32 + 400
    path = tmp_path / "long.wav"
    head = rf64(F, b"data" + b"\xff" * 4, data_size=data_size, samples=data_size // 4)
    size = len(head) + data_size
    head = head[:20] + struct.pack("<Q", size - 8) + head[28:]
    with path.open("wb") as file:
        file.write(head)
        file.truncate(size)

    class FileSource:
        @property
        def size(self) -> int:
            return path.stat().st_size

        def read_at(self, offset: int, length: int) -> bytes:
            with path.open("rb") as file:
                file.seek(offset)
                return file.read(length)

    layout = read_layout(FileSource(), "long.wav")
    assert layout.findings == ()
    assert layout.frames == data_size // 4
    again = plan_master(layout, after_budget=64)
    assert again.form == "RF64"
    assert again.total_size == size + 64


def test_second_audio_beyond_4_gib_is_refused() -> None:
    data_size = 2**32 + 4
    table = struct.pack("<4sQ", b"data", 1)
    ds = chunk(b"ds64", struct.pack("<QQQI", 0, data_size, data_size // 4, 1) + table)
    head = b"RF64" + b"\xff" * 4 + b"WAVE" + ds + F + b"data" + b"\xff" * 4
    size = len(head) + data_size + 8 + data_size
    source = SparseSource(size, {0: head, len(head) + data_size: b"data" + b"\xff" * 4})
    with pytest.raises(InputProblem, match="second data"):
        plan_master(read_layout(source, "twice.wav"))


# -- tail and refusals -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "ok"), [(76, True), (84, True), (92, True), (93, False), (86, False), (90, False)]
)
def test_tail_is_filled_exactly_or_refused(body: int, ok: bool) -> None:
    plan = plan_master(walk(riff(F, D)), after_budget=100)
    if not ok:
        with pytest.raises(Bug):
            fill_tail(plan, ((b"axml", bytes(body)),))
        return
    tail = fill_tail(plan, ((b"axml", bytes(body)),))
    assert len(tail) == 100
    assert (b"JUNK" in tail) is (body < 92)


def test_tail_size_leaves_room_for_the_filler() -> None:
    size = tail_size([(b"axml", 7), (b"cue ", 4)])
    assert size == 16 + 12 + 8
    plan = plan_master(walk(riff(F, D)), after_budget=size)
    assert fill_tail(plan, ((b"axml", bytes(7)), (b"cue ", bytes(4)))).endswith(b"JUNK\0\0\0\0")


@pytest.mark.parametrize("budget", [-2, 1, 6, 101])
def test_impossible_tails_are_our_fault(budget: int) -> None:
    with pytest.raises(Bug):
        plan_master(walk(riff(F, D)), after_budget=budget)


def test_a_wrong_chunk_id_is_our_fault() -> None:
    with pytest.raises(Bug):
        plan_master(walk(riff(F, D)), before=((b"\0abc", b""),))


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"fLaC" + bytes(40), "no RIFF"),
        (b"RIFX\0\0\0\x04WAVE", "no RIFF"),
        (riff(F), "no usable"),
        (riff(D), "no usable"),
        (riff(chunk(b"fmt ", bytes(16)), D), "no usable"),
        (riff(F, chunk(b"data", b"abc")), "no whole frame"),
        (riff(F, chunk(b"data", b"")), "no whole frame"),
    ],
)
def test_files_without_usable_audio_are_refused(data: bytes, word: str) -> None:
    with pytest.raises(InputProblem, match=word):
        plan_master(read_layout(BytesSource(data)))
