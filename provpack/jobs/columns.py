"""What each column of a sheet holds, read from the schemas, so that sheet and schema cannot drift apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

Kind = Literal[
    "id",  # an identifier or serial: one line, nothing a spreadsheet may have changed
    "line",  # a name: one line
    "prose",  # free text, kept as typed
    "enum",
    "integer",
    "number",
    "date",
    "date_time",
    "moment",  # a date, or a date and time
    "edtf",
    "rational",
    "position",  # frames, or a time
    "path",
    "list",
    "table",  # a list of objects: a sheet of its own
    "object",
]
_NAMED_KINDS: Mapping[str, Kind] = {
    "date": "date",
    "date_time": "date_time",
    "moment": "moment",
    "edtf": "edtf",
    "rational": "rational",
    "position": "position",
    "path": "path",
}
_PROSE = frozenset({"title", "label_transcription", "note", "reason", "parameters"})
_IDS = frozenset({"chain", "capture_input", "rule", "serial", "id", "corrects", "plays_again"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One field: what it holds, its vocabulary, what its list holds, its columns when it is a table."""

    name: str
    kind: Kind
    words: tuple[object, ...] = ()
    nullable: bool = False
    item: Column | None = None
    fields: Mapping[str, Column] = field(default_factory=dict)


def column_of(name: str, schema: Mapping[str, Any], defs: Mapping[str, Any]) -> Column:
    """The column a JSON Schema describes; defs are the definitions that `#/$defs/` refers to."""
    schema = _merged(schema, defs)
    named = schema.get("x-name", "")
    if named in _NAMED_KINDS:
        return Column(name=name, kind=_NAMED_KINDS[named])
    choices = schema.get("anyOf") or schema.get("oneOf")
    if choices and "properties" not in schema:
        parts = [column_of(name, choice, defs) for choice in choices if choice.get("type") != "null"]
        nullable = len(parts) < len(choices)
        kinds = {part.kind for part in parts}
        if kinds == {"date", "date_time"}:
            return Column(name=name, kind="moment", nullable=nullable)
        best = next((p for p in parts if p.kind not in ("object",)), parts[0])
        return Column(
            name=name,
            kind=best.kind,
            words=best.words,
            nullable=nullable or best.nullable,
            item=best.item,
            fields=best.fields,
        )
    if "enum" in schema or "const" in schema:
        words = tuple(schema.get("enum", [schema.get("const")]))
        kept = tuple(word for word in words if word is not None)
        return Column(name=name, kind="enum", words=kept, nullable=None in words)
    types = schema.get("type", "string")
    names = [types] if isinstance(types, str) else list(types)
    nullable = "null" in names
    main = next((t for t in names if t != "null"), "string")
    if main == "array":
        item = column_of(name, schema.get("items", {"type": "string"}), defs)
        if item.kind == "object":
            return Column(name=name, kind="table", nullable=nullable, fields=item.fields)
        return Column(name=name, kind="list", nullable=nullable, item=item)
    if main == "object":
        fields = {k: column_of(k, v, defs) for k, v in schema.get("properties", {}).items()}
        return Column(name=name, kind="object", nullable=nullable, fields=fields)
    if main == "boolean":
        return Column(name=name, kind="enum", words=(True, False), nullable=nullable)
    if main in ("integer", "number"):
        kind: Kind = "integer" if main == "integer" else "number"
        return Column(name=name, kind=kind, nullable=nullable)
    return Column(name=name, kind=_text_kind(name, schema), nullable=nullable)


def _merged(schema: Mapping[str, Any], defs: Mapping[str, Any]) -> dict[str, Any]:
    """The schema with its references followed; `x-name` is the last definition passed."""
    out = dict(schema)
    for _ in range(10):
        reference = out.pop("$ref", None)
        if reference is None:
            break
        name = str(reference).rsplit("/", 1)[-1]
        out = {**defs[name], **out, "x-name": name}
        if name in _NAMED_KINDS:
            break
        if "$ref" in defs[name]:
            out["$ref"] = defs[name]["$ref"]
    return out


def _text_kind(name: str, schema: Mapping[str, Any]) -> Kind:
    if name in _PROSE or name.endswith("_note"):
        return "prose"
    if name in _IDS or name.endswith(("_id", "_serial")) or "pattern" in schema:
        return "id"
    return "line"
