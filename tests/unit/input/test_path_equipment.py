"""What the register says was fitted goes into the record, and a fault on a board reaches its transfers."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from support.jobs import make_job, wrap

from provpack.edge.schemas import validate
from provpack.jobs.pathequipment import path_equipment
from provpack.jobs.wrapped import WrapResult
from provpack.model.recordrules import judge_record

BOARD = """
[[equipment]]
id = "BRD-9"
kind = "digital_output_board"
make_model = "Orvessa DO-3"
serial = "DO3-1"
fitted = [{ equipment_id = "DEC-1", since = "2026-05-01" }]
"""
FAULT = """[[equipment.fault_notices]]
id = "FLT-7"
found_at = "2026-06-20T09:00:00+02:00"
since = "2026-06-01T00:00:00+02:00"
what = "Drops the lowest bit now and then."
"""
CABLE = """[[equipment]]
id = "CAB-1"
kind = "cable"
make_model = "Batch 2031-A"
serial = "none visible"
fitted = [{ chain_id = "A", since = "2026-06-02T10:00:00+02:00" }]
"""


def wrapped(folder: Path, register: str) -> WrapResult:
    job = make_job(folder / "job")
    (job / "equipment.toml").write_text((job / "equipment.toml").read_text() + register)
    return wrap(job, folder / "out")


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("fitted")
    wrapped(folder, BOARD + CABLE)
    path = next((folder / "out").glob("*/data/metadata/record.json"))
    loaded: dict[str, Any] = json.loads(path.read_bytes())
    return loaded


def test_a_fault_on_a_board_stops_the_transfers_it_covers(tmp_path: Path) -> None:
    unit = wrapped(tmp_path, BOARD + FAULT + CABLE).units[0]
    assert unit.outcome == "refused"
    assert [f.what for f in unit.findings if f.severity == "error"] == [
        "Fault notice FLT-7 on BRD-9 covers this: Drops the lowest bit now and then."
    ]


def test_the_record_names_what_was_fitted_and_says_it_is_derived(record: dict[str, Any]) -> None:
    assert record["path_equipment"] == [
        {
            "equipment_id": "BRD-9",
            "kind": "digital_output_board",
            "make_model": "Orvessa DO-3",
            "serial": "DO3-1",
            "fitted_to": "DEC-1",
            "took_part": "yes",
            "pass_n": 1,
        },
        {
            "equipment_id": "CAB-1",
            "kind": "cable",
            "make_model": "Batch 2031-A",
            "serial": "none visible",
            "fitted_to": "A",
            "took_part": "yes",
            "pass_n": 1,
        },
    ]
    derived = [entry for entry in record["derived"] if entry["field"] == "/path_equipment"]
    assert derived[0]["from"] == ["equipment.toml: BRD-9", "equipment.toml: CAB-1"]
    assert not validate("transfer-record", record)


def test_a_later_fault_on_the_board_or_the_cable_is_found(record: dict[str, Any]) -> None:
    def judged(name: str, since: str) -> list[str]:
        notice = {"id": "FLT-8", "found_at": "2026-07-01", "since": since, "what": "cracked"}
        register = {"equipment": [{"id": name, "fault_notices": [notice]}]}
        told = judge_record(record, equipment=register)
        return [f.position["path"] for f in told if f.rule == "rec-equipment-suspect"]

    assert judged("CAB-1", "2026-06-01") == ["/path_equipment/1/equipment_id"]
    assert judged("BRD-9", "2026-06-01") == ["/path_equipment/0/equipment_id"]
    assert judged("BRD-9", "2026-06-09") == [] and judged("CAB-2", "2026-06-01") == []


def test_a_pass_through_another_chain_has_its_own_machines() -> None:
    register = {
        "equipment": [
            {"id": "BRD-1", "fitted": [{"equipment_id": "DEC-1"}]},
            {"id": "BRD-2", "fitted": [{"equipment_id": "DEC-2"}]},
            {"id": "CAB-2", "fitted": [{"chain_id": "B"}]},
        ]
    }
    values = {
        "chain_id": "A",
        "decoder_id": "DEC-1",
        "passes": [{"n": 1}, {"n": 2, "chain_id": "B"}, {"n": 3, "chain_id": "B", "decoder_id": "DEC-2"}, 4],
    }
    found = [(e["pass_n"], e["equipment_id"]) for e in path_equipment(register, values)]
    # pass 2 names no decoder, and that of chain A is not taken for it
    assert found == [(1, "BRD-1"), (2, "CAB-2"), (3, "BRD-2"), (3, "CAB-2")]
