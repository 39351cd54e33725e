"""Walking RIFF: sizes, pad bytes, order, what is missing.

Sources: RIFF/WAVE 1991 (chunk and pad rules); the broken cases are those of the size table and the trap list
measured on real files (broadcast-wave fact sheet, sections 1 and 16).
"""

from __future__ import annotations

import struct

import pytest
from unit.chunks.wavbytes import AUDIO, FMT, U32, chunk, riff, rule_ids, walk

from provpack.chunks import rules
from provpack.chunks import walk as walk_module
from provpack.chunks.limits import MAX_CHUNKS, MAX_REPEATS
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import read_layout

GOOD = (chunk(b"fmt ", FMT), chunk(b"data", AUDIO))


def test_a_plain_file_has_no_findings() -> None:
    layout = walk(riff(*GOOD))
    assert layout.findings == ()
    assert (layout.form, layout.declared_size, layout.file_size) == ("RIFF", 76, 84)
    assert [(c.name, c.offset, c.data_offset, c.size, c.pad) for c in layout.chunks] == [
        ("fmt ", 12, 20, 16, "none"),
        ("data", 36, 44, 40, "none"),
    ]
    assert layout.data is not None
    assert (layout.data.offset, layout.data.size, layout.data.declared_size) == (44, 40, 40)
    assert layout.frames == 10
    assert layout.trailing_bytes == 0
    assert layout.name == "tape-12.wav"


@pytest.mark.parametrize(
    ("parts", "names"),
    [
        # Trap 2: bext before fmt, after data, and of odd size; any order is lawful but fmt before data.
        ((chunk(b"bext", bytes(602)), *GOOD), ["bext", "fmt ", "data"]),
        ((*GOOD, chunk(b"bext", bytes(603))), ["fmt ", "data", "bext"]),
        ((chunk(b"JUNK", b"\0" * 5), *GOOD, chunk(b"iXML", b"<a/>")), ["JUNK", "fmt ", "data", "iXML"]),
    ],
)
def test_chunks_are_found_in_any_order(parts: tuple[bytes, ...], names: list[str]) -> None:
    layout = walk(riff(*parts))
    assert [c.name for c in layout.chunks] == names
    assert layout.findings == ()
    assert layout.frames == 10


def test_list_type_is_known_without_reading_the_list() -> None:
    layout = walk(riff(*GOOD, chunk(b"LIST", b"INFO"), chunk(b"LIST", b"ad")))
    assert [c.list_type for c in layout.chunks] == [None, None, b"INFO", None]


# -- no WAVE file ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"RIFF",
        b"RIFF\x04\0\0\0WAV",
        b"fLaC" + bytes(40),
        riff(*GOOD)[:8] + b"AVI " + bytes(20),
        bytes(64),
    ],
)
def test_not_a_wave_file(data: bytes) -> None:
    layout = walk(data)
    assert rule_ids(layout) == ["wav-not-wave"]
    assert layout.findings[0].severity == "error"
    assert (layout.form, layout.format, layout.data, layout.chunks) == (None, None, None, ())
    assert layout.frames == 0


def test_header_only() -> None:
    layout = walk(riff())
    assert rule_ids(layout) == ["wav-no-fmt", "wav-no-data"]
    assert (layout.form, layout.format, layout.data) == ("RIFF", None, None)


def test_no_data_and_no_fmt() -> None:
    assert rule_ids(walk(riff(GOOD[0]))) == ["wav-no-data"]
    without_fmt = walk(riff(GOOD[1]))
    assert rule_ids(without_fmt) == ["wav-no-fmt"]
    assert without_fmt.data is not None
    assert without_fmt.data.size == 40


# -- sizes that cannot be trusted --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("riff_size", "data_size"),
    [
        # Trap 3 and the size table: ffmpeg's pipe, sox's pipe, another streamer.
        (U32, U32),
        (0x7FFFF024, 0x7FFFF000),
        (0xFFFFFFBF, 0xFFFFFF9B),
    ],
)
def test_streamed_sizes_reach_to_the_end_of_the_file(riff_size: int, data_size: int) -> None:
    layout = walk(riff(GOOD[0], chunk(b"data", AUDIO + b"x", size=data_size, pad=b""), size=riff_size))
    assert rule_ids(layout) == [
        "wav-data-size-unset",
        "wav-riff-size-unset",
        "wav-data-partial-frame",
    ]
    assert layout.data is not None
    assert (layout.data.size, layout.data.declared_size) == (40, data_size)
    assert layout.chunks[-1].size == 41
    assert layout.chunks[-1].pad == "none"
    assert layout.findings[0].position == {"file": "tape-12.wav", "chunk": "data", "offset": 36}


def test_a_cut_capture_says_what_is_missing_and_where() -> None:
    whole = riff(GOOD[0], chunk(b"data", AUDIO * 100))
    layout = walk(whole[:1044])
    assert rule_ids(layout) == ["wav-data-cut-short", "wav-riff-size-wrong"]
    finding = layout.findings[0]
    assert finding.severity == "error"
    assert finding.what == "Chunk 'data' claims 4 000 bytes but 1 000 remain."
    assert finding.where == "tape-12.wav, offset 36"
    assert "wrap it as incomplete with a reason" in finding.todo
    assert layout.frames == 250


def test_every_cut_of_a_file_is_survived() -> None:
    whole = riff(chunk(b"bext", bytes(605)), *GOOD, chunk(b"LIST", b"INFO" + chunk(b"INAM", b"abc\0")))
    for length in range(len(whole)):
        layout = walk(whole[:length])
        assert layout.findings, length
        assert layout.file_size == length
        if layout.data is not None:
            assert layout.data.offset + layout.data.size <= length


def test_other_chunk_cut_short() -> None:
    layout = walk(riff(*GOOD, chunk(b"iXML", b"abc", size=4000, pad=b""), size=4 + 24 + 48 + 8 + 4000))
    assert rule_ids(layout) == ["wav-chunk-cut-short", "wav-riff-size-wrong"]
    assert (layout.chunks[-1].declared_size, layout.chunks[-1].size) == (4000, 3)


@pytest.mark.parametrize(("delta", "flagged"), [(-1, True), (-40, True), (1, True), (1000, True), (0, False)])
def test_riff_size_is_compared_never_believed(delta: int, flagged: bool) -> None:
    layout = walk(riff(*GOOD, size=76 + delta))
    assert rule_ids(layout) == (["wav-riff-size-wrong"] if flagged else [])
    assert layout.frames == 10


def test_tiny_riff_size_does_not_hide_later_chunks() -> None:
    layout = walk(riff(*GOOD, chunk(b"chna", bytes(84)), size=75))
    assert [c.name for c in layout.chunks] == ["fmt ", "data", "chna"]
    assert rule_ids(layout) == ["wav-riff-size-wrong"]


@pytest.mark.parametrize(
    ("tail", "word"),
    [
        (bytes(100), "100 zero bytes"),
        (b"\x01\x02\x03", "3 bytes"),
        (b"TAG the end of some other thing" * 4, "bytes"),
    ],
)
def test_trailing_bytes_are_counted(tail: bytes, word: str) -> None:
    layout = walk(riff(*GOOD) + tail)
    assert rule_ids(layout) == ["wav-trailing-bytes"]
    assert layout.trailing_bytes == len(tail)
    assert word in layout.findings[0].what
    assert "may be audio" in layout.findings[0].what
    assert walk(riff(*GOOD, chunk(b"abcd", b"")) + tail).findings[0].what.find("audio") == -1


def test_bytes_that_are_no_chunk_inside_the_riff() -> None:
    layout = walk(riff(*GOOD, b"\x86at`\xff\xf2\0\0", b"more"))
    assert rule_ids(layout) == ["wav-chunk-id-unreadable"]
    assert layout.trailing_bytes == 12
    assert "\\x86at`" in layout.findings[0].what
    assert rule_ids(walk(riff(b"\0" * 8)))[0] == "wav-chunk-id-unreadable"


# -- interrupted recordings (trap 5) -----------------------------------------------------------------


def test_data_size_zero_with_audio_following() -> None:
    layout = walk(riff(GOOD[0], chunk(b"data", b""), b"\x80\x01" * 5000, size=36))
    assert rule_ids(layout) == ["wav-interrupted"]
    assert "10 000 bytes follow" in layout.findings[0].what
    assert layout.data is not None
    assert layout.data.size == 0
    assert layout.trailing_bytes == 10_000


def test_data_size_zero_with_audio_that_looks_printable() -> None:
    layout = walk(riff(GOOD[0], chunk(b"data", b""), b"AbCdEfGhIjKlMnOp" * 100, size=36))
    assert rule_ids(layout)[0] == "wav-interrupted"
    assert layout.frames == 0


def test_data_size_zero_and_zero_audio() -> None:
    layout = walk(riff(GOOD[0], chunk(b"data", b""), bytes(4096), size=0))
    assert rule_ids(layout)[0] == "wav-interrupted"


def test_data_size_zero_with_chunks_after_and_a_riff_size_beyond_the_file() -> None:
    layout = walk(riff(GOOD[0], chunk(b"data", b""), chunk(b"regn", bytes(92)), size=28_510_540))
    assert rule_ids(layout) == ["wav-riff-size-wrong", "wav-interrupted"]
    assert [c.name for c in layout.chunks] == ["fmt ", "data", "regn"]


@pytest.mark.parametrize("tail", [b"", chunk(b"zzzz", b"abc"), chunk(b"zzzz", b"abc", pad=b"")])
def test_a_really_empty_data_chunk(tail: bytes) -> None:
    layout = walk(riff(GOOD[0], chunk(b"data", b""), tail))
    assert "wav-data-empty" in rule_ids(layout)
    assert "wav-interrupted" not in rule_ids(layout)
    assert layout.trailing_bytes == 0


def test_data_size_zero_and_a_known_id_that_does_not_fit() -> None:
    layout = walk(riff(GOOD[0], chunk(b"data", b""), chunk(b"iXML", b"abcd", size=1 << 30)))
    assert rule_ids(layout) == ["wav-interrupted"]


def test_many_unknown_chunks_after_an_empty_data_chunk_are_not_followed_for_ever() -> None:
    layout = walk(riff(GOOD[0], chunk(b"data", b""), chunk(b"zzzz", b"") * 1000))
    assert "wav-interrupted" in rule_ids(layout)


# -- pad bytes (trap 1) ------------------------------------------------------------------------------


def test_odd_chunk_without_pad_at_the_end_of_the_file() -> None:
    fmt = struct.pack("<HHIIHH", 1, 1, 48000, 144000, 3, 24)
    layout = walk(riff(chunk(b"fmt ", fmt), chunk(b"data", b"abc", pad=b"")))
    assert rule_ids(layout) == ["wav-pad-missing"]
    assert (layout.chunks[-1].pad, layout.frames) == ("absent", 1)


def test_odd_chunk_without_pad_before_the_next_chunk() -> None:
    layout = walk(riff(GOOD[0], chunk(b"iXML", b"<a/> ", pad=b""), GOOD[1]))
    assert rule_ids(layout) == ["wav-pad-missing"]
    assert [c.pad for c in layout.chunks] == ["none", "absent", "none"]
    assert layout.frames == 10


def test_unpadded_reading_wins_only_when_it_is_the_better_one() -> None:
    # "Xdata(" would be an id after a pad byte "X"; "data" is a known one, so the pad byte is "X".
    layout = walk(riff(GOOD[0], chunk(b"iXML", b"<a/> ", pad=b"X"), GOOD[1]))
    assert rule_ids(layout) == ["wav-pad-not-zero"]
    assert "0x58" in layout.findings[0].what
    assert [c.pad for c in layout.chunks] == ["none", "nonzero", "none"]
    assert layout.frames == 10


def test_zero_pad_is_lawful_and_reported_in_the_table() -> None:
    layout = walk(riff(GOOD[0], chunk(b"iXML", b"<a/> "), GOOD[1]))
    assert layout.findings == ()
    assert layout.chunks[1].pad == "zero"


def test_lower_case_ids_are_unknown_chunks() -> None:  # trap 15
    layout = walk(riff(*GOOD, chunk(b"list", b"INFOxxxx"), chunk(b"junk", b"ab")))
    assert rule_ids(layout) == ["wav-lower-case-id", "wav-lower-case-id"]
    assert layout.chunks[2].list_type is None


# -- doubles, order, refusals ------------------------------------------------------------------------


def test_first_data_and_first_fmt_win() -> None:
    other = struct.pack("<HHIIHH", 1, 1, 8000, 16000, 2, 16)
    layout = walk(riff(*GOOD, chunk(b"fmt ", other), chunk(b"data", b"abcd")))
    assert rule_ids(layout) == ["wav-several-fmt", "wav-several-data"]
    assert layout.format is not None
    assert layout.format.sample_rate == 44056
    assert layout.frames == 10


def test_fmt_after_data() -> None:
    layout = walk(riff(GOOD[1], GOOD[0]))
    assert rule_ids(layout) == ["wav-fmt-after-data"]
    assert layout.frames == 10


def test_data_not_a_whole_number_of_frames() -> None:
    layout = walk(riff(GOOD[0], chunk(b"data", AUDIO + b"abc")))
    assert rule_ids(layout) == ["wav-data-partial-frame"]
    assert layout.data is not None
    assert (layout.data.size, layout.data.declared_size) == (40, 43)
    assert layout.findings[0].position["offset"] == 84


def test_segmented_audio_is_refused() -> None:
    layout = walk(riff(GOOD[0], chunk(b"LIST", b"wavl" + chunk(b"data", AUDIO))))
    assert rule_ids(layout) == ["wav-segmented"]
    assert layout.data is None


def test_rifx_is_refused_but_listed() -> None:
    fmt = struct.pack(">HHIIHH", 1, 3, 8000, 72000, 9, 24)
    body = b"WAVEfmt " + struct.pack(">I", 16) + fmt + b"data" + struct.pack(">I", 9) + b"\x01" * 9 + b"\0"
    layout = walk(b"RIFX" + struct.pack(">I", len(body)) + body)
    assert rule_ids(layout) == ["wav-big-endian"]
    assert "3 channels, 8000 Hz, 24 bits" in layout.findings[0].what
    assert [(c.name, c.size, c.pad) for c in layout.chunks] == [("fmt ", 16, "none"), ("data", 9, "zero")]
    assert (layout.format, layout.data, layout.form) == (None, None, "RIFX")
    assert rule_ids(walk(b"RIFX" + struct.pack(">I", 4) + b"WAVE")) == ["wav-big-endian"]
    assert rule_ids(walk(b"RIFX" + b"\xff" * 4 + b"WAVE")) == ["wav-riff-size-unset", "wav-big-endian"]


@pytest.mark.parametrize(("value", "flagged"), [(10, False), (11, True)])
def test_fact_is_compared(value: int, flagged: bool) -> None:
    layout = walk(riff(*GOOD, chunk(b"fact", struct.pack("<I", value))))
    assert rule_ids(layout) == (["wav-fact-differs"] if flagged else [])
    assert rule_ids(walk(riff(*GOOD, chunk(b"fact", b"ab")))) == []


# -- hostile -----------------------------------------------------------------------------------------


class CountingSource:
    """Counts reads and the largest length asked for."""

    def __init__(self, data: bytes, size: int | None = None) -> None:
        self._inner = BytesSource(data)
        self._size = len(data) if size is None else size
        self.reads = 0
        self.largest = 0

    @property
    def size(self) -> int:
        return self._size

    def read_at(self, offset: int, length: int) -> bytes:
        self.reads += 1
        self.largest = max(self.largest, length)
        return self._inner.read_at(offset, length)


def test_number_of_chunks_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    assert MAX_CHUNKS == 100_000
    monkeypatch.setattr(walk_module, "MAX_CHUNKS", 1000)
    source = CountingSource(riff(chunk(b"abc1", b"x", pad=b"y") * 1500))
    layout = read_layout(source, "hostile.wav")
    assert len(layout.chunks) == 1000
    assert layout.trailing_bytes == 500 * 10
    assert "wav-too-many-chunks" in rule_ids(layout)
    assert rule_ids(layout).count("wav-pad-not-zero") == MAX_REPEATS + 1
    assert "980 more of the same kind" in layout.findings[-1].what
    assert source.reads < 8 * 1000
    assert source.largest <= 65536


def test_many_data_chunks_are_read_once() -> None:
    source = CountingSource(riff(*GOOD, chunk(b"abcd", b"") * 2000, chunk(b"data", b"") * 2000))
    assert rule_ids(read_layout(source)) == ["wav-several-data"]
    assert source.reads < 2 * 4000


def test_a_source_shorter_than_it_claims() -> None:
    layout = read_layout(CountingSource(riff(*GOOD), size=1000), "shrunk.wav")
    assert layout.frames == 10
    assert layout.trailing_bytes == 1000 - 84


def test_declared_sizes_are_never_allocated() -> None:
    hostile = riff(chunk(b"fmt ", FMT, size=0xFFFFFF00), size=U32)
    source = CountingSource(hostile, size=1 << 40)
    read_layout(source, "hostile.wav")
    assert source.largest <= 65536


def test_every_rule_has_its_prefix_and_advice() -> None:
    assert len({r.id for r in rules.RULES}) == len(rules.RULES)
    assert all(r.id.startswith("wav-") and r.todo and r.title for r in rules.RULES)
    assert {r.id for r in rules.RULES} >= rules.STRUCTURE


@pytest.mark.parametrize("rule", rules.RULES, ids=lambda rule: rule.id)
def test_what_to_do_is_said_in_whole_sentences(rule: rules.Rule) -> None:
    assert rule.todo[0].isupper() or rule.todo.startswith("bext ")
    assert rule.todo.endswith(".")
    for clause in ("ransfer again", "ompare with"):  # shared sentences, put behind a colon in lower case
        before = rule.todo.partition(clause)[0]
        assert clause not in rule.todo or before[-1:] in "TtCc"
