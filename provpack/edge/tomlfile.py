"""Reading TOML sheets (job.toml, equipment.toml) with Python's own parser, as plain JSON values.

Dates and times become ISO 8601 text, as in the record; what JSON cannot hold is reported and left out.
"""

from __future__ import annotations

import datetime
import math
import re
import tomllib
from typing import Any

from provpack.edge import input_rules as rules
from provpack.edge.tables import Findings, fit_for_text, shortened
from provpack.findings import Finding

MAX_TOML_BYTES = 16 * 1024 * 1024
MAX_DEPTH = 16
MAX_INTEGER = 2**53
"""Largest integer every JSON reader takes exactly (RFC 8259 section 6)."""

# The parser's time grows with the square of a dotted key's length (a key of 8 000 parts takes 0.6 s), so
# such keys are refused before it sees them. Possessive repeats keep this search linear.
_KEY_PART = r"""(?:[\w\-]++|"[^"\n]*+"|'[^'\n]*+')"""
_DEEP_KEY = re.compile(rf"(?<![\w.\-])(?:{_KEY_PART}[ \t]*+\.[ \t]*+){{{2 * MAX_DEPTH}}}")
_AT_LINE = re.compile(r"\(at line (\d+), column (\d+)\)$")


def read_toml(data: bytes, name: str) -> tuple[dict[str, Any] | None, tuple[Finding, ...]]:
    """The document as JSON values, None when it cannot be parsed at all; and everything found."""
    found = Findings(name, row="line", column="key")
    if len(data) > MAX_TOML_BYTES:
        found.add(rules.SHEET_TOO_LARGE, f"The file has {len(data)} bytes; {MAX_TOML_BYTES} are allowed.")
        return None, found.done()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found.add(
            rules.SHEET_ENCODING,
            f"Line {line} is not UTF-8 (byte 0x{data[error.start]:02x}).",
            row=line,
            todo="Save the file again as UTF-8.",
        )
        return None, found.done()
    deep = _DEEP_KEY.search(text)
    if deep:
        line = text.count("\n", 0, deep.start()) + 1
        found.add(rules.TOML_SYNTAX, f"A key in line {line} has more than {2 * MAX_DEPTH} parts.", row=line)
        return None, found.done()
    try:
        document = tomllib.loads(text)
    except RecursionError:
        found.add(rules.TOML_SYNTAX, "Brackets are nested deeper than any job needs.")
        return None, found.done()
    except ValueError as error:
        _syntax(str(error), text, found)
        return None, found.done()
    return _plain_table(document, "", 0, found), found.done()


def _syntax(message: str, text: str, found: Findings) -> None:
    at = _AT_LINE.search(message)
    line = int(at.group(1)) if at else None
    if "at end of document" in message:
        line = text.count("\n") + 1
    what = _AT_LINE.sub("", message).strip()
    if "limit" in what and "digits" in what:
        what = "a number has thousands of digits"
    shown = ""
    if line is not None:
        lines = text.splitlines()
        shown = f" The line reads {shortened(lines[line - 1].strip())}." if line <= len(lines) else ""
    place = f"Line {line}" if line else "The file"
    found.add(rules.TOML_SYNTAX, f"{place} is not TOML: {what[:120]}.{shown}", row=line)


def _plain_table(table: dict[str, Any], prefix: str, depth: int, found: Findings) -> dict[str, Any]:
    plain = {
        key: _plain(value, f"{prefix}{key}", depth + 1, found)
        for key, value in table.items()
        if fit_for_text(key, prefix or "(a key)", None, found)
    }
    return {key: value for key, value in plain.items() if value is not None}


def _plain(value: Any, key: str, depth: int, found: Findings) -> Any:
    """The value in JSON's terms; a value JSON cannot hold becomes None and is reported."""
    if depth > MAX_DEPTH:
        found.add(
            rules.TOML_VALUE,
            "The value is nested deeper than any record.",
            column=shortened(key, quote=False),
        )
        return None
    if isinstance(value, dict):
        return _plain_table(value, f"{key}.", depth, found)
    if isinstance(value, list):
        plain = (_plain(v, f"{key}[{n}]", depth + 1, found) for n, v in enumerate(value, 1))
        return [v for v in plain if v is not None]
    if isinstance(value, str):
        return value if fit_for_text(value, key, None, found) else None
    if isinstance(value, bool):
        return value
    if isinstance(value, (datetime.datetime, datetime.date, datetime.time)):
        return value.isoformat()
    if isinstance(value, float) and not math.isfinite(value):
        found.add(rules.TOML_VALUE, f"The value is {value}, which is not a number.", column=key)
        return None
    if isinstance(value, int) and abs(value) > MAX_INTEGER:
        found.add(rules.TOML_VALUE, "The number is too large to be exact everywhere.", column=key)
        return None
    return value
