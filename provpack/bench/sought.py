"""Was it logged? For a page whose act got no answer: the line that says the same, if there is one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from provpack.jobs.benchdesk import Desk
from provpack.model.formats import read_date_time


def sought(desk: Desk, kind: str, members: Mapping[str, Any], after: int) -> dict[str, Any] | None:
    """{n, at, undo} of the first line behind line `after` that a page wrote and that says what members say;
    None when no line does. What the desk may have put in another form (a cell, a list, settings) is not
    compared: for one place the others are enough."""
    desk.refresh()
    said = [(name, value) for name, value in members.items() if name != "was"]
    for entry in desk.state.entries:
        if entry["n"] <= after or entry["kind"] != kind or entry["through"] != "page":
            continue
        if all(_says(entry, name, value) for name, value in said):
            return {"n": entry["n"], "at": entry["at"], "undo": kind != "taken_back"}
    return None


def _says(entry: Mapping[str, Any], name: str, value: Any) -> bool:
    there = entry.get(name)
    if isinstance(value, str):
        if name.endswith("_at") and isinstance(there, str):
            return read_date_time(there) == read_date_time(value)
        return (there or "") == value.strip() if isinstance(there, str | None) else name == "value"
    if isinstance(value, Mapping | list):
        return True
    return bool(there == value)
