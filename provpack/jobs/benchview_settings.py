"""A chain at rest as the page shows it: what stood last time, where each value comes from, and its last test.

Nothing is carried over in silence: every value says where it comes from, and the person confirms it. What
was seen on one tape (lamps, tracking, channel status) is never taken from the pass before.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from provpack.findings import Finding
from provpack.jobs.benchact import clock_words
from provpack.jobs.benchsaid import NO_SETTINGS, same
from provpack.jobs.benchview_fields import text_of
from provpack.jobs.check_chains import chain_check
from provpack.jobs.columns import Column
from provpack.jobs.load import build_record_draft
from provpack.jobs.loaded import LoadedJob, LoadedTransfer, Origin
from provpack.jobs.register import KINDS
from provpack.jobs.sheetfields import sheet_fields
from provpack.model.judge_chain import check_age_days, judge_checks, judge_equipment
from provpack.model.recordview import View
from provpack.model.rules import CHECK_MISSING
from provpack.package.benchstate import BenchState, Pass

GROUPS: Final[tuple[tuple[str, str, tuple[str, ...]], ...]] = (
    (
        "deck",
        "Playback machine",
        ("deck_id", "dropout_compensator", "picture_processing", "picture_processing_note", "tracking_note"),
    ),
    (
        "decoder",
        "Decoder",
        (
            "decoder_id", "decoder_mode", "digital_output", "digital_output_revision", "shared_converter",
            "shared_converter_note", "emphasis_indicator", "copy_indicator", "error_indication",
        ),
    ),
    (
        "interface",
        "Interface",
        (
            "interface_type", "interface_type_note", "interface_reason", "cs_emphasis", "cs_emphasis_note",
            "cs_fs_code", "cs_copy", "channel_status_raw",
        ),
    ),
    (
        "capture",
        "Capture",
        (
            "capture_device_id", "capture_input", "clock_source", "src_in_path", "capture_software",
            "capture_word_length",
        ),
    ),
)  # fmt: skip
"""Key, title and fields of each part of the chain that is looked at and confirmed by itself."""

ALWAYS: Final = frozenset(
    {
        "deck_id", "dropout_compensator", "picture_processing", "decoder_id", "decoder_mode",
        "interface_type", "capture_device_id", "capture_input", "clock_source", "src_in_path",
        "capture_software", "capture_word_length",
    }
)  # fmt: skip
"""Shown even while nobody has said them: they make the chain."""

OF_ONE_TAPE: Final = frozenset(
    {"emphasis_indicator", "copy_indicator", "error_indication", "tracking_note", "channel_status_raw"}
)
"""Seen on one tape; from a pass before they would say something about another one."""

ROLES: Final[Mapping[str, str]] = {f"{role}_id": role for role in KINDS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposed:
    """One setting before a pass. value None = nobody has said. was: of the pass before, when it differs."""

    field: str
    value: Any
    origin: str
    was: Any = None
    sheet_says: Any = None


def last_pass(state: BenchState, chain_id: str) -> Pass | None:
    """The latest pass on that chain, running or not; None when the log has none."""
    made = [p for t in state.transfers.values() for p in t.passes if p.chain_id == chain_id]
    return max(made, key=lambda p: p.n, default=None)


def proposals(
    state: BenchState,
    chain_id: str,
    chain: Mapping[str, Any],
    defaults: Mapping[str, Any],
    now: datetime,
) -> dict[str, Proposed]:
    """Every setting of the chain with its value from last time, by field, in the order of the groups.

    The pass before beats sheets and log, unless the log has stated the field since that pass.
    """
    before = last_pass(state, chain_id)
    known = [f for _, _, fields in GROUPS for f in fields]
    known += [f for f in chain if f not in known and f not in NO_SETTINGS]
    out = {}
    for name in known:
        one = _proposed(state, chain_id, name, chain, defaults, before, now)
        if one.value is not None or one.was is not None or name in ALWAYS:
            out[name] = one
    return out


def _proposed(
    state: BenchState, chain_id: str, name: str, chain: Mapping[str, Any], defaults: Mapping[str, Any],
    before: Pass | None, now: datetime,
) -> Proposed:  # fmt: skip
    stated = state.values.get(("chain", chain_id, name))
    in_force = chain.get(name)
    origin = f"job.toml, chain {chain_id}"
    if stated is not None:
        by = f" by {stated.by}" if stated.by else ""
        origin = f"stated at the bench {clock_words(stated.at, now)}{by}"
    elif in_force is None and defaults.get(name) is not None:
        in_force, origin = defaults[name], "job.toml, defaults"
    last = before.settings.get(name) if before is not None and name not in OF_ONE_TAPE else None
    if before is not None and last is not None and before.n > (stated.n if stated else 0):
        when = clock_words(before.started_at, now)
        said = f"last pass here: {before.transfer_id}, pass {before.number}, {when}"
        other = in_force if in_force is not None and not same(in_force, last) else None
        return Proposed(field=name, value=last, origin=said, sheet_says=other)
    was = last if last is not None and not same(last, in_force) else None
    return Proposed(field=name, value=in_force, origin=origin if in_force is not None else "", was=was)


def setting_groups(job: LoadedJob, proposed: Mapping[str, Proposed]) -> list[dict[str, Any]]:
    """The groups for the template: {key, title, settings: [...]}; a group without settings is left out."""
    columns = sheet_fields().chain
    grouped = {f for _, _, fields in GROUPS for f in fields}
    rest = tuple(f for f in proposed if f not in grouped and f in columns and f not in NO_SETTINGS)
    out = []
    for key, title, fields in (*GROUPS, ("rest", "Also stated for this chain", rest)):
        settings = [
            _setting(job, columns[name], proposed[name])
            for name in fields
            if name in proposed and name in columns
        ]
        if settings:
            out.append({"key": key, "title": title, "settings": settings})
    return out


def _setting(job: LoadedJob, column: Column, one: Proposed) -> dict[str, Any]:
    """One setting: what stands, where from, what it was, and how it can be changed."""
    out: dict[str, Any] = {
        "field": one.field,
        "value": one.value,
        "unsaid": one.value is None,
        "origin": one.origin,
        "was": one.was,
        "sheet_says": one.sheet_says,
        "register": "",
        "items": (),
        "options": (),
        "input": "text",
    }
    if one.field in ROLES:
        out["input"] = "equipment"
        out["options"] = equipment_options(job, ROLES[one.field], one.value)
        out["register"] = _registered(job, one.value)
    elif column.kind == "enum":
        out["input"] = "choice"
        words = list(column.words)
        if one.value is not None and one.value not in words:
            words.append(one.value)
        out["options"] = tuple((json.dumps(w, ensure_ascii=False), w) for w in words)
    elif column.kind == "list" and column.item is not None and column.item.words:
        out["input"] = "list"
        out["items"] = column.item.words
    elif column.kind == "list":
        out["input"], out["text"] = "cell", text_of(one.value)
    elif column.kind in ("table", "object", "rational"):
        out["input"] = "shown"
    elif column.kind in ("integer", "number"):
        out["input"] = "number"
    elif column.kind == "prose":
        out["input"] = "prose"  # a line of input would drop the line breaks of what a sheet states
    return out


def equipment_options(job: LoadedJob, role: str, value: Any) -> tuple[tuple[str, str], ...]:
    """(id, words with make, model and serial) of the register's equipment of that role's kinds."""
    fit = [item for item in job.equipment.values() if item.kind in KINDS[role]]
    found = [(item.id, _registered(job, item.id)) for item in fit]
    if isinstance(value, str) and value not in {known for known, _ in found}:
        found.append((value, f"{value} (not in the register as a {role.replace('_', ' ')})"))
    return tuple(found)


def _registered(job: LoadedJob, equipment_id: Any) -> str:
    item = job.equipment.get(equipment_id) if isinstance(equipment_id, str) else None
    if item is None:
        return ""
    return f"{item.id}: {item.make_model or 'make not registered'}, serial {item.serial or 'not registered'}"


def chain_test(
    job: LoadedJob, chain_id: str, proposed: Mapping[str, Proposed], now: datetime
) -> dict[str, Any]:
    """The last test of the chain with the test tape, as the record of a pass started now would have it.

    {id, at, at_words, days, how, origin, note, by, findings}; id None = none is known. Findings in the words
    of the rules of records and of jobs, with what the register says against the equipment.
    """
    transfer = LoadedTransfer(
        transfer_id="",
        origin=Origin(level="chain", file="job.toml", column=f"chain {chain_id}"),
        values={name: one.value for name, one in proposed.items() if one.value is not None},
        origins={},
        chain_id=chain_id,
        started_at=now.isoformat(),
        stopped_at=None,
        file=None,
    )
    draft = build_record_draft(job, transfer, record_id="")
    capture = draft.get("capture") or {}
    name, at = capture.get("chain_check_id"), capture.get("chain_check_at")
    holder, check = _check_entry(job, name)
    stated = proposed.get("chain_check_id")
    return {
        "id": name,
        "at": at,
        "at_words": clock_words(at, now) if isinstance(at, str) else "",
        "days": check_age_days(View(record=draft)),
        "how": "declared" if stated is not None and stated.value is not None else "derived",
        "origin": f"register, {holder}" if holder else (stated.origin if stated else ""),
        "by": check.get("by", ""),
        "note": check.get("note", ""),
        "findings": [{**f.as_json(), "where": ""} for f in _about_equipment(job, transfer, draft, at)],
        "passed": name not in (None, "none", "unknown") and at is not None,
    }


def _about_equipment(
    job: LoadedJob, transfer: LoadedTransfer, draft: Mapping[str, Any], at: object
) -> Iterator[Finding]:
    view = View(record=draft)
    if (draft.get("capture") or {}).get("chain_check_id") is None:
        yield CHECK_MISSING.found("The register has no passed test of this chain.", str(transfer.origin))
    yield from judge_checks(view)
    yield from chain_check(job, transfer, at)
    register = {"equipment": [item.raw for item in job.equipment.values()]}
    yield from judge_equipment(view, register)


def _check_entry(job: LoadedJob, name: object) -> tuple[str, Mapping[str, Any]]:
    """(id of the equipment, the check) of that id in the register; ("", {}) when it is not there."""
    for item in job.equipment.values():
        raw = item.raw.get("checks", [])
        for check in raw if isinstance(raw, list) else []:
            if name is not None and check.get("id") == name:
                return item.id, check
    return "", {}
