"""Records that are right and records that are wrong, judged by us and by a validator of another make.

The other make: `jsonschema_rs` (PyPI), an independent implementation in Rust with format checks of its own.
"""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest

from provpack.edge.schemas import bundled, check_version, validate
from provpack.model.recordrules import judge_record

CASES = Path(__file__).parents[2] / "cases" / "records"
VALID = sorted((CASES / "valid").glob("*.json"))
INVALID = sorted((CASES / "invalid").glob("*.json"))
NAME = "transfer-record"


@functools.cache
def stranger(name: str) -> Any:
    return jsonschema_rs.validator_for(bundled(name), validate_formats=True)


def read(path: Path) -> Any:
    return json.loads(path.read_text(encoding="utf-8"))


def patched(case: dict[str, Any]) -> Any:
    """The base record of an invalid case with its patch applied: set or remove, by JSON pointer."""
    record = read(CASES / case["base"])
    for step in case["patch"]:
        *path, last = (step["set"] if "set" in step else step["remove"]).split("/")[1:]
        place = record
        for part in path:
            place = place[int(part)] if isinstance(place, list) else place[part]
        key: Any = int(last) if isinstance(place, list) else last
        if "set" in step:
            place[key] = step["value"]
        else:
            del place[key]
    return record


def test_there_is_a_case_for_every_awkward_case_and_enough_wrong_ones() -> None:
    names = {path.stem for path in VALID}
    for n in range(1, 13):  # domain note section 5, awkward cases 1-12
        assert any(name.startswith(f"case-{n:02d}-") for name in names), n
    assert {"dat", "cd-r", "minidisc", "analogue-hifi", "plain-14-bit-625", "sixteen-bit-525"} <= names
    assert len(INVALID) >= 40


@pytest.mark.parametrize("path", VALID, ids=lambda p: p.stem)
def test_a_right_record_is_accepted(path: Path) -> None:
    record = read(path)
    assert validate(NAME, record) == []
    assert [f for f in judge_record(record) if f.severity == "error"] == []
    check_version(record, NAME)


@pytest.mark.parametrize("path", VALID, ids=lambda p: p.stem)
def test_the_other_validator_accepts_a_right_record(path: Path) -> None:
    assert [str(error) for error in stranger(NAME).iter_errors(read(path))] == []


@pytest.mark.parametrize("path", INVALID, ids=lambda p: p.stem)
def test_a_wrong_record_is_refused_at_the_place_that_is_wrong(path: Path) -> None:
    case = read(path)
    found = validate(NAME, patched(case))
    assert set(case["expect"]) <= {v.pointer for v in found}
    assert all(v.message and v.schema_path.startswith("/") for v in found)
    # nothing far from the fault is complained of
    assert all(v.pointer.startswith(case["expect"][0].rpartition("/")[0]) for v in found)


@pytest.mark.parametrize("path", INVALID, ids=lambda p: p.stem)
def test_the_other_validator_refuses_a_wrong_record(path: Path) -> None:
    assert not stranger(NAME).is_valid(patched(read(path)))


@pytest.mark.parametrize("path", INVALID, ids=lambda p: p.stem)
def test_a_wrong_case_is_wrong_because_of_its_patch_alone(path: Path) -> None:
    case = read(path)
    assert (CASES / case["base"]) in VALID
    assert case["why"]


JOB: dict[str, Any] = {
    "schema_version": "1.0.0",
    "job_id": "hv-2031-04",
    "client": "Harrow Vale Sound Archive",
    "transfer_organisation": "Lindmoor Transfers",
    "equipment": "../equipment.toml",
    "defaults": {"line_standard": "625_50", "recording_format": "eiaj_14", "picture_processing": []},
    "chain": [{"id": "chain-1", "deck_id": "deck-a", "decoder_id": "dec-1", "dropout_compensator": "off"}],
    "transfer": [
        {
            "transfer_id": "t01",
            "file": "tape 1.wav",
            "chain": "chain-1",
            "emphasis_indicator": "not_observed",
            "condition_photos": ["photos/box.jpg"],
            "transfer_events": [{"frame": "0:12:30.250", "type": "mute"}, {"frame": 44100, "type": "hold"}],
            "programme_segments": [{"start": "0:00:00", "end": 79380000, "title": "untitled"}],
        }
    ],
}
REGISTER: dict[str, Any] = {
    "schema_version": "1.0.0",
    "equipment": [
        {
            "id": "deck-a",
            "kind": "deck",
            "make_model": "Corvane PX-9",
            "serial": "40117",
            "last_known_good": {"at": "2031-04-11", "check_id": "check-9"},
            "service_log": [{"at": "2031-04-11", "what": "heads cleaned, guides aligned"}],
            "checks": [{"id": "check-9", "at": "2031-05-02T08:00:00+02:00", "outcome": "passed"}],
            "fault_notices": [{"id": "f-1", "found_at": "2031-06-02", "what": "guide post out of line"}],
        }
    ],
}
LEDGER: dict[str, Any] = {
    "schema_version": "1.0.0",
    "n": 1,
    "at": "2031-05-20T16:05:00+02:00",
    "kind": "wrapped",
    "tool": "provpack",
    "tool_version": "0.1.0",
    "package": "hv-2031-04-t01",
    "tagmanifest_sha512": "0f" * 64,
    "record_id": "0f5c1d2e-7a34-4b6c-9d80-000000000014",
    "outcome": "done",
    "depth": None,
    "findings": {"error": 0, "warning": 1, "note": 2},
    "note": None,
    "previous": "0" * 128,
}
BENCH: dict[str, Any] = {
    "schema_version": "1.0.0",
    "n": 7,
    "previous": "0f" * 64,
    "at": "2031-05-20T21:40:02+02:00",
    "kind": "file_attached",
    "tool": "provpack",
    "tool_version": "0.1.0",
    "by": None,
    "through": "page",
    "transfer_id": "t01",
    "pass": 1,
    "file": "captures/digital-1/tape 1.wav",
    "bytes": 1000,
    "modified_at": "2031-05-20T21:40:00+02:00",
    "frames": None,
    "header_sampling_frequency_hz": 44056,
    "starts_at": "2031-05-20T20:39:58.5+02:00",
    "starts_from": "modified_time",
    "agreement": {"time": "agrees", "length": "not_known", "input": "agrees"},
    "attached_by": "person",
    "reason": "the capture was stopped late",
}
RATE = {"num": 44100000, "den": 1001}
BLOCKS: dict[str, Any] = {
    "schema_version": "1.0.0",
    "file": "data/master/t01.wav",
    "file_bytes": 1000,
    "audio_offset": 100,
    "audio_bytes": 800,
    "frame_bytes": 4,
    "frames": 200,
    "sampling_frequency": RATE,
    "algorithm": "sha256",
    "block_frames": 44056,
    "audio_sha256": "1" * 64,
    "head_sha256": "2" * 64,
    "tail_sha256": "3" * 64,
    "blocks": ["4" * 64],
}
MEASURED: dict[str, Any] = {
    "schema_version": "1.0.0",
    "tool": "provpack",
    "version": "0.1.0",
    "at": "2031-05-20T16:05:00+02:00",
    "file": "data/master/t01.wav",
    "frames": 200,
    "sampling_frequency": RATE,
    "channels": [
        {
            "max_code": 8,
            "min_code": -8,
            "peak_dbfs": -72.2,
            "dc_offset_codes": 0.1,
            "effective_bits": 14,
            "or_mask": 65532,
        },
        {
            "max_code": 0,
            "min_code": 0,
            "peak_dbfs": None,
            "dc_offset_codes": 0,
            "effective_bits": 0,
            "or_mask": 0,
        },
    ],
    "digital_silence": [{"start": 0, "length": 64}],
    "envelope": {"frames_per_bin": 100, "bins": [[-8, 8, 0, 0], [-1, 2, 0, 0]]},
}
OTHERS = {
    "bench-entry": BENCH,
    "job-sheet": JOB,
    "equipment-register": REGISTER,
    "ledger-entry": LEDGER,
    "block-digests": BLOCKS,
    "measurements": MEASURED,
}


@pytest.mark.parametrize("name", OTHERS)
def test_the_other_documents_are_accepted_by_both(name: str) -> None:
    assert validate(name, OTHERS[name]) == []
    assert stranger(name).is_valid(OTHERS[name])


WRONG: list[tuple[str, str, Any]] = [
    ("job-sheet", "/transfer/0/transfer_events/0/frame", "12:30"),
    ("job-sheet", "/transfer/0/emphasis_indicator", "none"),
    ("job-sheet", "/chain/0/decoder_modus", "14"),
    ("job-sheet", "/defaults/title", "untitled"),
    ("job-sheet", "/transfer", []),
    ("equipment-register", "/equipment/0/kind", "recorder"),
    ("equipment-register", "/equipment/0/checks/0/at", "2031-13-02"),
    ("equipment-register", "/equipment/0/serial", None),
    ("ledger-entry", "/previous", "0" * 127),
    ("ledger-entry", "/n", 0),
    ("ledger-entry", "/kind", "Fixity checked"),
    ("bench-entry", "/previous", "0" * 127),
    ("bench-entry", "/kind", "file_lost"),
    ("bench-entry", "/through", "telephone"),
    ("bench-entry", "/starts_at", "2031-13-02T08:00:00Z"),
    ("bench-entry", "/agreement/input", "yes"),
    ("bench-entry", "/pass", 0),
    ("block-digests", "/algorithm", "md5"),
    ("block-digests", "/blocks/0", "4" * 63),
    ("measurements", "/channels/0/or_mask", -1),
    ("measurements", "/envelope/frames_per_bin", 0),
]


@pytest.mark.parametrize(("name", "pointer", "value"), WRONG)
def test_a_fault_in_the_other_documents_is_found_by_both(name: str, pointer: str, value: object) -> None:
    document = json.loads(json.dumps(OTHERS[name]))
    *path, last = pointer.split("/")[1:]
    place = document
    for part in path:
        place = place[int(part)] if isinstance(place, list) else place[part]
    place[int(last) if isinstance(place, list) else last] = value
    assert pointer in {v.pointer for v in validate(name, document)}
    assert not stranger(name).is_valid(document)
