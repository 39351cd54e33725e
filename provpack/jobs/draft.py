"""The record a transfer starts from: what was declared, and what follows from it, each marked as such."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from provpack.jobs.loaded import Equipment, LoadedJob, LoadedTransfer
from provpack.jobs.merge import exact_rate, trade_fraction
from provpack.jobs.pathequipment import HOW, path_equipment
from provpack.jobs.register import KINDS, checks_of, last_before, moment_range
from provpack.jobs.sheetfields import RECORD_VERSION, pointer, sheet_fields
from provpack.package.benchline import LOG_NAME

SOURCE_BITS: Mapping[str, int | str] = {
    "eiaj_14": 14,
    "ext_16": 16,
    "pcm1_13": 13,
    "cd": 16,
    "hifi_fm": "not_applicable",
    "md": "not_applicable",
}
"""Bits per sample that a recording format implies (domain note 8.2 rule 6; cd: IEC 60908, from memory)."""

# field of the record -> key of the register entry, by the role of the equipment
FROM_REGISTER: Mapping[str, Mapping[str, str]] = {
    "deck": {"deck_make_model": "make_model", "deck_serial": "serial"},
    "decoder": {
        "decoder_make_model": "make_model",
        "decoder_serial": "serial",
        "digital_output": "digital_output",
        "digital_output_revision": "digital_output_revision",
        "shared_converter": "shared_converter",
    },
    "capture_device": {"capture_device_make_model": "make_model", "capture_device_serial": "serial"},
}


def build_record_draft(job: LoadedJob, transfer: LoadedTransfer, *, record_id: str) -> dict[str, Any]:
    """The record skeleton (schemas/transfer-record.schema.json) of declared and derived values.

    Left out, for the wrap job to fill: made_by, package_name, measured, files, audio_sha256,
    coding_history, condition.condition_photos, and signal.header_sampling_frequency_hz unless declared.
    deck, decoder, interface, capture and signal are null when nothing was declared for them.
    """
    facts = _Facts(transfer)
    _from_equipment(job, transfer, facts)
    _from_fields(facts)
    _first_pass(transfer, facts)
    _path_equipment(job, transfer, facts)
    events = _custody(job, transfer)
    if events:
        facts.values["custody_events"] = events
    return _nest(job, transfer, facts, record_id)


class _Facts:
    """The flat values with what was derived; a declared value is never replaced."""

    def __init__(self, transfer: LoadedTransfer) -> None:
        self.values: dict[str, Any] = dict(transfer.values)
        self.derived: list[dict[str, Any]] = [dict(entry) for entry in transfer.converted]
        self._refused = transfer.refused

    def derive(self, name: str, value: Any, source: list[str], how: str) -> None:
        if value in (None, "") or name in self.values or name in self._refused:
            return
        self.values[name] = value
        self.derived.append({"field": pointer(name), "from": source, "how": how})


def used_equipment(job: LoadedJob, values: Mapping[str, Any]) -> dict[str, Equipment]:
    """The register entries a transfer names, by role: deck, decoder, capture_device.

    An entry of another kind is left out: an id that was swapped must not lend its serial number.
    """
    out = {}
    for role, kinds in KINDS.items():
        item = job.equipment.get(str(values.get(f"{role}_id", "")))
        if item is not None and item.kind in kinds:
            out[role] = item
    return out


def started(transfer: LoadedTransfer) -> str | None:
    """When the first pass with a known start began, as declared."""
    texts = [transfer.started_at]
    passes = transfer.values.get("passes")
    if isinstance(passes, list):
        texts += [entry.get("started_at") for entry in passes]
    known = [(span[0], text) for text in texts if text and (span := moment_range(text)) is not None]
    return min(known)[1] if known else None


def _from_equipment(job: LoadedJob, transfer: LoadedTransfer, facts: _Facts) -> None:
    used = used_equipment(job, facts.values)
    begun = started(transfer)
    for role, item in used.items():
        source = [pointer(f"{role}_id"), f"{item.origin.file}: {item.id}"]
        for name, key in FROM_REGISTER[role].items():
            called = "make and model" if key == "make_model" else key.replace("_", " ")
            facts.derive(name, item.raw.get(key), source, f"{called} of the equipment register")
        if role == "deck":
            service = last_before(item.services, begun)
            if service is not None:
                how = "last service in the equipment register before the pass"
                facts.derive("deck_last_service", service[:10], source, how)
    _chain_check(transfer, facts, used, begun)


def _chain_check(
    transfer: LoadedTransfer, facts: _Facts, used: Mapping[str, Equipment], begun: str | None
) -> None:
    """The date of the chain check named; none named: the last passed one before the pass, and its date."""
    checks = checks_of(used.values(), transfer.chain_id)
    wanted = facts.values.get("chain_check_id")
    if wanted is None:
        latest = last_before((str(check.get("at")) for _, check in checks), begun)
        named = next((check for _, check in checks if check.get("at") == latest and latest), None)
        if named is None or begun is None:
            return
        wanted = named.get("id")
        ids = [pointer(f"{role}_id") for role in used]
        facts.derive("chain_check_id", wanted, ids, "last passed chain check in the register before the pass")
    for item, check in checks:
        if check.get("id") == wanted:
            source = [pointer("chain_check_id"), f"{item.origin.file}: {item.id}"]
            facts.derive(
                "chain_check_at", check.get("at"), source, "date of that check in the equipment register"
            )
            return


def _from_fields(facts: _Facts) -> None:
    rate = exact_rate(facts.values)
    if rate is not None and "sampling_frequency" not in facts.values:
        value, fields, how = rate
        facts.derive("sampling_frequency", trade_fraction(value), [pointer(name) for name in fields], how)
    bits = SOURCE_BITS.get(str(facts.values.get("recording_format")))
    facts.derive("source_bit_depth", bits, [pointer("recording_format")], "the recording format implies it")


def _first_pass(transfer: LoadedTransfer, facts: _Facts) -> None:
    """A row without a list of passes was one playback: passes[0] says so, all of it from the row."""
    if "passes" in facts.values or "passes" in facts._refused:
        return
    if transfer.file is None and transfer.started_at is None and transfer.stopped_at is None:
        facts.values["passes"] = []
        return
    outcome = facts.values.get("outcome")
    entry: dict[str, Any] = {
        "n": 1,
        "chain_id": transfer.chain_id,
        "started_at": transfer.started_at,
        "stopped_at": transfer.stopped_at,
        "outcome": "complete" if outcome == "clean" else outcome if isinstance(outcome, str) else "unknown",
        "file": transfer.file.written if transfer.file else None,
    }
    for name in ("deck_id", "decoder_id", "capture_device_id", "capture_input"):
        if facts.values.get(name) is not None:
            entry[name] = facts.values[name]
    facts.values["passes"] = [entry]
    facts.derived.append(
        {
            "field": f"{pointer('passes')}/0",
            "from": [str(transfer.origin), pointer("deck_id"), pointer("outcome")],
            "how": "the row declares a single pass: started_at, stopped_at, chain and file stand in the row",
        }
    )


def _path_equipment(job: LoadedJob, transfer: LoadedTransfer, facts: _Facts) -> None:
    """What the register says was fitted to the machines and chains of the passes."""
    if transfer.chain_id is not None:
        facts.values["chain_id"] = transfer.chain_id
    register = {"equipment": [item.raw for item in job.equipment.values()]}
    found = path_equipment(register, facts.values)
    if not found:
        return
    facts.values["path_equipment"] = found
    names = {str(entry["equipment_id"]) for entry in found}
    source = [f"{job.equipment[name].origin.file}: {name}" for name in sorted(names)]
    facts.derived.append({"field": pointer("path_equipment"), "from": source, "how": HOW})


def _custody(job: LoadedJob, transfer: LoadedTransfer) -> list[Mapping[str, Any]]:
    """Events of the job that name this item or carrier, with the transfer's own, by day."""
    mine = {transfer.values.get("client_item_id"), transfer.values.get("carrier_id")} - {None}
    events = [e for e in job.custody_events if mine & {i for i in e.get("items", []) if isinstance(i, str)}]
    own = transfer.values.get("custody_events")
    events += own if isinstance(own, list) else []
    return sorted(events, key=lambda event: str(event.get("at", ""))[:10])


def _nest(job: LoadedJob, transfer: LoadedTransfer, facts: _Facts, record_id: str) -> dict[str, Any]:
    fields = sheet_fields()
    record: dict[str, Any] = {
        "schema_version": RECORD_VERSION,
        "record_id": record_id,
        "job_id": job.job_id,
        "transfer_id": transfer.transfer_id,
    }
    sections: dict[str, dict[str, Any]] = {name: {} for name in fields.sections if name != "retention"}
    facts.values.setdefault("processing_steps", [])
    facts.values.setdefault("transfer_events", [])
    facts.values.setdefault("custody_events", [])
    for name, value in facts.values.items():
        section = fields.section.get(name)
        if section is None:
            continue
        if section:
            sections.setdefault(section, {})[name] = value
        else:
            record[name] = value
    for name, content in sections.items():
        record[name] = content if content or not fields.sections[name] else None
    record["derived"] = facts.derived
    record["declared_in"] = _declared_in(job, transfer)
    return record


def _declared_in(job: LoadedJob, transfer: LoadedTransfer) -> list[dict[str, Any]]:
    """The sheets this record rests on, the transfer's own with its row."""
    used = {origin.file for origin in transfer.origins.values()}
    used |= {transfer.origin.file, "job.toml", LOG_NAME}
    used |= {item.origin.file for item in used_equipment(job, transfer.values).values()}
    used |= {item.origin.file for item in job.equipment.values() if item.raw.get("fitted")}
    out = []
    for sheet in job.declared_in:
        if sheet.path in used:
            row = transfer.origin.row if sheet.path == transfer.origin.file else None
            out.append({"path": sheet.path, "sha256": sheet.sha256, "row": row})
    return out
