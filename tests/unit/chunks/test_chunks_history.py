"""Coding history: EBU R 98-1999 parameter table; trap 13 and 14 of the fact sheet, section 16."""

from __future__ import annotations

import pytest

from provpack.chunks.history import MAX_ROWS, CodingRow, format_history, parse_history
from provpack.errors import RecordProblem

TAPE = CodingRow(
    algorithm="PCM",
    frequency=44056,
    word_length=14,
    mode="stereo",
    text="STC-007; 525/60; pre-emphasis 50/15 us: on; source cassette",
)
CASES = [
    (
        (TAPE, CodingRow(algorithm="PCM", frequency=44056, word_length=16, mode="stereo", text="bit-exact")),
        "A=PCM,F=44056,W=14,M=stereo,T=STC-007; 525/60; pre-emphasis 50/15 us: on; source cassette\r\n"
        "A=PCM,F=44056,W=16,M=stereo,T=bit-exact\r\n",
    ),
    ((CodingRow(algorithm="ANALOGUE", mode="mono", text="deck"),), "A=ANALOGUE,M=mono,T=deck\r\n"),
    (
        (CodingRow(algorithm="MPEG1L2", frequency=48000, bit_rate=192, mode="joint-stereo"),),
        "A=MPEG1L2,F=48000,B=192,M=joint-stereo\r\n",
    ),
    ((), ""),
]


@pytest.mark.parametrize(("rows", "text"), CASES)
def test_rows_both_ways(rows: tuple[CodingRow, ...], text: str) -> None:
    assert format_history(rows) == text
    assert parse_history(text) == (rows, ())


@pytest.mark.parametrize("end", ["\r\n", "\r", "\n", "\n\r\n", "\r\n\r\n"])
def test_any_line_end_is_read(end: str) -> None:  # trap 13
    rows, findings = parse_history(f"A=PCM,W=14{end}A=PCM,W=16{end}")
    assert [r.word_length for r in rows] == [14, 16]
    assert bool(findings) == ("\r" not in end or "\n" not in end or end == "\n\r\n")


def test_missing_last_line_end() -> None:
    rows, findings = parse_history("A=PCM,F=48000,W=16,M=stereo,T=x\r")
    assert rows[0].text == "x"
    assert [f.rule for f in findings] == ["wav-history-line-ends"]


def test_unknown_keys_are_kept_in_place_of_order() -> None:  # trap 13
    rows, findings = parse_history("A=PCM,F=48000,W=24,M=stereo,R=48000,T=2 Ch\r\n")
    assert rows[0].extra == (("R", "48000"),)
    assert [f.rule for f in findings] == ["wav-history-row-unusual"]
    assert format_history(rows) == "A=PCM,F=48000,W=24,M=stereo,R=48000,T=2 Ch\r\n"


def test_reader_takes_the_rest_of_the_row_as_text() -> None:  # trap 14
    rows, findings = parse_history("A=PCM,T=deck, board 2, A=odd\r\n")
    assert rows[0].text == "deck, board 2, A=odd"
    assert findings == ()


def test_writer_turns_commas_in_text_into_semicolons() -> None:  # trap 14
    assert format_history([CodingRow(algorithm="PCM", text="a, b,c")]) == "A=PCM,T=a; b;c\r\n"


@pytest.mark.parametrize(
    ("line", "row"),
    [
        ("A=PCM,F=fast,W=", CodingRow(algorithm="PCM", extra=(("F", "fast"),))),
        ("A=PCM,F=48000,F=44100", CodingRow(algorithm="PCM", frequency=48000, extra=(("F", "44100"),))),
        ("A=ADPCM,M=quad", CodingRow(algorithm="ADPCM", mode="quad")),
        ("A=PCM,stray,W=16", CodingRow(algorithm="PCM", word_length=16)),
        ("a=PCM,f=48000,t=x", CodingRow(algorithm="PCM", frequency=48000, text="x")),
        ("A=PCM, T=x ", CodingRow(algorithm="PCM", text="x ")),
        ("T=alone, in the row", CodingRow(algorithm="", text="T=alone, in the row")),
        ("copied by hand, in 1999", CodingRow(algorithm="", text="copied by hand, in 1999")),
        ("F=48000,W=16", CodingRow(algorithm="", text="F=48000,W=16")),
    ],
)
def test_odd_rows_are_kept_and_flagged(line: str, row: CodingRow) -> None:
    rows, findings = parse_history(line + "\r\n")
    assert rows == (row,)
    expected = [] if line.startswith(("a=", "A=PCM, T")) else ["wav-history-row-unusual"]
    assert [f.rule for f in findings] == expected


def test_free_rows_are_written_as_they_stood() -> None:
    text = "copied by hand, in 1999\r\n"
    assert format_history(parse_history(text)[0]) == text


def test_blank_and_nul_rows_are_nothing() -> None:
    assert parse_history("\r\n \r\n\0\0\r\n") == ((), ())


def test_rows_are_bounded() -> None:
    rows, findings = parse_history("A=PCM\r\n" * (MAX_ROWS + 5))
    assert len(rows) == MAX_ROWS
    assert [f.rule for f in findings] == ["wav-history-row-unusual"]


@pytest.mark.parametrize(
    "row",
    [
        CodingRow(algorithm=""),
        CodingRow(algorithm="", text="x", mode="mono"),
        CodingRow(algorithm="PCM", text="50 µs"),
        CodingRow(algorithm="PCM", text="two\r\nrows"),
        CodingRow(algorithm="PCM,F=1"),
        CodingRow(algorithm="PCM", mode="a,b"),
        CodingRow(algorithm="PCM", extra=(("R", "1,2"),)),
    ],
)
def test_unlawful_rows_are_refused(row: CodingRow) -> None:
    with pytest.raises(RecordProblem) as caught:
        format_history([TAPE, row])
    assert caught.value.where == "coding history row 2"


@pytest.mark.parametrize("blank", ["", " ", "\t", " \u00a0", "\x1f"])
def test_free_text_is_text_whatever_blank_stands_before_it(blank: str) -> None:
    (row,), findings = parse_history(f"A=PCM,W=14,{blank}T=deck 2, head B\r\n")
    assert (row.text, row.extra, findings) == ("deck 2, head B", (), ())


@pytest.mark.parametrize(
    ("text", "frequency", "extra"),
    [
        ("A=PCM,F=44kHz,F=44056,W=16,M=mono", None, (("F", "44kHz"), ("F", "44056"))),
        ("A=PCM,X=y,B=?,F=1,W=x,F=2", 1, (("B", "?"), ("W", "x"), ("X", "y"), ("F", "2"))),
        ("A=PCM,F=,F=48000", 48000, ()),
    ],
)
def test_a_second_value_never_takes_the_place_of_the_first(
    text: str, frequency: int | None, extra: tuple[tuple[str, str], ...]
) -> None:
    """A row that is read, written and read again says what it said."""
    (row,), _ = parse_history(text + "\r\n")
    assert (row.frequency, row.extra) == (frequency, extra)
    assert parse_history(format_history([row]))[0] == (row,)
