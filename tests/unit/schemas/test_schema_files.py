"""The schema files themselves: every property told, every vocabulary known, every reference at home."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from provpack.edge import schemas
from provpack.findings import Finding
from provpack.model.formats import FORMATS
from provpack.model.vocab import VOCABULARIES

OWN = (
    "bench-entry",
    "block-digests",
    "client-requirements",
    "delivery-note",
    "equipment-register",
    "fields",
    "healing-record",
    "job-sheet",
    "ledger-entry",
    "measurements",
    "receipt",
    "result-audit",
    "result-bench",
    "result-catalogue",
    "result-check",
    "result-close",
    "result-custody",
    "result-deliver",
    "result-demo",
    "result-enter",
    "result-error",
    "result-heal",
    "result-inspect",
    "result-jot",
    "result-receive",
    "result-report",
    "result-trace",
    "result-verify",
    "result-wrap",
    "studio-record",
    "transfer-record",
)
VERSIONS = {
    **dict.fromkeys(
        ("measurements", "result-check", "result-demo", "result-jot", "result-wrap", "equipment-register"),
        "1.1.0",
    ),
    "job-sheet": "1.3.0",
    **dict.fromkeys(("transfer-record", "ledger-entry", "result-verify"), "1.3.0"),
    "fields": "1.4.0",
}
CONDITIONS = ("if", "then", "else", "allOf", "contains", "not")
SAID = ("declared", "measured", "derived")


def walk(
    place: Any, pointer: str = "", condition: bool = False
) -> Iterator[tuple[str, dict[str, Any], bool]]:
    """Every schema in a schema file: (pointer, schema, whether it stands inside a condition)."""
    if isinstance(place, dict):
        yield pointer, place, condition
        for key, value in place.items():
            yield from walk(value, f"{pointer}/{key}", condition or key in CONDITIONS)
    elif isinstance(place, list):
        for n, value in enumerate(place):
            yield from walk(value, f"{pointer}/{n}", condition)


def properties(name: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for pointer, schema, condition in walk(schemas.load(name)):
        if (
            isinstance(schema.get("properties"), dict)
            and not condition
            and not pointer.endswith("/properties")
        ):
            for key, fragment in schema["properties"].items():
                yield f"{pointer}/properties/{key}", fragment


def resolved(name: str, fragment: dict[str, Any]) -> dict[str, Any]:
    return schemas.resolve(fragment)


@pytest.mark.parametrize("name", OWN)
def test_every_property_is_described_and_says_where_its_value_comes_from(name: str) -> None:
    lacking = []
    for pointer, fragment in properties(name):
        whole = resolved(name, fragment)
        text = whole.get("description", "")
        table = "properties" in whole or "properties" in whole.get("items", {})
        if not text.strip() or not (table or any(word in text.lower() for word in SAID)):
            lacking.append(f"{pointer}: {text!r}")
    assert not lacking, "\n".join(lacking)


@pytest.mark.parametrize("name", OWN)
def test_every_table_is_closed(name: str) -> None:
    open_ones = [
        pointer
        for pointer, schema, condition in walk(schemas.load(name))
        if schema.get("type") in ("object", ["object", "null"])
        and not condition
        and "additionalProperties" not in schema
    ]
    assert not open_ones


def test_every_vocabulary_of_the_schema_is_one_of_ours_and_the_other_way_round() -> None:
    defined = {
        key: tuple(value["enum"]) for key, value in schemas.load("fields")["$defs"].items() if "enum" in value
    }
    assert defined == dict(VOCABULARIES)


@pytest.mark.parametrize("name", OWN)
def test_vocabularies_are_defined_once_in_the_shared_fields(name: str) -> None:
    inline = [
        pointer
        for pointer, schema, condition in walk(schemas.load(name))
        if "enum" in schema and not condition and not (name == "fields" and pointer.count("/") == 2)
    ]
    assert not inline


def test_the_three_honest_answers_stay_apart() -> None:
    # domain note 8.1: unknown, not_observed and not_fitted are all honest; none may be turned into off
    for lamp in ("emphasis_indicator", "copy_indicator", "error_indication"):
        assert {"unknown", "not_observed", "not_fitted"} <= set(VOCABULARIES[lamp])


@pytest.mark.parametrize("name", OWN)
def test_every_format_used_has_a_check_of_our_own(name: str) -> None:
    # JSON Schema 2020-12 validation 7.2: an implementation may ignore `format`; a plain install has no
    # check for date-time, so nonsense would pass
    used = {
        schema["format"] for _, schema, _ in walk(schemas.load(name)) if isinstance(schema.get("format"), str)
    }
    assert used <= set(FORMATS)


@pytest.mark.parametrize("name", OWN)
def test_every_format_goes_with_a_pattern(name: str) -> None:
    lacking = [
        pointer
        for pointer, schema, _ in walk(schemas.load(name))
        if isinstance(schema.get("format"), str) and "pattern" not in schema
    ]
    assert not lacking


@pytest.mark.parametrize("name", OWN)
def test_patterns_mean_the_same_to_every_validator(name: str) -> None:
    # ECMA-262 and Python differ on \d, \w, \Z and inline flags; only the common part is used
    for pointer, schema, _ in walk(schemas.load(name)):
        pattern = schema.get("pattern")
        if isinstance(pattern, str):
            assert pattern.startswith("^") and pattern.endswith("$"), pointer
            assert not any(part in pattern for part in (r"\d", r"\w", r"\s", r"\Z", r"\A", "(?P", "(?i")), (
                pointer
            )


@pytest.mark.parametrize("name", OWN)
def test_the_file_is_pretty_printed_and_named_by_its_version(name: str) -> None:
    path = schemas.schema_folder() / f"{name}.schema.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    assert path.read_text(encoding="utf-8") == json.dumps(document, indent=2, ensure_ascii=False) + "\n"
    assert document["$id"] == f"urn:provpack:schema:{name}:{VERSIONS.get(name, '1.0.0')}"
    assert document["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("name", OWN)
def test_the_schema_is_a_schema(name: str) -> None:
    from jsonschema import Draft202012Validator

    Draft202012Validator.check_schema(schemas.load(name))


@pytest.mark.parametrize("name", OWN)
def test_every_reference_of_the_bundle_is_inside_it(name: str) -> None:
    bundle = schemas.bundled(name)
    for _, schema, _ in walk(bundle):
        if isinstance(schema.get("$ref"), str):
            assert schema["$ref"].startswith("#/")
            place = bundle
            for part in schema["$ref"][2:].split("/"):
                place = place[part]


def test_all_our_schemas_are_found() -> None:
    assert set(OWN) <= set(schemas.names())


SECTIONS = (
    "item",
    "carrier",
    "condition",
    "deck",
    "decoder",
    "interface",
    "capture",
    "signal",
    "processing",
    "people",
    "custody",
    "rights",
    "retention",
)


def test_sheet_fields_and_record_fields_have_the_same_names() -> None:
    record = schemas.load("transfer-record")["properties"]
    flat = [field for section in SECTIONS for field in record[section]["properties"]]
    assert len(flat) == len(set(flat)), "a field name stands in two sections"
    sheet = set(schemas.load("job-sheet")["properties"]["transfer"]["items"]["properties"])
    # of a sheet alone: which file, which chain, when, and papers; chain_id comes from the chain's name
    own = {
        "transfer_id",
        "file",
        "chain",
        "started_at",
        "stopped_at",
        "documents",
        "photos",
        "outcome",
        "outcome_note",
    }
    relations = {"supersedes", "derived_from", "waivers", "equipment_status"}
    own |= {"corrects", "plays_again"}  # of which other transfer of the job a row takes over
    assert sheet - own - relations == set(flat) - {"chain_id"}
    assert relations < set(record)


def test_defaults_and_chains_offer_only_fields_a_transfer_has() -> None:
    sheet = schemas.load("job-sheet")["properties"]
    transfer = set(sheet["transfer"]["items"]["properties"])
    assert set(sheet["defaults"]["properties"]) < transfer
    assert set(sheet["chain"]["items"]["properties"]) - {"id", "note", "capture_files"} < transfer


# Domain note section 8, fields 1-80 marked R or C, by section of the record
DICTIONARY = {
    "": "record_id schema_version job_id files audio_sha256 coding_history",
    "item": "client_item_id title source_domain programme_segments",
    "carrier": "carrier_type carrier_nominal_minutes tape_speed_mode line_standard recording_format "
    "source_bit_depth label_transcription",
    "condition": "condition_terms condition_note condition_assessed_at treatments",
    "deck": "deck_id deck_make_model deck_serial dropout_compensator picture_processing",
    "decoder": "decoder_id decoder_make_model decoder_serial decoder_mode emphasis_indicator "
    "error_indication digital_output digital_output_revision shared_converter",
    "interface": "interface_type",
    "capture": "capture_device_id clock_source src_in_path capture_software capture_word_length "
    "chain_check_id",
    "signal": "sampling_frequency header_sampling_frequency_hz rate_label_note tape_emphasis "
    "tape_emphasis_evidence file_emphasis signal_state_ranges channel_use",
    "measured": "tool version at frames duration_s effective_bits peak_dbfs dc_offset events_detected "
    "channel_relation",
    "processing": "processing_steps passes assembly transfer_events",
    "people": "operator qc_by transfer_organisation client",
    "custody": "custody_events",
    "rights": "rights_basis access_restriction personal_data",
    "retention": "retention_until next_check_due",
}


@pytest.mark.parametrize("section", DICTIONARY)
def test_every_required_or_conditional_field_of_the_dictionary_is_there(section: str) -> None:
    record = schemas.load("transfer-record")
    table = record["properties"][section]["properties"] if section else record["properties"]
    assert set(DICTIONARY[section].split()) <= set(table)


def test_a_finding_as_json_is_a_finding_of_the_schema() -> None:
    finding = Finding(
        rule="rec-too-long",
        severity="error",
        what="x",
        where="y",
        todo="z",
        position={"path": "/carrier", "row": 3},
    )
    definition = schemas.load("fields")["$defs"]["finding"]
    assert set(finding.as_json()) == set(definition["properties"]) == set(definition["required"])
    assert {
        "path",
        "row",
        "file",
        "column",
        "key",
        "chunk",
        "offset",
        "block",
        "frame",
        "path_base64",
    } == set(definition["properties"]["position"]["properties"])
