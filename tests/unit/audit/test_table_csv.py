"""Tables for spreadsheets: the letter of RFC 4180, and nothing in a cell that acts."""

from __future__ import annotations

import csv
import io
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provpack.report.table_csv import BYTE_ORDER_MARK, csv_lines, harmless, record


@pytest.mark.parametrize(
    ("cells", "line"),
    [
        # RFC 4180, section 2: the worked examples of rules 1, 5, 6 and 7
        (["aaa", "bbb", "ccc"], "aaa,bbb,ccc\r\n"),
        (["zzz", "yyy", "xxx"], "zzz,yyy,xxx\r\n"),
        (["field_name", "field_name", "field_name"], "field_name,field_name,field_name\r\n"),
        (["aaa", "b\r\nbb", "ccc"], 'aaa,"b\r\nbb",ccc\r\n'),
        (["aaa", 'b"bb', "ccc"], 'aaa,"b""bb",ccc\r\n'),
    ],
)
def test_lines_are_as_the_standard_writes_them(cells: list[str], line: str) -> None:
    # rule 5 leaves it open whether a field that needs no quotes has them; ours then has none
    assert record(cells) == line
    assert next(csv.reader(io.StringIO(line, newline=""))) == cells


def test_spaces_belong_to_the_field() -> None:
    assert record([" a ", "b"]) == " a ,b\r\n"  # RFC 4180, section 2, rule 4


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r", "\n", " =", "＝", "＋", "－", "＠", "−"])
def test_no_cell_begins_like_a_formula(sign: str) -> None:
    # the signs: common practice, no source; the wide ones are what East Asian keyboards type for them
    cell = harmless(f'{sign}HYPERLINK("http://x.example";"y")')
    assert cell[0] in "'\\"


def test_numbers_are_numbers_and_nothing_is_nothing() -> None:
    assert [harmless(cell) for cell in (-3, 4.5, 0, None, "", "-3")] == ["-3", "4.5", "0", "", "", "'-3"]


def test_control_and_direction_marks_become_visible() -> None:
    nasty = "a\x1b[2Jb\x00c\x07d\u202ee\u2066f\u061cg\ufeffh\udcffi\x9bj\nk"
    shown = harmless(nasty)
    assert shown == (r"a\x1b[2Jb\x00c\x07d\u202ee\u2066f\u061cg\ufeffh\xffi\x9bj\x0ak")
    assert not [c for c in shown if unicodedata.category(c) in ("Cc", "Cf", "Cs")]


def test_a_table_begins_with_the_mark_and_its_heads() -> None:
    text = "".join(csv_lines(("what", "n"), [("Kantate, zweite", 3), ("\x1b", None)]))
    assert text.encode("utf-8").startswith(b"\xef\xbb\xbfwhat,n\r\n")  # EF BB BF: RFC 3629, section 6
    read = list(csv.DictReader(io.StringIO(text.removeprefix(BYTE_ORDER_MARK), newline=""), strict=True))
    assert read == [{"what": "Kantate, zweite", "n": "3"}, {"what": r"\x1b", "n": ""}]


def test_a_row_of_another_length_is_a_mistake_of_ours() -> None:
    with pytest.raises(ValueError, match="1 cells for 2 columns"):
        list(csv_lines(("a", "b"), [("x",)]))


def test_a_cell_is_no_longer_than_spreadsheets_take() -> None:
    cell = harmless("=" + "x" * 100_000)
    assert len(cell) <= 32_767 and cell.endswith("[...]")


@given(st.lists(st.lists(st.text(max_size=20), min_size=3, max_size=3), max_size=5))
def test_whatever_is_written_is_read_back(rows: list[list[str]]) -> None:
    text = "".join(csv_lines(("a", "b", "c"), rows))
    assert text.count("\r\n") == len(rows) + 1 and text.count("\n") == len(rows) + 1
    read = list(csv.reader(io.StringIO(text.removeprefix(BYTE_ORDER_MARK), newline=""), strict=True))
    assert len(read) == len(rows) + 1
    for found, row in zip(read[1:], rows, strict=True):
        for cell, wanted in zip(found, row, strict=True):
            back = cell[1:] if cell.startswith("'") else cell
            if wanted.isprintable():
                assert back == wanted
            assert not cell[:1] or cell[:1] not in "=+-@\t\r"
