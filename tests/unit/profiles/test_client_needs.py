"""Our own requirements file: what it may say, and what a draft or a finished record lacks for it.

There is no outside source for this file: it is the project's own (schemas/client-requirements.schema.json).
"""

from __future__ import annotations

from typing import Any

import pytest
from support.profiles import profile, requirements

from provpack.edge import schemas
from provpack.findings import Finding
from provpack.jobs.clientprofiles import pointer_of
from provpack.package.bagprofile import BagFacts
from provpack.package.clientneeds import (
    PLACEHOLDERS,
    ClientNeeds,
    bag_info_pairs,
    read_needs,
    value_at,
    wanted_derivatives,
)
from provpack.package.needcheck import agreement, needs_findings, package_findings

CLIENT = "Ambersund Chamber Archive"


def read(**fields: Any) -> tuple[ClientNeeds, list[str]]:
    document = requirements(**fields)
    assert schemas.validate("client-requirements", document) == []
    needs, found = read_needs(document, "harbour.json", pointer_of)
    return needs, [f.rule for f in found]


def needs_of(**fields: Any) -> ClientNeeds:
    needs, found = read(**fields)
    assert found == []
    return needs


def record(**sections: Any) -> dict[str, Any]:
    base: dict[str, Any] = {
        "job_id": "J-1",
        "transfer_id": "T01",
        "item": {"client_item_id": "ACA-0411", "title": "Wind quintet"},
        "carrier": {"carrier_id": "box 7", "label_transcription": "[no label]"},
        "condition": {"condition_terms": ["not_observed"], "condition_assessed_at": None},
        "decoder": {"shared_converter": "no", "copy_indicator": "not_fitted"},
        "signal": {"tape_emphasis": "unknown", "tape_emphasis_evidence": [], "file_emphasis": "unknown"},
        "people": {"client": CLIENT, "operator": "A"},
        "processing": {"passes": [{"n": 1, "deck_id": "D1"}], "processing_steps": []},
    }
    return {**base, **sections}


def told(needs: ClientNeeds, of: dict[str, Any], **more: Any) -> tuple[Finding, ...]:
    given: dict[str, Any] = {"package_name": "j-1_t01", "roles": {"master"}, "finished": False}
    return needs_findings(needs, of, **{**given, **more})


def rules_of(needs: ClientNeeds, of: dict[str, Any], **more: Any) -> list[str]:
    return [f.rule.removeprefix("need-") for f in told(needs, of, **more)]


@pytest.mark.parametrize(
    ("document", "pointer"),
    [
        (requirements(colour="blue"), "/colour"),
        (requirements(client=...), "/client"),
        (requirements(digests=["sha256"]), "/digests"),
        (requirements(digests=["crc32", "sha512"]), "/digests/0"),
        (requirements(form=[]), "/form"),
        (requirements(form=["rar"]), "/form/0"),
        (requirements(bagit_profile="../x.json"), "/bagit_profile"),
        (requirements(bagit_profile=".x.json"), "/bagit_profile"),
        (requirements(bag_info={"Sh:elf": "x"}), "/bag_info"),
        (requirements(bag_info={"Shelf": []}), "/bag_info/Shelf"),
        (requirements(bag_info={"Shelf": 3}), "/bag_info/Shelf"),
        (requirements(package_name={}), "/package_name"),
        (requirements(package_name={"pattern": "*" * 201}), "/package_name/pattern"),
        (requirements(record_fields=[{"field": "title", "regex": ".*"}]), "/record_fields/0/regex"),
        (requirements(derivatives=["mp3"]), "/derivatives/0"),
        (requirements(documents_required=["video"]), "/documents_required/0"),
        (requirements(signature_required="yes"), "/signature_required"),
        (requirements(schema_version="2.0.0"), "/schema_version"),
    ],
)
def test_what_the_schema_refuses(document: dict[str, Any], pointer: str) -> None:
    assert pointer in {v.pointer for v in schemas.validate("client-requirements", document)}


@pytest.mark.parametrize(
    ("name", "pointer"),
    [
        ("tape_emphasis", "/signal/tape_emphasis"),
        ("outcome", "/outcome"),
        ("/measured/loudness/integrated_lufs", "/measured/loudness/integrated_lufs"),
        ("/processing/passes/0/deck_id", "/processing/passes/0/deck_id"),
        ("/processing/passes/first/deck_id", None),
        ("/signal/colour", None),
        ("colour", None),
        ("", None),
        ("measured", None),
    ],
)
def test_names_of_fields(name: str, pointer: str | None) -> None:
    assert pointer_of(name) == pointer


def test_a_field_no_record_has_is_an_error_of_the_file() -> None:
    assert read(record_fields=[{"field": "colour"}, {"field": "title"}])[1] == ["need-field-name"]


@pytest.mark.parametrize(
    ("field", "missing"),
    [
        ({"field": "title"}, None),
        ({"field": "recorded_date"}, "field-missing"),
        ({"field": "condition_assessed_at"}, "field-missing"),
        ({"field": "retention_until"}, "field-missing"),
        ({"field": "tape_emphasis"}, None),
        ({"field": "tape_emphasis", "known": True}, "field-unknown"),
        ({"field": "condition_terms"}, None),
        ({"field": "condition_terms", "known": True}, "field-unknown"),
        # not_fitted is a statement about the equipment, not a gap (domain note 8.1)
        ({"field": "copy_indicator", "known": True}, None),
        ({"field": "tape_emphasis_evidence", "known": True}, None),
        ({"field": "tape_emphasis_evidence", "at_least": 1}, "field-short"),
        ({"field": "passes", "at_least": 1}, None),
        ({"field": "/processing/passes/0/deck_id"}, None),
        ({"field": "/processing/passes/1/deck_id"}, "field-missing"),
        # only known once the audio was read: not asked of a draft
        ({"field": "/measured/frames"}, None),
        ({"field": "/audio_sha256"}, None),
    ],
)
def test_fields_of_a_draft(field: dict[str, Any], missing: str | None) -> None:
    assert rules_of(needs_of(record_fields=[field]), record()) == ([missing] if missing else [])


def test_a_finished_record_is_asked_for_what_was_measured_too() -> None:
    needs = needs_of(record_fields=[{"field": "/measured/frames"}])
    assert rules_of(needs, record(), finished=True) == ["field-missing"]
    assert rules_of(needs, record(measured={"frames": 5}), finished=True) == []


def test_a_section_that_does_not_apply_is_not_asked_for() -> None:
    needs = needs_of(
        record_fields=[{"field": "tape_emphasis", "known": True}, {"field": "/measured/frames"}],
        derivatives=["deemphasis", "deskew"],
    )
    silent = record(signal=None, measured=None, decoder=None)
    assert rules_of(needs, silent) == [] and rules_of(needs, silent, finished=True) == []


def test_a_finding_names_the_field_for_the_sheet() -> None:
    (finding,) = told(needs_of(record_fields=[{"field": "tape_emphasis", "known": True}]), record())
    assert finding.position["path"] == "/signal/tape_emphasis" and "unknown" in finding.what
    assert "guess" in finding.todo


def test_names_of_packages_and_items() -> None:
    needs = needs_of(
        package_name={"pattern": "j-#_t##", "max_length": 7}, client_item_id={"pattern": "ACA-####"}
    )
    assert rules_of(needs, record()) == []
    assert rules_of(needs, record(), package_name="j-1_t011") == ["package-name"]
    (finding,) = told(needs, record(item={"client_item_id": "ACA-O411", "title": "x"}))
    assert finding.rule == "need-item-id" and finding.position["path"] == "/item/client_item_id"
    assert "'ACA-####'" in finding.what


def test_kinds_of_file() -> None:
    needs = needs_of(documents_required=["photo", "document"])
    assert rules_of(needs, record(), roles={"master", "document"}) == ["document-missing"]
    assert rules_of(needs, record(), roles={"photo", "document"}) == []


def test_placeholders_are_filled_from_the_record() -> None:
    needs = needs_of(bag_info={"Shelf": ["{client_item_id} in {carrier_id}", "{job_id}/{transfer_id}"]})
    pairs = bag_info_pairs(needs, record())
    assert pairs == (("Shelf", "ACA-0411 in box 7"), ("Shelf", "J-1/T01"))
    unnamed = record(carrier={})
    assert bag_info_pairs(needs, unnamed) == (("Shelf", "J-1/T01"),)
    (finding,) = told(needs, unnamed)
    assert finding.rule == "need-placeholder-empty"
    assert finding.position["path"] == PLACEHOLDERS["carrier_id"]


def test_a_value_from_the_record_is_not_read_for_placeholders_again() -> None:
    needs = needs_of(bag_info={"Shelf": "{title}"})
    odd = record(item={"client_item_id": "x", "title": "{job_id} {"})
    assert bag_info_pairs(needs, odd) == (("Shelf", "{job_id} {"),)


@pytest.mark.parametrize("text", ["{operator}", "{}", "{job_id", "job_id}", "{{job_id}}", "{job_id.x}"])
def test_anything_else_in_braces_is_refused(text: str) -> None:
    assert read(bag_info={"Shelf": text})[1] == ["need-placeholder"]


@pytest.mark.parametrize("label", ["Payload-Oxum", "bagging-date", "BAG-SIZE", "BagIt-Profile-Identifier"])
def test_elements_that_are_counted_cannot_be_set(label: str) -> None:
    assert read(bag_info={label: "1"})[1] == ["need-file-invalid"]


def test_every_placeholder_is_a_field_of_the_record() -> None:
    assert all(pointer_of(pointer) == pointer for pointer in PLACEHOLDERS.values())


@pytest.mark.parametrize(
    ("signal", "converter", "wanted", "notes"),
    [
        ({"file_emphasis": "present"}, "no", ("deemphasis",), []),
        ({"file_emphasis": "mixed"}, "no", ("deemphasis",), []),
        ({"file_emphasis": "absent"}, "no", (), []),
        ({"file_emphasis": "removed"}, "no", (), []),
        ({"file_emphasis": "unknown"}, "no", (), ["derivative-unknown"]),
        ({}, "no", (), ["derivative-unknown"]),
        ({"file_emphasis": "absent"}, "yes", ("deskew",), ["late-channel"]),
        ({"file_emphasis": "absent"}, "unknown", (), ["derivative-unknown"]),
        (None, "yes", (), []),
    ],
)
def test_copies_are_wanted_where_there_is_something_to_remove(
    signal: Any, converter: str, wanted: tuple[str, ...], notes: list[str]
) -> None:
    needs = needs_of(derivatives=["deemphasis", "deskew"])
    of = record(signal=signal, decoder={"shared_converter": converter})
    assert wanted_derivatives(needs, of) == wanted
    assert rules_of(needs, of) == notes
    assert all(f.severity != "error" for f in told(needs, of))


def test_copies_in_a_finished_package() -> None:
    needs = needs_of(derivatives=["deemphasis"], derivative_container="flac")
    path = "data/derivatives/x.flac"
    step = {"type": "deemphasis", "output_path": path}
    of = record(signal={"file_emphasis": "present"}, files=[{"role": "derivative", "path": path}])
    assert rules_of(needs, of, finished=True) == ["derivative-missing"]
    of["processing"] = {"processing_steps": [step]}
    assert rules_of(needs, of, finished=True) == []
    of["processing"] = {"processing_steps": [{**step, "output_path": "data/derivatives/x.wav"}]}
    of["files"] = [{"role": "derivative", "path": "data/derivatives/x.wav"}]
    assert rules_of(needs, of, finished=True) == ["derivative-container"]


def facts(**fields: Any) -> BagFacts:
    given: dict[str, Any] = {"name": "x", "payload_algorithms": ("sha256", "sha512")}
    return BagFacts(**{**given, **fields})


@pytest.mark.parametrize(
    ("asked", "bag", "record_more", "rule"),
    [
        ({}, {}, {}, None),
        ({}, {}, {"people": {"client": f" {CLIENT} "}}, None),
        ({}, {}, {"people": {"client": CLIENT.lower()}}, "client-other"),
        ({}, {}, {"people": {}}, "client-other"),
        ({"digests": ["sha512"]}, {}, {}, None),
        ({"digests": ["sha512", "md5"]}, {}, {}, "digest-missing"),
        ({"form": ["folder"]}, {}, {}, None),
        ({"form": ["folder"]}, {"serialisation": "application/zip"}, {}, "form"),
        ({"form": ["zip", "tar"]}, {"serialisation": "application/x-tar"}, {}, None),
        ({"form": ["zip"]}, {}, {}, "form"),
        ({"signature_required": True}, {}, {}, "signature-missing"),
        ({"signature_required": True}, {"files": {"tagmanifest-sha512.txt.sig": 300}}, {}, None),
        ({"hold_back_names": True}, {}, {}, "names-not-held-back"),
        ({"hold_back_names": True}, {}, {"held_back": []}, None),
        ({"bag_info": {"Shelf": "{job_id} {title}"}}, {}, {}, "bag-info"),
        ({"bag_info": {"Shelf": "{job_id} {title}"}}, {"bag_info": (("SHELF", "J-1 Wind\nquintet"),)}, {},
         None),
    ],
)  # fmt: skip
def test_the_finished_package_as_a_bag(
    asked: dict[str, Any], bag: dict[str, Any], record_more: dict[str, Any], rule: str | None
) -> None:
    found = package_findings(needs_of(**asked), record(**record_more), facts(**bag))
    assert [f.rule.removeprefix("need-") for f in found] == ([rule] if rule else [])


@pytest.mark.parametrize(
    ("asked", "of_profile", "disagree"),
    [
        ({}, {}, 0),
        ({}, {"Manifests_Required": ["md5"]}, 1),
        ({"digests": ["sha512", "md5"]}, {"Manifests_Required": ["md5"]}, 0),
        ({}, {"Manifests_Allowed": ["sha512"]}, 1),
        ({}, {"Tag_Manifests_Required": ["sha384"]}, 1),
        ({"digests": ["sha512", "md5"]}, {"Tag_Manifests_Allowed": ["sha256", "sha512"]}, 1),
        ({}, {"Accept_BagIt_Version": ["0.97"]}, 1),
        ({}, {"fetch_required": True}, 1),
        ({}, {"Data_Empty": True}, 1),
        ({"form": ["folder"]}, {"Serialization": "required"}, 1),
        ({"form": ["tar"]}, {"Serialization": "forbidden"}, 1),
        ({"form": ["tar"]}, {"Accept_Serialization": ["application/tar"]}, 0),
        ({"form": ["zip", "folder"]}, {}, 1),
    ],
)
def test_requirements_and_profile_that_cannot_both_be_met(
    asked: dict[str, Any], of_profile: dict[str, Any], disagree: int
) -> None:
    assert len(agreement(needs_of(**asked), profile(**of_profile))) == disagree


def test_pointers_into_odd_places_give_nothing_and_raise_nothing() -> None:
    odd = {"a/b": {"~": [1]}, "text": "abc", "none": None}
    assert value_at(odd, "/a~1b/~0/0") == (True, 1)
    assert value_at(odd, "/text/0") == (False, None)
    assert value_at(odd, "/a~1b/~0/99999999999") == (False, None)
    assert value_at(odd, "/none/x/y") == (True, None)
