"""Reading sheets: delimited text as spreadsheets really write it, and TOML.

Works on bytes already read (edge/jobfolder.py opens files), so every oddity is testable without a disk.
Nothing here knows what a column means: cells come out as text, `jobs/cells.py` understands them.
Row numbers are those a spreadsheet shows: the header is row 1 and blank rows count.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from provpack.edge import input_rules as rules
from provpack.findings import Finding, Rule

MAX_BYTES = 64 * 1024 * 1024
MAX_ROWS = 100_000
MAX_COLUMNS = 16_384
"""The most columns a spreadsheet exports."""
MAX_CELLS = 4_000_000
MAX_CELL_BYTES = 1024 * 1024
MAX_FINDINGS_PER_RULE = 200

BLANK = (
    " \t\r\n\v\f\u00a0\u1680\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a"
    "\u200b\u202f\u205f\u3000\ufeff"
)
"""What a cell may consist of and still be empty."""

_DELIMITERS = (";", ",", "\t")
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")
_SUGGESTED = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row with content: its spreadsheet row number, and its cells by column name, blank ones left out."""

    number: int
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A sheet: name for messages, columns recognised (in order), rows with content, everything found."""

    name: str
    columns: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()
    findings: tuple[Finding, ...] = ()


class Findings:
    """Collects findings of one file; a soup of one fault is cut off after MAX_FINDINGS_PER_RULE."""

    def __init__(self, name: str, *, row: str = "row", column: str = "column") -> None:
        """row, column: what the two coordinates are called in this kind of file."""
        self._name = name
        self._words = (row, column)
        self._list: list[Finding] = []
        self._count: dict[str, int] = {}

    def add(self, rule: Rule, what: str, *, row: int | None = None, column: str = "", todo: str = "") -> None:
        """Note a finding at a row and column of the file."""
        seen = self._count[rule.id] = self._count.get(rule.id, 0) + 1
        if seen > MAX_FINDINGS_PER_RULE:
            return
        where, position = self._name, {"file": self._name} | ({"row": row} if row else {})
        where += f", {self._words[0]} {row}" if row else ""
        where += f", {self._words[1]} {column}" if column else ""
        if column:
            position[self._words[1]] = column
        self._list.append(rule.found(what, where, todo=todo, position=position))

    def done(self) -> tuple[Finding, ...]:
        """All findings, with one line for each rule that was cut off."""
        more = [
            Finding(
                rule=rule,
                severity=next(f.severity for f in self._list if f.rule == rule),
                what=f"{count - MAX_FINDINGS_PER_RULE} more of the same kind are not listed.",
                where=self._name,
                todo="Correct those listed and check again.",
                position={"file": self._name},
            )
            for rule, count in self._count.items()
            if count > MAX_FINDINGS_PER_RULE
        ]
        return (*self._list, *more)


def is_blank(text: str) -> bool:
    """True for a cell that a person sees as empty."""
    return not text.strip(BLANK)


def column_letter(index: int) -> str:
    """The letters a spreadsheet shows for the column with that index from 0: A, B, .. Z, AA."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def decode_sheet(data: bytes, found: Findings) -> str | None:
    """Text of a sheet: UTF-8 with or without BOM, UTF-16 with BOM, else Windows-1252; None if no text."""
    if data.startswith((b"\xff\xfe\0\0", b"\0\0\xfe\xff")):
        found.add(rules.SHEET_ENCODING, "The sheet is UTF-32, which no spreadsheet writes as CSV.")
        return None
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            text = data.decode("utf-16")
        except UnicodeDecodeError as error:
            found.add(rules.SHEET_ENCODING, f"The sheet starts as UTF-16 but breaks at byte {error.start}.")
            return None
        found.add(rules.SHEET_UTF16, "The sheet is UTF-16 and was read as such.")
        return text
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        start = error.start
    if b"\0" in data:
        line = data.count(b"\n", 0, data.index(b"\0")) + 1
        found.add(
            rules.SHEET_NUL, f"The sheet is not UTF-8 and holds NUL bytes, the first in line {line}: no text."
        )
        return None
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found.add(
            rules.SHEET_ENCODING,
            f"Line {line} is neither UTF-8 nor Windows-1252 (byte 0x{data[error.start]:02x}).",
        )
        return None
    line = data.count(b"\n", 0, start) + 1
    found.add(rules.SHEET_CP1252, f"Line {line} is not UTF-8; the sheet was read as Windows-1252.")
    return text


def read_table(data: bytes, name: str, *, known: Collection[str]) -> Table:
    """Read a delimited sheet whose columns are among `known`.

    Never raises for what the bytes hold. Unknown and repeated columns are reported and left out, and so
    are cells that cannot be text; everything else is kept as it was typed.
    """
    found = Findings(name)
    if len(data) > MAX_BYTES:
        found.add(rules.SHEET_TOO_LARGE, f"The sheet has {len(data)} bytes; {MAX_BYTES} are allowed.")
        return Table(name=name, findings=found.done())
    text = decode_sheet(data, found)
    if text is None:
        return Table(name=name, findings=found.done())
    start, delimiter = _sniff(text, known, found)
    records = _records(text, start, delimiter, found)
    header, number = _header_row(records)
    if header is None:
        if not found.done():
            found.add(rules.SHEET_EMPTY, "The sheet is empty.")
        return Table(name=name, findings=found.done())
    columns = _columns(header, number, known, found)
    rows = tuple(_rows(records, header, columns, found))
    return Table(name=name, columns=tuple(columns.values()), rows=rows, findings=found.done())


def _sniff(text: str, known: Collection[str], found: Findings) -> tuple[int, str]:
    """Where the table starts (after a spreadsheet's `sep=` line) and its delimiter, from the header only."""
    hint = re.match(r'"?sep=([;,\t])"?\r?\n', text, re.IGNORECASE)
    if hint:
        return hint.end(), hint.group(1)
    quiet = Findings("")
    best: tuple[int, int, str] = (0, 0, ",")
    head: list[str] = []
    for delimiter in _DELIMITERS:
        header, _ = _header_row(_records(text, 0, delimiter, quiet))
        if header is None:
            continue
        hits = len({_tidy(cell) for cell in header} & set(known))
        if (hits, len(header)) > best[:2]:
            best = (hits, len(header), delimiter)
            head = header
    if best[0] == 0 and best[1] == 1 and head:
        found.add(
            rules.SHEET_DELIMITER,
            f"The header is one piece, {shortened(head[0])}: no comma, semicolon or tab is in it.",
            row=1,
        )
    return 0, best[2]


def _header_row(records: Iterator[tuple[int, list[str]]]) -> tuple[list[str] | None, int]:
    """The first row that says anything; a row of delimiters says nothing, whichever of them divides it."""
    for number, cells in records:
        if any(cell.strip(BLANK + ";,") for cell in cells):
            return cells, number
    return None, 0


def _records(text: str, start: int, delimiter: str, found: Findings) -> Iterator[tuple[int, list[str]]]:
    """Split into (row number, cells). Linear in the text; stops at the caps and at a quote left open."""
    plain = re.compile(f"[^{re.escape(delimiter)}\r\n]*")
    at, end, number, total = start, len(text), 0, 0
    while at < end:
        number += 1
        cells: list[str] = []
        while True:
            opening = at
            while text.startswith(" ", opening):
                opening += 1
            if text.startswith('"', opening):
                closing = _closing_quote(text, opening + 1)
                if closing < 0:
                    found.add(
                        rules.SHEET_QUOTES,
                        f"A quotation mark opens cell {len(cells) + 1} of row {number} and never closes: "
                        f"{shortened(text[opening : opening + 60])}. Everything after it was left out.",
                        row=number,
                    )
                    return
                cell = text[opening + 1 : closing].replace('""', '"')
                tail = plain.match(text, closing + 1)
                at = tail.end() if tail else closing + 1
                rest = text[closing + 1 : at]
                if not is_blank(rest):
                    found.add(
                        rules.SHEET_QUOTES,
                        f"Cell {len(cells) + 1} goes on after its closing quotation mark: {shortened(rest)}.",
                        row=number,
                    )
                    cell += rest
            else:
                match = plain.match(text, at)
                cell = match.group() if match else ""
                at += len(cell)
            cells.append(cell)
            if len(cells) > MAX_COLUMNS:
                found.add(
                    rules.SHEET_TOO_LARGE, f"Row {number} has more than {MAX_COLUMNS} cells.", row=number
                )
                return
            if not text.startswith(delimiter, at):
                break
            at += 1
        at += 2 if text.startswith("\r\n", at) else 1
        total += len(cells)
        if number > MAX_ROWS + 1 or total > MAX_CELLS:
            found.add(
                rules.SHEET_TOO_LARGE,
                f"The sheet has more than {MAX_ROWS} rows or {MAX_CELLS} cells; the rest was left out.",
                row=number,
            )
            return
        yield number, cells


def _closing_quote(text: str, at: int) -> int:
    """Where the quoted cell that starts at `at` ends; -1 when it does not within the size of a cell."""
    limit = at + 2 * MAX_CELL_BYTES
    while True:
        quote = text.find('"', at, limit)
        if quote < 0 or not text.startswith('"', quote + 1):
            return quote
        at = quote + 2


def _tidy(name: str) -> str:
    return re.sub(r"[\s\u00a0\-]+", "_", name.strip(BLANK + "'\"\u2018\u2019\u201c\u201d").casefold())


def _columns(header: list[str], number: int, known: Collection[str], found: Findings) -> dict[int, str]:
    """Index -> name for the columns that are recognised."""
    columns: dict[int, str] = {}
    first: dict[str, int] = {}
    suggested = 0
    for index, written in enumerate(header):
        if is_blank(written):
            continue
        name = written if written in known else _tidy(written)
        letter = column_letter(index)
        if name not in known:
            near: list[str] = []
            if suggested < _SUGGESTED:
                suggested += 1
                near = difflib.get_close_matches(name[:80], sorted(known), n=1)
            found.add(
                rules.HEADER_UNKNOWN,
                f"Column {letter} is called {shortened(written)}, which no field has.",
                row=number,
                column=shortened(written, quote=False),
                todo=f"Did you mean '{near[0]}'? Correct the name, or delete the column." if near else "",
            )
            continue
        if name in first:
            found.add(
                rules.HEADER_DUPLICATE,
                f"Columns {column_letter(first[name])} and {letter} are both called '{name}'; "
                "the second was left out.",
                row=number,
                column=name,
            )
            continue
        if name != written:
            found.add(
                rules.HEADER_TIDIED,
                f"Column {letter} is written {shortened(written)} and was read as '{name}'.",
                row=number,
                column=name,
            )
        first[name] = index
        columns[index] = name
    return columns


def _rows(
    records: Iterator[tuple[int, list[str]]], header: list[str], columns: Mapping[int, str], found: Findings
) -> Iterator[Row]:
    named = max((i for i, cell in enumerate(header) if not is_blank(cell)), default=-1) + 1
    nameless: set[int] = set()
    for number, cells in records:
        filled = [index for index, cell in enumerate(cells) if cell and not is_blank(cell)]
        if not filled:
            continue
        if filled[-1] >= len(header):
            found.add(
                rules.ROW_RAGGED,
                f"Row {number} has {filled[-1] + 1} cells, the header has {named}: "
                f"{shortened(cells[filled[-1]])} is left over.",
                row=number,
            )
        elif len(cells) < named:
            found.add(
                rules.ROW_SHORT,
                f"Row {number} ends after cell {len(cells)}, the header has {named}.",
                row=number,
            )
        kept: dict[str, str] = {}
        for index in filled:
            name = columns.get(index)
            if name is not None:
                if fit_for_text(cells[index], name, number, found):
                    kept[name] = cells[index]
            elif index < len(header) and is_blank(header[index]) and index not in nameless:
                nameless.add(index)
                letter = column_letter(index)
                found.add(
                    rules.HEADER_EMPTY,
                    f"Column {letter} has no name but row {number} says {shortened(cells[index])} there.",
                    row=number,
                    column=letter,
                )
        if kept:
            yield Row(number=number, cells=kept)


def fit_for_text(cell: str, column: str, row: int | None, found: Findings) -> bool:
    if len(cell) * 4 > MAX_CELL_BYTES and len(cell.encode("utf-8", "replace")) > MAX_CELL_BYTES:
        found.add(
            rules.CELL_TOO_LARGE,
            f"The cell has {len(cell)} characters; it was left out.",
            row=row,
            column=column,
        )
        return False
    bad = _CONTROL.search(cell)
    if bad is None:
        return True
    what = f"The cell holds the character U+{ord(bad.group()):04X} at position {bad.start() + 1}"
    rule = rules.SHEET_NUL if bad.group() == "\0" else rules.CELL_CONTROL
    found.add(rule, f"{what}; it was left out.", row=row, column=column, todo="Type the cell again.")
    return False


def shortened(text: str, *, quote: bool = True) -> str:
    """Text for a message: printable, at most 40 characters."""
    clean = "".join(c if c.isprintable() else "\ufffd" for c in text[:41])
    clean = clean if len(clean) <= 40 else clean[:39] + "\u2026"
    return f"'{clean}'" if quote else clean
