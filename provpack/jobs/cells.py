"""One cell of a sheet -> one JSON value of its field, or what is wrong with it.

A cell is taken only when there is one way to read it. What a spreadsheet has mangled is said, with what
it probably was, and never repaired in silence: this is evidence.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from provpack.edge.tables import BLANK, shortened
from provpack.errors import RecordProblem
from provpack.findings import Rule, Severity
from provpack.jobs import rules
from provpack.jobs.celltimes import instead, read_date, read_moment
from provpack.jobs.columns import Column
from provpack.jobs.unseen import unseen
from provpack.model.rates import parse_rate


class _Absent:
    """The cell gives no value."""


ABSENT: Final = _Absent()


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a cell; severity and todo override those of the rule."""

    rule: Rule
    what: str
    todo: str = ""
    severity: Severity | None = None


@dataclass(slots=True)
class Reading:
    """The value of a cell (ABSENT when it cannot be taken) and its faults."""

    value: object = ABSENT
    faults: list[Fault] = field(default_factory=list)

    def fail(self, rule: Rule, what: str, todo: str = "") -> Reading:
        """The cell cannot be taken."""
        self.value = ABSENT
        self.faults.append(Fault(rule, what, todo))
        return self


_OWN_ANSWERS: Final = {"chain_check_id": ("none", "unknown")}
"""Texts whose schema gives these words a meaning: 'none' = the chain was never tested."""
_ERROR_VALUE = re.compile(
    r"^(#(REF|N/A|VALUE|NAME|DIV/0|NULL|NUM|SPILL|CALC|GETTING_DATA|FIELD|BLOCKED|CONNECT|UNKNOWN|BUSY)[!?]?"
    r"|Err:[0-9]+|#+)$",
    re.IGNORECASE,
)
_NO_VALUE = re.compile(
    r"^([+-]?(nan|inf|infinity)|<na>|nat|null|none|nil|n/?a|n\.a\.|undefined|-+|\?+)$", re.IGNORECASE
)
_PROGRAM_NO_VALUE = re.compile(r"^(nan|<na>|nat|null)$", re.IGNORECASE)
_SHORTENED_ID = re.compile(r"^[+-]?[0-9](?:[.,][0-9]+)?[eE]\+[0-9]+$")
_SHORTENED = re.compile(r"^[+-]?[0-9]+(?:[.,][0-9]+)?[eE][+-]?[0-9]+$")
_COMMA = re.compile(r"^[+-]?([0-9]+,[0-9]+|[0-9]{1,3}([., '][0-9]{3})+([.,][0-9]+)?)$")
_DECIMAL_COMMA = re.compile(r"^([+-]?[0-9]+),([0-9]+)$")
_GROUPED = re.compile(r"^[+-]?[0-9]{1,3}([., '])[0-9]{3}(\1[0-9]{3})*$")
_INTEGER = re.compile(r"^[+-]?[0-9]{1,15}(?:\.0{1,6})?$")
_NUMBER = re.compile(r"^[+-]?[0-9]{1,15}(?:\.[0-9]{1,15})?$")
_TIME = re.compile(r"^[0-9]{1,4}:[0-5][0-9]:[0-5][0-9](?:\.[0-9]{1,9})?$")
_SPECIAL_SPACE = re.compile("[\u00a0\u00ad\u1680\u2000-\u200f\u2028-\u202f\u205f-\u2064\u3000\ufeff]")
_SMART = re.compile("[\u2018-\u201f\u2032-\u2036\u00ab\u00bb\u2039\u203a\u00b4]")
_TRUTH_ELSEWHERE: Final = {
    True: "wahr vrai verdadero vero waar verdadeiro prawda sant sand ja oui si sim tak",
    False: "falsch faux falso onwaar fałsz falskt falsk nein non nee nej não nie",
}
"""What spreadsheets and people write for true and false in other languages (from memory): only a hint."""
_MOJIBAKE = re.compile("[\u00c2-\u00f4][\u0080-\u00bf\u0152-\u0192\u02c6\u02dc\u2013-\u203a\u20ac\u2122]")


def read_cell(column: Column, text: str) -> Reading:
    """The value of a cell that is not blank. Faults of severity warning come with a value."""
    reading = Reading()
    hidden = unseen(text, name=column.name)
    if hidden is not None:
        return reading.fail(*hidden)
    if column.kind == "prose":
        return _prose(text, reading)
    stripped = _stripped(text, reading)
    word = stripped.casefold()
    if word in _OWN_ANSWERS.get(column.name, ()):
        reading.value = word
        return reading
    if column.nullable and word == "unknown" and column.kind != "enum":
        reading.value = None
        return reading
    if column.kind == "enum":
        return _word(column, stripped, reading)
    if stripped == "[]" and column.kind in ("list", "table"):
        reading.value = []
        return reading
    if _mangled(column, stripped, reading):
        return reading
    return _READERS[column.kind](column, stripped, reading)


def _prose(text: str, reading: Reading) -> Reading:
    reading.value = text
    stripped = text.strip(BLANK)
    if _ERROR_VALUE.match(stripped):
        return reading.fail(rules.CELL_ERROR, f"{shortened(stripped)} is what a spreadsheet says of a fault.")
    if _PROGRAM_NO_VALUE.match(stripped):
        reading.faults.append(
            Fault(rules.CELL_NAN, f"The text is {shortened(stripped)}.", severity="warning")
        )
    _decoded_well(text, reading)
    return reading


def _stripped(text: str, reading: Reading) -> str:
    """The text without the space around it; a special space there is worth a warning."""
    plain = text.strip(" \t\r\n")
    stripped = plain.strip(BLANK)
    if stripped != plain:
        what = f"Special spaces around {shortened(stripped)} were left out."
        reading.faults.append(Fault(rules.CELL_SPACE, what, severity="warning"))
    return stripped


def _decoded_well(text: str, reading: Reading) -> None:
    if "\ufffd" in text:
        reading.faults.append(
            Fault(rules.CELL_MOJIBAKE, f"Letters were lost before it was saved: {shortened(text)}.")
        )
        return
    if _MOJIBAKE.search(text):
        try:
            better = text.encode("cp1252").decode("utf-8")
        except UnicodeError:
            return
        what = f"The text reads {shortened(text)}; it probably was {shortened(better)}."
        reading.faults.append(Fault(rules.CELL_MOJIBAKE, what))


def _mangled(column: Column, text: str, reading: Reading) -> bool:
    """Faults that make a cell useless whatever its field; True when there is one."""
    shown = shortened(text)
    strict = column.kind not in ("line", "path", "list")
    if _ERROR_VALUE.match(text):
        reading.fail(rules.CELL_ERROR, f"{shown} is what a spreadsheet says of a fault.")
    elif text.startswith("="):
        reading.fail(rules.CELL_ERROR, f"A formula stands there, not its value: {shown}.")
    elif _NO_VALUE.match(text):
        todo = "Write [] for an empty list." if column.kind in ("list", "table") else ""
        if column.kind == "enum":
            todo = f"Leave it empty, or write one of: {', '.join(_spoken(w) for w in column.words)}."
        reading.fail(rules.CELL_NAN, f"{shown} is no answer.", todo)
    elif text.startswith("'"):
        reading.fail(rules.CELL_APOSTROPHE, f"There is an apostrophe at the start: {shown}.")
    elif "\n" in text or "\r" in text:
        reading.fail(rules.CELL_LINE_BREAK, f"A line break stands inside it: {shown}.")
    elif strict and _SPECIAL_SPACE.search(text):
        bad = _SPECIAL_SPACE.search(text)
        code = ord(bad.group()) if bad else 0
        reading.fail(rules.CELL_SPACE, f"A special space (U+{code:04X}) stands inside {shown}.")
    elif strict and _SMART.search(text):
        reading.fail(rules.CELL_QUOTE, f"A typographic quotation mark stands in {shown}.")
    elif column.kind == "line" and _SHORTENED_ID.match(text):
        what = f"The text {shown} looks like a shortened number."
        reading.faults.append(Fault(rules.CELL_SCIENTIFIC, what, severity="warning"))
    elif column.kind == "id" and _SHORTENED_ID.match(text):
        reading.fail(rules.CELL_SCIENTIFIC, f"The identifier {shown} is a number the spreadsheet shortened.")
    return reading.value is ABSENT and any(f.severity is None for f in reading.faults)


def _text(column: Column, text: str, reading: Reading) -> Reading:
    if column.kind == "line" and _SPECIAL_SPACE.search(text):
        what = f"A special space stands inside {shortened(text)}; it was kept."
        reading.faults.append(Fault(rules.CELL_SPACE, what, severity="warning"))
    _decoded_well(text, reading)
    reading.value = text
    return reading


def _word(column: Column, text: str, reading: Reading) -> Reading:
    spoken = re.sub(r"[\s\-]+", "_", text.casefold())
    spoken = re.sub(r"^([0-9]+)\.0+$", r"\1", spoken)
    for word in column.words:
        if spoken == _spoken(word) or (isinstance(word, bool) and spoken == ("yes" if word else "no")):
            reading.value = word
            return reading
    if _mangled(column, text, reading):
        return reading
    words = [_spoken(word) for word in column.words]
    near = difflib.get_close_matches(spoken[:60], words, n=1)
    near = [
        _spoken(w) for w in column.words if isinstance(w, bool) and spoken in _TRUTH_ELSEWHERE[w].split()
    ] or near
    hint = f"Did you mean {near[0]}? " if near else ""
    return reading.fail(
        rules.CELL_VOCABULARY,
        f"{shortened(text)} is not a word of '{column.name}'.",
        f"{hint}Use one of: {', '.join(words)}.",
    )


def _spoken(word: object) -> str:
    return str(word).casefold()


def _number(column: Column, text: str, reading: Reading) -> Reading:
    shown = shortened(text)
    if _INTEGER.match(text):
        reading.value = int(text.split(".")[0])
    elif column.kind == "number" and _NUMBER.match(text):
        reading.value = float(text)
    elif _SHORTENED.match(text):
        reading.fail(rules.CELL_SCIENTIFIC, f"The number {shown} was shortened.")
    elif _COMMA.match(text):
        what = f"The number {shown} can be read in more than one way."
        reading.fail(rules.CELL_COMMA, what, _plainly(text, whole=column.kind == "integer"))
    elif _NUMBER.match(text):
        reading.fail(rules.CELL_NUMBER, f"{shown} is not a whole number.")
    else:
        reading.fail(rules.CELL_NUMBER, f"{shown} is not a number.")
    return reading


def _plainly(text: str, *, whole: bool) -> str:
    """What to write in the place of a number with a decimal comma or grouped digits; "" when nobody can tell.
    whole: only a whole number will do."""
    likely = [re.sub("[^0-9+-]", "", text)] if _GROUPED.match(text) else []
    comma = _DECIMAL_COMMA.match(text)
    if comma and not comma[2].strip("0"):
        likely.append(comma[1])
    elif comma and not whole:
        likely.append(f"{comma[1]}.{comma[2]}")
    which = "whichever" if len(likely) > 1 else "if that"
    return f"Write {' or '.join(likely)}, {which} is meant: no comma, and no grouping." if likely else ""


def _frequency(column: Column, text: str, reading: Reading) -> Reading:
    try:
        parse_rate(text)
        num, _, den = re.sub(r"[^0-9/]", "", text).partition("/")
        reading.value = {"num": int(num), "den": int(den or 1)}
    except RecordProblem:
        hint = _plainly(text, whole=True)
        hint = hint or "For 44.056 kHz write 44100000/1001, for 44.1 kHz write 44100."
        reading.fail(rules.CELL_FREQUENCY, f"{shortened(text)} is not an exact frequency.", hint)
    return reading


def _position(column: Column, text: str, reading: Reading) -> Reading:
    if re.fullmatch(r"[0-9]{1,15}", text):
        reading.value = int(text)
    elif _TIME.match(text):
        reading.value = text
    elif re.fullmatch(r"[0-9]+:[0-9]{2}:[0-9]{2}[:;][0-9]{2}", text):
        reading.fail(
            rules.CELL_POSITION,
            f"{shortened(text)} is a time code, which counts picture frames, not samples.",
        )
    else:
        pointed = text.replace(",", ".")
        todo = f"Write {pointed}, with a point." if _TIME.match(pointed) else _plainly(text, whole=True)
        reading.fail(rules.CELL_POSITION, f"{shortened(text)} is no position in the audio.", todo)
    return reading


def _time(column: Column, text: str, reading: Reading) -> Reading:
    value, fault = (read_date if column.kind == "date" else read_moment)(text, column.kind)
    if fault is not None:
        rule, what, severity = fault
        todo = instead(text, column.kind) if rule is rules.CELL_DATE_ORDER else ""
        reading.faults.append(Fault(rule, what, todo, severity))
    reading.value = ABSENT if value is None else value
    return reading


def _list(column: Column, text: str, reading: Reading) -> Reading:
    item = column.item or Column(name=column.name, kind="line")
    values: list[object] = []
    for part in text.split("|"):
        if not part.strip(BLANK):
            return reading.fail(rules.CELL_LIST, f"The list {shortened(text)} has an empty place.")
        inner = read_cell(item, part)
        reading.faults += inner.faults
        if inner.value is ABSENT:
            if re.search("[,;]", part) and item.kind == "enum":
                reading.faults.append(
                    Fault(rules.CELL_LIST, f"The list {shortened(text)} is not divided by |.")
                )
            return reading
        if inner.value in values:
            return reading.fail(rules.CELL_LIST, f"The list names {shortened(part.strip())} twice.")
        values.append(inner.value)
    against = contradiction(values) if item.words else ""
    if against:
        return reading.fail(rules.CELL_LIST, against, ALONE)
    reading.value = values
    return reading


ALONE: Final = "Leave one of the two out: what was seen, or that it was not."
_SAYS_NOTHING_ELSE: Final = ("unknown", "not_observed", "none")


def contradiction(values: Sequence[object]) -> str:
    """Why the words of a list cannot stand together, "" when they can: one says that nobody knows more."""
    alone = next((v for v in values if v in _SAYS_NOTHING_ELSE), None)
    other = next((v for v in values if v != alone), None)
    return f"'{alone}' and '{other}' cannot both be so." if alone is not None and other is not None else ""


def _table(column: Column, text: str, reading: Reading) -> Reading:
    if column.kind == "object":
        todo = f"Write it in job.toml, as a table '{column.name}' of a [[transfer]]."
    else:
        todo = f"Put it into {column.name}.csv with a column transfer_id, or write [] for 'there are none'."
    return reading.fail(
        rules.CELL_SHEET_ONLY, f"'{column.name}' has several parts, one cell cannot hold it.", todo
    )


_READERS: dict[str, Callable[[Column, str, Reading], Reading]] = {
    "id": _text,
    "line": _text,
    "path": _text,
    "integer": _number,
    "number": _number,
    "rational": _frequency,
    "position": _position,
    "date": _time,
    "date_time": _time,
    "moment": _time,
    "edtf": _time,
    "list": _list,
    "table": _table,
    "object": _table,
}
