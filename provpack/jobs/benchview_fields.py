"""A field as a page shows it: what stands, where it comes from, and how it can be stated."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from provpack.jobs.benchact import clock_words
from provpack.jobs.benchdesk import Desk
from provpack.jobs.columns import Column
from provpack.jobs.corrections import CORRECTS, PLAYS_AGAIN
from provpack.jobs.load import JOB_SHEET
from provpack.jobs.loaded import LoadedTransfer, Origin
from provpack.jobs.sheetfields import sheet_fields
from provpack.package.benchline import LOG_NAME


def field_view(desk: Desk, transfer_id: str, row: LoadedTransfer | None, name: str) -> dict[str, Any]:
    """{field, at, input, value, text, was, origin, undo, options, items, empty, day, rows, parts, hint}.

    at: scope and id of what it is stated of. value: what the record would have; was: what a line about it
    says it saw; undo: the line that can be taken back, None when it was not said here. input: prose, text,
    choice, list, now, rows, parts. empty: "none" can be said, as an empty list. day: a date without a time.
    """
    own = desk.in_force("transfer", transfer_id, name)
    value = own if own is not None else desk.merged(transfer_id, name)
    origin = origin_words(desk, transfer_id, row, name, value)
    return _view(desk, "transfer", transfer_id, sheet_fields().transfer[name], value, origin)


def own_field_view(desk: Desk, scope: str, id_: str | None, name: str, hint: str = "") -> dict[str, Any]:
    """The same for a field of the job, the defaults, a chain or a piece of equipment. hint: in place of the
    usual one."""
    column: Column = getattr(sheet_fields(), scope)[name]
    value = desk.in_force(scope, id_, name)
    out = _view(desk, scope, id_, column, value, _own_origin(desk, scope, id_, name, value))
    return {**out, "hint": hint or out["hint"]}


def _view(desk: Desk, scope: str, id_: str | None, column: Column, value: Any, origin: str) -> dict[str, Any]:
    stated = desk.state.values.get((scope, id_, column.name))
    words = column.item.words if column.kind == "list" and column.item else ()
    out: dict[str, Any] = {
        "field": column.name,
        "at": {"scope": scope, "id": id_},
        "input": _input(column),
        "value": value,
        "text": text_of(value),
        "was": value,
        "origin": origin,
        "undo": stated.n if stated is not None else None,
        "options": _options(column),
        "items": words,
        "empty": bool(words) and not any(str(word).startswith("none") for word in words),
        "day": column.kind == "date",
        "rows": [],
        "parts": [],
        "hint": _hint(column),
    }
    if column.kind == "table":
        listed = value if isinstance(value, list) else []
        out["rows"] = [
            {"n": n, "parts": _parts(column, entry if isinstance(entry, Mapping) else {}), "entry": entry}
            for n, entry in enumerate(listed)
        ]
        out["parts"] = _parts(column, {})
    elif column.kind == "object":
        out["parts"] = _parts(column, value if isinstance(value, Mapping) else {})
    return out


def text_of(value: Any) -> str:
    """A value as it is typed into a cell."""
    if value is None:
        return ""
    if isinstance(value, Mapping) and set(value) == {"num", "den"}:
        return str(value["num"]) if value["den"] == 1 else f"{value['num']}/{value['den']}"
    if isinstance(value, list) and not any(isinstance(v, Mapping | list) for v in value):
        return " | ".join(text_of(v) for v in value)
    if isinstance(value, bool | Mapping | list):
        return json.dumps(value, ensure_ascii=False)
    return str(value)


def _input(column: Column) -> str:
    if column.kind == "enum":
        return "choice"
    if column.kind == "list":
        return "list" if column.item is not None and column.item.words else "text"
    if column.kind in ("table", "object"):
        return "rows" if column.kind == "table" else "parts"
    if column.kind in ("date", "date_time", "moment"):
        return "now"
    return "prose" if column.kind == "prose" else "text"


def _options(column: Column) -> tuple[tuple[str, Any], ...]:
    return tuple((json.dumps(word, ensure_ascii=False), word) for word in column.words)


def _hint(column: Column) -> str:
    if column.kind == "list" and not (column.item and column.item.words):
        return "Several: put | between them."
    return {
        "date": "As 2026-06-12.",
        "date_time": "As 2026-06-12T20:30:00+02:00.",
        "moment": "As 2026-06-12, or with the time: 2026-06-12T20:30:00+02:00.",
        "edtf": "As 1986-11-02, 1986-11 or 1986; a ? behind it when it is not certain.",
        "rational": "Exact, as 44100 or 44100000/1001.",
        "position": "As h:mm:ss, or the number of the sample frame.",
    }.get(column.kind, "")


def _parts(column: Column, entry: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The inputs of one row of a table. send: how the script reads each one."""
    out = []
    for name, part in column.fields.items():
        send = "text"
        if part.kind in ("integer", "number"):
            send = "number"
        elif part.kind in ("table", "object", "rational", "enum"):
            send = "json"
        elif part.kind == "list":
            send = "several"
        value = entry.get(name)
        out.append(
            {
                "field": name,
                "input": "text" if part.kind == "list" else _input(part),
                "send": send,
                "text": json.dumps(value, ensure_ascii=False)
                if send == "json" and part.kind != "enum" and value is not None
                else text_of(value),
                "value": value,
                "options": _options(part),
                "day": part.kind == "date",
                "hint": "As JSON." if send == "json" and part.kind != "enum" else _hint(part),
            }
        )
    return out


def origin_words(desk: Desk, transfer_id: str, row: LoadedTransfer | None, name: str, value: Any) -> str:
    """Where a value comes from, in words; "" when there is none."""
    said = _said_here(desk, "transfer", transfer_id, name)
    if said:
        return said
    if value is None and (row is None or name not in row.origins):
        return ""
    if row is None or name not in row.origins:
        return f"with the row: {row.origin}" if row is not None else ""
    lead = _taken_over(desk, transfer_id, name, row.origins[name])
    return lead + _place(desk, row.origins[name], row.chain_id, desk.now())


def _taken_over(desk: Desk, transfer_id: str, name: str, origin: Origin) -> str:
    """ "of T01: " for a value that stands as it was stated of the transfer that this one takes over from."""
    said = desk.said().transfers.get(transfer_id, {})
    of = said.get(CORRECTS) or said.get(PLAYS_AGAIN)
    if not of or name in said or origin.level not in ("row", "companion"):
        return ""
    if origin.file == LOG_NAME:
        entry = next((e for e in desk.state.entries if e.get("n") == origin.row), {})
        if transfer_id in (entry.get("transfer_id"), entry.get("id")):
            return ""
    return f"of {of}: "


def _own_origin(desk: Desk, scope: str, id_: str | None, name: str, value: Any) -> str:
    """Where a value of the job, the defaults, a chain or a piece of equipment comes from."""
    said = _said_here(desk, scope, id_, name)
    if said or value is None:
        return said
    job = desk.job()
    if scope == "equipment":
        item = job.equipment.get(id_ or "")
        return str(item.origin) if item is not None else ""
    if scope == "job" and name in job.job_origins:
        return str(job.job_origins[name])
    return JOB_SHEET


def _said_here(desk: Desk, scope: str, id_: str | None, name: str) -> str:
    """When and by whom a field was stated at its own place in the bench log; "" when it was not."""
    stated = desk.state.values.get((scope, id_, name))
    if stated is None:
        return ""
    by = f" by {stated.by}" if stated.by else ""
    did = "taken away" if stated.value is None else "said"
    return f"{did} here {clock_words(stated.at, desk.now())}{by}"


def _place(desk: Desk, origin: Origin, chain_id: str | None, now: datetime) -> str:
    if origin.file == LOG_NAME and origin.row is not None:
        entry = next((e for e in desk.state.entries if e.get("n") == origin.row), {})
        by = f" by {entry['by']}" if entry.get("by") else ""
        when = clock_words(str(entry.get("at", "")), now)
        if entry.get("kind") == "pass_started":
            return f"confirmed for a pass {when}{by}"
        of = {"chain": f" for chain {entry.get('id')}", "defaults": " for the whole job"}
        return f"said at the bench {when}{by}{of.get(str(entry.get('scope')), '')}"
    lead = {"chain": f"chain {chain_id}: ", "defaults": "default of the job: ", "job": "of the job: "}
    return lead.get(origin.level, "") + str(origin)
