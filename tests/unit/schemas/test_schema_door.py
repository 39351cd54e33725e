"""The door to jsonschema: what it says, what it refuses, what it survives."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from provpack.edge import schemas
from provpack.errors import EnvironmentProblem, RecordProblem

VALID = Path(__file__).parents[2] / "cases" / "records" / "valid"


@pytest.fixture
def record() -> dict[str, Any]:
    document: dict[str, Any] = json.loads((VALID / "plain-14-bit-625.json").read_text(encoding="utf-8"))
    return document


def only(record: dict[str, Any]) -> schemas.Violation:
    found = schemas.validate("transfer-record", record)
    assert len(found) == 1, found
    return found[0]


def test_a_misspelt_value_gets_the_allowed_ones_and_the_nearest(record: dict[str, Any]) -> None:
    record["deck"]["dropout_compensator"] = "offf"
    violation = only(record)
    assert violation.pointer == "/deck/dropout_compensator"
    assert violation.message == (
        '"offf" is not one of the values allowed: off, on, not_present, not_observed, unknown. '
        'Did you mean "off"?'
    )


def test_a_misspelt_field_gets_the_nearest(record: dict[str, Any]) -> None:
    record["deck"]["dropout_compensater"] = "off"
    assert only(record).message == (
        'the field "dropout_compensater" is not known here. Did you mean "dropout_compensator"?'
    )


def test_a_missing_field_is_told_with_its_meaning_and_the_reason(record: dict[str, Any]) -> None:
    del record["decoder"]["emphasis_indicator"]
    violation = only(record)
    assert violation.pointer == "/decoder/emphasis_indicator"
    assert '"emphasis_indicator" is missing. What the decoder\'s emphasis lamp showed.' in violation.message
    assert "domain rule 9" in violation.message


def test_a_field_asked_for_twice_is_told_once(record: dict[str, Any]) -> None:
    del record["coding_history"]  # required by the schema, and by the condition that there is audio
    assert "(This applies" not in only(record).message


def test_a_date_time_of_yesterday_fails(record: dict[str, Any]) -> None:
    record["made_by"]["at"] = "yesterday"
    assert only(record).pointer == "/made_by/at"


def test_a_format_is_asserted_where_the_pattern_is_content(record: dict[str, Any]) -> None:
    record["made_by"]["at"] = "2031-02-30T12:00:00Z"
    violation = only(record)
    assert violation.schema_path.endswith("/format")
    assert "that exist" in violation.message


def test_the_value_that_was_meant_is_explained_in_a_choice_of_kinds(record: dict[str, Any]) -> None:
    record["processing"]["passes"][0]["started_at"] = "noon"  # a date-time or null
    assert "2031-05-04T14:30:00+02:00" in only(record).message
    record["processing"]["passes"][0]["started_at"] = None
    record["custody"]["custody_events"][0]["at"] = "in May"  # a date-time or a date
    assert "A date, or a date and time with offset" in only(record).message


def test_an_event_needs_a_frame_or_a_time() -> None:
    job = {
        "schema_version": "1.0.0",
        "job_id": "j",
        "client": "c",
        "transfer_organisation": "o",
        "transfer": [{"transfer_id": "t", "transfer_events": [{"type": "mute"}]}],
    }
    (violation,) = schemas.validate("job-sheet", job)
    assert violation.pointer == "/transfer/0/transfer_events/0"
    assert violation.message == "needs one of these fields: frame, at."


def test_lists_are_sorted_by_number_not_by_digit(record: dict[str, Any]) -> None:
    record["processing"]["transfer_events"] = [
        {"frame": n, "type": "bang", "origin": "seen"} for n in range(12)
    ]
    pointers = [v.pointer for v in schemas.validate("transfer-record", record)]
    assert pointers == [f"/processing/transfer_events/{n}/type" for n in range(12)]


def test_a_pointer_escapes_its_own_signs(record: dict[str, Any]) -> None:
    record["a/b~c"] = 1  # RFC 6901 section 3
    assert only(record).pointer == "/a~1b~0c"


def test_not_more_than_500_are_told(record: dict[str, Any]) -> None:
    record["processing"]["transfer_events"] = [{"frame": -1, "type": "mute", "origin": "seen"}] * 2000
    assert 0 < len(schemas.validate("transfer-record", record)) <= 500


@pytest.mark.parametrize("value", [None, 3, "x", [], [[]], {}, True, 1e308])
@pytest.mark.parametrize("name", ["transfer-record", "job-sheet", "equipment-register", "ledger-entry"])
def test_any_json_value_gets_an_answer(name: str, value: object) -> None:
    assert schemas.validate(name, value)


def test_nesting_without_end_gets_an_answer(record: dict[str, Any]) -> None:
    deep: list[Any] = []
    for _ in range(50_000):
        deep = [deep]
    record["condition"]["condition_terms"] = [deep, deep]
    assert schemas.validate("transfer-record", record)


def test_a_long_list_of_distinct_values_is_checked_for_doubles_in_one_walk(record: dict[str, Any]) -> None:
    record["condition"]["condition_terms"] = [{"n": n} for n in range(3000)] + [{"n": 0}]
    found = schemas.validate("transfer-record", record)
    assert any(v.schema_path.endswith("/uniqueItems") for v in found)


def test_a_violation_becomes_a_finding(record: dict[str, Any]) -> None:
    record["outcome"] = "done"
    finding = only(record).as_finding("record.json")
    assert (finding.rule, finding.severity) == ("rec-schema", "error")
    assert finding.where == "record.json: /outcome" and finding.position == {"path": "/outcome"}


@pytest.mark.parametrize("version", ["1.4.0", "2.0.0", "1.10.0", "10.0.0"])
def test_a_newer_record_is_refused_with_both_versions(record: dict[str, Any], version: str) -> None:
    record["schema_version"] = version
    with pytest.raises(RecordProblem) as caught:
        schemas.check_version(record, "transfer-record")
    assert version in caught.value.what and "1.3.0" in caught.value.what
    assert caught.value.code == "schema-version-newer"


@pytest.mark.parametrize("version", ["1.3.0", "1.3.7", "1.2.0", "1.1.0", "1.0.0", "1.0.7", "0.9.0"])
def test_a_record_of_our_version_or_older_is_not_refused(record: dict[str, Any], version: str) -> None:
    record["schema_version"] = version
    schemas.check_version(record, "transfer-record")


@pytest.mark.parametrize("version", [None, 1, "1", "1.0", "v1.0.0", "1.0.0\n", "1.0.0-beta"])
def test_a_record_without_a_readable_version_is_refused(record: dict[str, Any], version: object) -> None:
    record["schema_version"] = version
    with pytest.raises(RecordProblem) as caught:
        schemas.check_version(record, "transfer-record")
    assert caught.value.code == "schema-version-missing"


def test_a_loaded_schema_is_a_copy() -> None:
    schemas.load("fields")["$defs"].clear()
    assert schemas.load("fields")["$defs"]


@pytest.mark.parametrize("name", ["nothing", "../pyproject", "fields/", ""])
def test_an_unknown_schema_is_refused(name: str) -> None:
    with pytest.raises(EnvironmentProblem):
        schemas.load(name)


def test_an_installation_without_schemas_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(schemas, "__file__", str(tmp_path / "lib" / "provpack" / "edge" / "schemas.py"))
    with pytest.raises(EnvironmentProblem, match="cannot be found"):
        schemas.schema_folder()


def test_an_installed_package_brings_its_own(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    data = tmp_path / "lib" / "provpack" / "_data" / "schemas"
    data.mkdir(parents=True)
    (data / "fields.schema.json").write_text("{}")
    monkeypatch.setattr(schemas, "__file__", str(tmp_path / "lib" / "provpack" / "edge" / "schemas.py"))
    assert schemas.schema_folder() == data


def test_importing_the_door_does_not_import_the_library() -> None:
    code = "import provpack.edge.schemas, sys; raise SystemExit('jsonschema' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_reference_is_followed_and_what_stands_beside_it_wins() -> None:
    found = schemas.resolve(
        {"description": "Mine.", "$ref": "urn:provpack:schema:fields:1.0.0#/$defs/moment"}
    )
    assert found["description"] == "Mine." and len(found["anyOf"]) == 2
