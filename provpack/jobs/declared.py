"""Cells and keys turned into values with their origins; what is wrong with them becomes findings."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from provpack.edge.tables import Row, is_blank, shortened
from provpack.findings import Finding, Rule, Severity
from provpack.jobs import rules
from provpack.jobs.cells import ABSENT, ALONE, Reading, contradiction, read_cell
from provpack.jobs.columns import Column
from provpack.jobs.loaded import DeclaredIn, Equipment, Level, Origin


def found_at(
    rule: Rule, what: str, origin: Origin, *, todo: str = "", severity: Severity | None = None
) -> Finding:
    """A finding of the rule at a declared place."""
    return rule.found(what, str(origin), todo=todo, severity=severity, position=origin.position())


@dataclass(slots=True)
class Declared:
    """Values of one place (a row, a chain, the defaults) with their origins, and what was found."""

    values: dict[str, Any] = field(default_factory=dict)
    origins: dict[str, Origin] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    refused: set[str] = field(default_factory=set)
    """Fields that were given but cannot be taken: a missing value is then not a second fault."""
    withheld: set[str] = field(default_factory=set)
    """Fields of which somebody said that nobody knows: chain, defaults and job do not fill them in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheets:
    """What the sheets declare, place by place and before anything is merged.

    chains, equipment: by id. rows: the transfers, each with where it stands. companions: transfer -> name of
    a table -> its rows in the sheet of that name. read: the sheets that were read.
    """

    job: Declared
    defaults: Declared
    chains: dict[str, Declared]
    equipment: dict[str, Equipment]
    rows: list[tuple[Declared, Origin]]
    companions: Mapping[str, Mapping[str, Declared]]
    read: Sequence[DeclaredIn]


def declare_row(row: Row, columns: Mapping[str, Column], level: Level, file: str) -> Declared:
    """The cells of a spreadsheet row as values."""
    out = Declared()
    for name, text in row.cells.items():
        origin = Origin(level=level, file=file, row=row.number, column=name)
        _take(name, read_cell(columns[name], text), origin, out)
    return out


def declare_table(table: Mapping[str, Any], columns: Mapping[str, Column], at: Origin) -> Declared:
    """The keys of a table (TOML, or JSON of the bench log) as values; `at` is the table itself, its column
    the dotted prefix, its row the line where the file has lines."""
    out = Declared()
    for name, value in table.items():
        key = f"{at.column}.{name}" if at.column else name
        origin = replace(at, column=key)
        column = columns.get(name)
        if column is None:
            near = difflib.get_close_matches(name[:80], sorted(columns), n=1)
            todo = f"Did you mean '{near[0]}'?" if near else ""
            out.findings.append(
                found_at(rules.KEY_UNKNOWN, f"{shortened(name)} is not known here.", origin, todo=todo)
            )
            continue
        inner = _Value(at, out.findings)
        result = inner.read(column, value, key)
        if result is ABSENT:
            out.refused.add(name)
        else:
            out.values[name] = result
            out.origins[name] = origin
    return out


def _take(name: str, reading: Reading, origin: Origin, out: Declared) -> None:
    for fault in reading.faults:
        out.findings.append(
            found_at(fault.rule, fault.what, origin, todo=fault.todo, severity=fault.severity)
        )
    if reading.value is ABSENT:
        out.refused.add(name)
    else:
        out.values[name] = reading.value
        out.origins[name] = origin


class _Value:
    """Reads a TOML value as its column wants it; texts are held to the same rules as cells."""

    def __init__(self, at: Origin, findings: list[Finding]) -> None:
        self._at = at
        self._findings = findings

    def read(self, column: Column, value: Any, key: str) -> Any:
        origin = replace(self._at, column=key)
        if value is None and column.nullable:  # no TOML can say it; a line of the bench log can
            return None
        if column.kind == "table" or (column.kind == "list" and isinstance(value, list)):
            return self._list(column, value, key, origin)
        if isinstance(value, Mapping):
            return self._object(column, value, key, origin)
        if column.kind == "object" or isinstance(value, list):
            return self._wrong(column, value, origin)
        if isinstance(value, str):
            return self._text(column, value, origin)
        return self._scalar(column, value, origin)

    def _text(self, column: Column, value: str, origin: Origin) -> Any:
        if is_blank(value):
            self._findings.append(
                found_at(
                    rules.KEY_TYPE,
                    "The text is empty.",
                    origin,
                    todo="Leave it out when there is nothing to say, or write unknown where allowed.",
                )
            )
            return ABSENT
        if column.kind in ("integer", "number"):
            return self._wrong(column, value, origin)
        reading = read_cell(column, value)
        holder = Declared()
        _take(column.name, reading, origin, holder)
        self._findings.extend(holder.findings)
        return reading.value

    def _scalar(self, column: Column, value: Any, origin: Origin) -> Any:
        whole = isinstance(value, int) and not isinstance(value, bool)
        fits = {
            "integer": whole,
            "number": whole or isinstance(value, float),
            "position": whole and value >= 0,
        }
        if fits.get(column.kind):
            return value
        if column.kind == "rational" and whole and value > 0:
            return {"num": value, "den": 1}
        if column.kind == "enum" or (column.kind == "edtf" and whole):
            return self._text(column, str(value), origin)
        return self._wrong(column, value, origin)

    def _object(self, column: Column, value: Mapping[str, Any], key: str, origin: Origin) -> Any:
        if column.kind == "rational":
            if set(value) == {"num", "den"} and all(type(v) is int and v > 0 for v in value.values()):
                return dict(value)
            return self._wrong(column, value, origin)
        if column.kind != "object":
            return self._wrong(column, value, origin)
        if not column.fields:
            return dict(value)
        return self._fields(column.fields, value, key, origin)

    def _fields(
        self, fields: Mapping[str, Column], value: Mapping[str, Any], key: str, origin: Origin
    ) -> Any:
        inner = declare_table(value, fields, replace(self._at, column=key))
        self._findings.extend(inner.findings)
        return inner.values

    def _list(self, column: Column, value: Any, key: str, origin: Origin) -> Any:
        if not isinstance(value, list):
            return self._wrong(column, value, origin)
        out = []
        for n, part in enumerate(value, 1):
            place = f"{key}[{n}]"
            if column.kind == "table":
                if not isinstance(part, Mapping):
                    return self._wrong(column, part, replace(self._at, column=place))
                result = self._fields(column.fields, part, place, origin)
            else:
                result = self.read(column.item or Column(name=column.name, kind="line"), part, place)
            if result is ABSENT:
                return ABSENT
            out.append(result)
        words = column.item.words if column.kind == "list" and column.item is not None else ()
        against = contradiction(out) if words else ""
        if against:
            self._findings.append(found_at(rules.CELL_LIST, against, origin, todo=ALONE))
            return ABSENT
        return out

    def _wrong(self, column: Column, value: Any, origin: Origin) -> Any:
        kind = {
            "enum": "one of: " + ", ".join(str(w).casefold() for w in column.words),
            "list": "a list",
            "table": "a list of tables",
            "object": "a table",
            "integer": "a whole number",
            "number": "a number",
            "rational": "a sampling frequency such as 44100 or '44100000/1001'",
            "position": "sample frames, or a time 'h:mm:ss'",
            "date": "a date",
            "date_time": "a date and time with offset",
            "moment": "a date, or a date and time with offset",
        }.get(column.kind, "a text in quotation marks")
        self._findings.append(
            found_at(
                rules.KEY_TYPE,
                f"{shortened(str(value))} is not what belongs there.",
                origin,
                todo=f"Write {kind}.",
            )
        )
        return ABSENT
