"""The equipment register: entries by id, and the questions a job asks it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta, timezone
from typing import Any

from provpack.findings import Finding
from provpack.jobs import rules
from provpack.jobs.declared import declare_table, found_at
from provpack.jobs.loaded import Equipment, Origin
from provpack.jobs.sheetfields import sheet_fields
from provpack.model.formats import is_date, read_date_time

KINDS: Mapping[str, tuple[str, ...]] = {
    "deck": ("deck",),
    "decoder": ("decoder",),
    "capture_device": ("capture_device", "interface", "converter"),
}
"""Kinds of equipment that `<role>_id` may name."""

# Common practice, no source: an offset from UTC lies between -12 and +14 hours.
_EARLIEST = timezone(timedelta(hours=14))
_LATEST = timezone(timedelta(hours=-12))


def read_register(document: Mapping[str, Any], file: str) -> tuple[dict[str, Equipment], list[Finding]]:
    """Entries of an equipment document as declared; an entry without an id, or a second one, is left out."""
    findings: list[Finding] = []
    out: dict[str, Equipment] = {}
    known = {"schema_version", "owner", "equipment"}
    for key in sorted(set(document) - known):
        origin = Origin(level="job", file=file, column=key)
        findings.append(found_at(rules.KEY_UNKNOWN, f"The key '{key}' is not known here.", origin))
    entries = document.get("equipment", [])
    if not isinstance(entries, list):
        origin = Origin(level="job", file=file, column="equipment")
        findings.append(
            found_at(rules.KEY_TYPE, "'equipment' is not a list.", origin, todo="Write [[equipment]] tables.")
        )
        return out, findings
    for n, entry in enumerate(entries, 1):
        origin = Origin(level="job", file=file, column=f"equipment[{n}]")
        if not isinstance(entry, Mapping):
            findings.append(found_at(rules.KEY_TYPE, "The entry is not a table.", origin))
            continue
        declared = declare_table(entry, sheet_fields().equipment, origin)
        findings += declared.findings
        item = equipment_of(declared.values, origin)
        if not item.id:
            if "id" not in declared.refused:
                findings.append(found_at(rules.REQUIRED, "The equipment has no id.", origin))
        elif item.id in out:
            what = f"The id '{item.id}' is already used by {out[item.id].origin.column}."
            findings.append(found_at(rules.CHAIN_REPEATED, what, origin))
        else:
            out[item.id] = item
    return out, findings


def equipment_of(values: Mapping[str, Any], origin: Origin) -> Equipment:
    """The entry that these values, as declared, make."""
    log = values.get("service_log", [])
    services = sorted(str(entry["at"]) for entry in log if entry.get("at"))
    return Equipment(
        id=str(values.get("id", "")),
        kind=str(values.get("kind", "")),
        make_model=str(values.get("make_model", "")),
        serial=str(values.get("serial", "")),
        services=tuple(services),
        faults=tuple(values.get("fault_notices", [])),
        raw=values,
        origin=origin,
    )


def moment_range(text: object) -> tuple[datetime, datetime] | None:
    """Earliest and latest instant a declared moment can mean; a bare date covers its day in every zone."""
    if not isinstance(text, str):
        return None
    exact = read_date_time(text)
    if exact is not None:
        return exact, exact
    if not is_date(text):
        return None
    day = datetime.fromisoformat(text)
    try:
        return day.replace(tzinfo=_EARLIEST), (day + timedelta(days=1)).replace(tzinfo=_LATEST)
    except OverflowError:
        return None


def surely_before(earlier: str, later: str) -> bool:
    """Whether one declared moment lies before another; a bare date is compared as written, by day."""
    one, two = read_date_time(earlier), read_date_time(later)
    if one is not None and two is not None:
        return one < two
    return earlier[:10] < later[:10]


def last_before(moments: Iterable[str], at: str | None) -> str | None:
    """The latest declared moment that is not surely after `at` (the latest of all when `at` is None)."""
    best: str | None = None
    for text in moments:
        if moment_range(text) is None or (at is not None and surely_before(at, text)):
            continue
        if best is None or not surely_before(text, best):
            best = text
    return best


def checks_of(
    equipment: Iterable[Equipment], chain_id: str | None
) -> list[tuple[Equipment, Mapping[str, Any]]]:
    """Passed chain checks on these pieces of equipment, those of another chain left out."""
    out = []
    for item in equipment:
        raw = item.raw.get("checks", [])
        for check in raw if isinstance(raw, list) else []:
            other = check.get("chain_id")
            if check.get("outcome") == "passed" and (other is None or other == chain_id):
                out.append((item, check))
    return out
