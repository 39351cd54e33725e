"""Chunks at their bounds. Sources: RIFF/WAVE 1991 (form type, fmt, cue); EBU Tech 3306 (ds64 and its table);
EBU Tech 3285 supplement 2 and EBU R98 (coding history); otherwise the docstrings."""

from __future__ import annotations

import struct
from dataclasses import replace

import pytest
from unit.chunks.wavbytes import AUDIO, FMT, U32, chunk, ds64, riff, rule_ids, walk

from provpack.chunks import rules
from provpack.chunks.bext import Bext, build_bext
from provpack.chunks.embedded import read_embedded
from provpack.chunks.limits import MAX_POINTS
from provpack.chunks.markers import parse_cue
from provpack.chunks.source import BytesSource, SourceReader
from provpack.chunks.walk import read_layout

F, D = chunk(b"fmt ", FMT), chunk(b"data", AUDIO, size=U32)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "The file is empty."),
        (b"RIFF\0\0\0\0WAV", "The file has only 11 bytes; a WAVE header needs 12."),
        (b"RIFF", "The file has only 4 bytes; a WAVE header needs 12."),
        (b"RIFF\4\0\0\0AVI ", "The file starts with 'RIFF' and 'AVI ', not with RIFF and WAVE."),
        (
            b"FORM" + riff(F, chunk(b"data", AUDIO))[4:],
            "The file starts with 'FORM' and 'WAVE', not with RIFF and WAVE.",
        ),
    ],
)
def test_what_is_no_wave_file_is_told_by_its_first_bytes(data: bytes, words: str) -> None:
    layout = walk(data)
    assert (layout.form, layout.chunks, layout.format, layout.data, layout.frames) == (
        None,
        (),
        None,
        None,
        0,
    )
    (finding,) = layout.findings
    assert (finding.rule, finding.severity, finding.what) == (rules.NOT_RIFF.id, "error", words)


def test_the_table_of_ds64_gives_sizes_only_where_they_are_asked_for() -> None:
    """EBU Tech 3306: a chunk whose 32-bit size is not -1 keeps it, and takes no entry of the table."""
    table = struct.pack("<4sQ", b"iXML", 6)
    parts = (chunk(b"iXML", b"ab"), chunk(b"iXML", b"<abc/>", size=U32))
    total = 4 + len(ds64(0, 0, 0, table)) + sum(map(len, (F, D, *parts)))
    layout = walk(riff(ds64(total, 40, 10, table), F, D, *parts, form=b"RF64", size=U32))
    assert rule_ids(layout) == []
    assert [c.declared_size for c in layout.chunks[3:]] == [2, 6]


@pytest.mark.parametrize("many", [MAX_POINTS - 1, MAX_POINTS, MAX_POINTS + 1])
def test_as_many_cue_points_as_are_read_draw_no_word(many: int) -> None:
    points = b"".join(struct.pack("<II4sIII", n, 0, b"data", 0, 0, 7) for n in range(many))
    found, findings = parse_cue(struct.pack("<I", many) + points)
    assert len(found) == min(many, MAX_POINTS)
    assert len(findings) == (many > MAX_POINTS)


BEXT = Bext(
    description="", originator="", originator_reference="", origination_date="2031-05-01",
    origination_time="10:00:00", time_reference=0, version=2, umid=bytes(64), loudness_value=None,
    loudness_range=None, max_true_peak=None, max_momentary=None, max_short_term=None, coding_history="",
)  # fmt: skip


@pytest.mark.parametrize(
    ("first", "last", "told"),
    [(44100, 44056, False), (44056, 44100, True), (44056, 44056, False), (44100, 44100, True)],
)
def test_the_last_row_of_the_history_states_the_rate_of_the_file(first: int, last: int, told: bool) -> None:
    history = f"A=PCM,F={first},W=16\r\nA=PCM,F={last},W=16\r\n"
    data = riff(chunk(b"bext", build_bext(replace(BEXT, coding_history=history))), F, chunk(b"data", AUDIO))
    source = BytesSource(data)
    found = read_embedded(source, read_layout(source, "a.wav"))
    assert (rules.HISTORY_RATE.id in [f.rule for f in found.findings]) == told


def test_reading_without_a_size_reads_to_the_end() -> None:
    """io.RawIOBase.read(size=-1) of the Python library."""
    reader = SourceReader(BytesSource(b"0123456789"))
    assert reader.read() == b"0123456789" and reader.tell() == 10
    reader.seek(4)
    assert reader.read() == b"456789"


def test_what_to_do_about_a_damaged_header_is_one_sentence() -> None:
    again = rules.FMT_SHORT.todo
    assert rules.FMT_IMPOSSIBLE.todo == f"The header is damaged: {again[0].lower()}{again[1:]}"
    assert again[0].isupper() and again.endswith(".")
