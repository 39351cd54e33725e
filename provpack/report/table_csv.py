"""Rows as CSV text (RFC 4180), for people who open it in a spreadsheet. Pure: values in, text out.

The text begins with a byte order mark (U+FEFF, written as EF BB BF), since a spreadsheet else takes UTF-8 for
an older code; a program reads it with the encoding `utf-8-sig`, or asks for --json. Names and notes come from
files that others made. So that none of them becomes a formula when the table is opened, a cell of text that
begins like one has an apostrophe put before it; one that begins with an apostrophe has another, so that
whoever takes one apostrophe off every cell of text that begins with one has the text back. Control
characters, line breaks, direction marks and bytes that are no Unicode are shown as escapes: each row is one
line. Numbers are written as they are.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from provpack.package.bagpaths import readable

Cell = str | int | float | None
"""None is an empty cell."""

BYTE_ORDER_MARK = "\ufeff"
_LONGEST = 32_767 - 8
"""Characters of a cell that common spreadsheets take (32 767, common practice, no source)."""
_FORMULA = re.compile(r"\s*[=+\-@\uff1d\uff0b\uff0d\uff20'\u2212]")
_QUOTED = re.compile(r'[",\r\n]')
_MORE = re.compile("[\u061c\ufeff]")


def csv_lines(columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Iterator[str]:
    """The table line by line, each with its line end CRLF; the first is the byte order mark and the heads.

    Raises ValueError for a row of another length than the heads: every line has as many fields (RFC 4180,
    section 2, rule 4).
    """
    yield BYTE_ORDER_MARK + record(columns)
    for row in rows:
        if len(row) != len(columns):
            raise ValueError(f"{len(row)} cells for {len(columns)} columns")
        yield record([harmless(cell) for cell in row])


def harmless(cell: Cell) -> str:
    """The cell as text that neither a terminal nor a spreadsheet takes for anything but text."""
    if cell is None:
        return ""
    if not isinstance(cell, str):
        return repr(cell) if isinstance(cell, float) else str(cell)
    begins_like_formula = _FORMULA.match(cell) is not None
    text = _MORE.sub(lambda hit: f"\\u{ord(hit[0]):04x}", readable(cell))
    if len(text) > _LONGEST:
        text = text[:_LONGEST] + " [...]"
    return "'" + text if begins_like_formula else text


def record(cells: Iterable[str]) -> str:
    """One line of a table: fields with a comma, quote or line break in quotes, quotes doubled (RFC 4180,
    section 2, rules 1 and 5 to 7)."""
    return ",".join(_field(cell) for cell in cells) + "\r\n"


def _field(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if _QUOTED.search(cell) else cell
