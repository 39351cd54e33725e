"""Sheets as bytes: encodings, delimiters, quotes, row numbers, caps."""

from __future__ import annotations

import codecs

import pytest

from provpack.edge import tables
from provpack.edge.tables import Table, column_letter, read_table
from provpack.edge.tomlfile import read_toml

KNOWN = {"transfer_id", "file", "title", "deck_id"}
TEXT = "transfer_id;title\nT1;Fête d’été\n"


def read(data: bytes) -> Table:
    return read_table(data, "transfers.csv", known=KNOWN)


def rules_of(table: Table) -> list[str]:
    return [f.rule for f in table.findings]


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (TEXT.encode(), []),
        (codecs.BOM_UTF8 + TEXT.encode(), []),
        (TEXT.encode("utf-16"), ["job-sheet-utf16"]),
        (codecs.BOM_UTF16_BE + TEXT.encode("utf-16-be"), ["job-sheet-utf16"]),
        (TEXT.encode("cp1252"), ["job-sheet-cp1252"]),
    ],
)
def test_every_encoding_gives_the_same_cells(data: bytes, expected: list[str]) -> None:
    table = read(data)
    assert table.rows[0].cells == {"transfer_id": "T1", "title": "Fête d’été"}
    assert rules_of(table) == expected


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (TEXT.encode("utf-32"), "job-sheet-encoding"),
        (codecs.BOM_UTF16_LE + b"a\0b", "job-sheet-encoding"),
        (b"transfer_id;title\nT1;\x81\n", "job-sheet-encoding"),
        ("transfer_id;é\n".encode("utf-16-le"), "job-sheet-nul"),
        (b"", "job-sheet-empty"),
        (b"\n;;\n \n", "job-sheet-empty"),
    ],
)
def test_what_is_no_sheet_is_refused(data: bytes, expected: str) -> None:
    table = read(data)
    assert rules_of(table) == [expected]
    assert table.rows == ()


@pytest.mark.parametrize("delimiter", [";", ",", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_and_line_ends(delimiter: str, end: str) -> None:
    lines = ["transfer_id;title;;", "", 'T1;"a""b, c; d\nsecond line";;', ";;;", "T2;x"]
    table = read(end.join(line.replace(";", delimiter) for line in lines).encode())
    first, second = table.rows
    inner = 'a"b, c; d\nsecond line'.replace(";", delimiter).replace("\n", "\n")
    assert (first.number, first.cells["title"]) == (3, inner)
    assert (second.number, second.cells) == (5, {"transfer_id": "T2", "title": "x"})
    assert rules_of(table) == []


def test_the_delimiter_comes_from_the_header_only() -> None:
    table = read(b"transfer_id,title\nT1,a;b;c;d;e;f\n")
    assert table.rows[0].cells["title"] == "a;b;c;d;e;f"


def test_the_separator_hint_of_spreadsheets_is_not_a_row() -> None:
    table = read(b"sep=;\r\ntransfer_id;title\r\nT1;x\r\n")
    assert table.rows[0].number == 2
    assert rules_of(table) == []


def test_a_nul_spoils_its_cell_only() -> None:
    table = read(b"transfer_id;title\nT1;a\0b\n")
    assert table.rows[0].cells == {"transfer_id": "T1"}
    assert table.findings[0].rule == "job-sheet-nul"
    assert table.findings[0].position == {"file": "transfers.csv", "row": 2, "column": "title"}


def test_an_open_quotation_mark_names_its_row() -> None:
    table = read(b'transfer_id;title\nT1;x\nT2;"y\nT3;z\n')
    assert [row.number for row in table.rows] == [2]
    assert (table.findings[0].rule, table.findings[0].position["row"]) == ("row-quotes", 3)


def test_caps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "MAX_ROWS", 3)
    many = read(b"transfer_id\n" + b"T\n" * 9)
    assert len(many.rows) == 3
    assert rules_of(many) == ["job-sheet-too-large"]
    monkeypatch.setattr(tables, "MAX_BYTES", 10)
    assert rules_of(read(b"transfer_id\nT1\n")) == ["job-sheet-too-large"]


def test_large_cells_and_open_quotes_cost_no_time() -> None:
    big = b"transfer_id;title\nT1;" + b"x" * (tables.MAX_CELL_BYTES + 1) + b"\n"
    assert rules_of(read(big)) == ["row-cell-too-large"]
    assert rules_of(read(b'"' * 5_000_001)) == ["row-quotes"]
    assert rules_of(read(b"transfer_id;title\n" + b";" * 100_000)) == ["job-sheet-too-large"]


def test_a_soup_of_one_fault_is_cut_off() -> None:
    table = read(b"transfer_id;title\n" + b"T\n" * 1000)
    assert len(table.findings) == tables.MAX_FINDINGS_PER_RULE + 1
    assert table.findings[-1].what.startswith("800 more")


def test_nearest_column_name_is_suggested() -> None:
    finding = read(b"transfer_id;deckid\nT1;D1\n").findings[0]
    assert finding.rule == "row-header-unknown"
    assert "deck_id" in finding.todo


@pytest.mark.parametrize(("index", "letters"), [(0, "A"), (25, "Z"), (26, "AA"), (701, "ZZ"), (702, "AAA")])
def test_column_letters(index: int, letters: str) -> None:
    assert column_letter(index) == letters


@pytest.mark.parametrize(
    ("data", "rule", "row"),
    [
        (b"a = 1\nb =", "job-toml-syntax", 2),
        (b"a = 1\na = 2", "job-toml-syntax", 2),
        (b"a = 1\nb = '\xff'", "job-sheet-encoding", 2),
        (b"a = 1\n" + b"a" + b".a" * 5000 + b" = 1", "job-toml-syntax", 2),
        (b"a = " + b"[" * 9999, "job-toml-syntax", None),
        (b"a = " + b"9" * 9999, "job-toml-syntax", None),
        (b"a = nan", "job-toml-value", None),
        (b"a = 99999999999999999", "job-toml-value", None),
        (b'a = "\\u0000"', "job-sheet-nul", None),
        (b"\xff\xfea\0", "job-sheet-encoding", 1),
    ],
)
def test_toml_faults(data: bytes, rule: str, row: int | None) -> None:
    document, findings = read_toml(data, "job.toml")
    assert [f.rule for f in findings] == [rule]
    assert findings[0].position.get("row") == row
    assert not document


def test_toml_dates_become_text() -> None:
    document, findings = read_toml(b"\xef\xbb\xbfa = 2031-05-04T10:00:00+02:00\nb = 2031-05-04", "job.toml")
    assert document == {"a": "2031-05-04T10:00:00+02:00", "b": "2031-05-04"}
    assert findings == ()
