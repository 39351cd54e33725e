"""`verify` asked whether a package meets a client's requirements, on packages wrapped on the spot."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from support.bagmaking import seal
from support.profiles import document, requirements

from provpack.errors import CouldNotCheck
from provpack.jobs.clientexamine import profile_examiner
from provpack.jobs.clientprofiles import load_profile_file
from provpack.jobs.progress import Silent
from provpack.jobs.verified import Examined, UnitView
from provpack.jobs.verify import verify_paths

CLIENT = "Ambersund Chamber Archive"
RECORD = "data/metadata/record.json"


def record(**more: Any) -> dict[str, Any]:
    base: dict[str, Any] = {
        "schema_version": "1.2.0",
        "record_id": "r",
        "transfer_id": "T01",
        "people": {"client": CLIENT},
        "signal": {"tape_emphasis": "unknown"},
        "files": [],
    }
    return {**base, **more}


@pytest.fixture
def ask(tmp_path: Path) -> Callable[..., Examined]:
    """ask(requirements or profile, record, profile beside): what the examiner says of a view."""

    def asked(needs: Any, of: Any = None, bag: Any = None, **fields: Any) -> Examined:
        (tmp_path / "rules.json").write_text(json.dumps(needs))
        if bag is not None:
            (tmp_path / "bag.json").write_text(json.dumps(bag))
        data = of if isinstance(of, bytes) else json.dumps(of).encode()

        def read(path: str, limit: int) -> bytes:
            if path != RECORD or len(data) > limit:
                raise CouldNotCheck("x", "It cannot be read.", where=path, todo="Look.")
            return data

        given: dict[str, Any] = {
            "name": "j-1_t01",
            "serialisation": None,
            "version": "1.0",
            "bag_info": (),
            "has_bag_info": True,
            "payload_algorithms": ("sha256", "sha512"),
            "tag_algorithms": ("sha256", "sha512"),
            "has_fetch": False,
            "files": {} if of is None else {RECORD: len(data)},
            "read": read,
        }
        return profile_examiner(load_profile_file(tmp_path / "rules.json"))(UnitView(**{**given, **fields}))

    return asked


NAMED = (("BagIt-Profile-Identifier", "https://harbour.example/profiles/bags-v1.json"),)


def test_met(ask: Callable[..., Examined]) -> None:
    needs = requirements(record_fields=[{"field": "tape_emphasis"}], bagit_profile="bag.json")
    told = ask(needs, record(), document(), bag_info=NAMED)
    assert (told.topic, told.state, told.demands, told.findings) == ("profile", "met", "met", ())
    assert told.facts["name"] == "Rules of the harbour" and told.facts["unmet"] == 0
    assert told.facts["client"] == CLIENT and told.facts["version"] == "1"
    json.dumps(told.as_json())


def test_both_files_are_told_at_once(ask: Callable[..., Examined]) -> None:
    needs = requirements(
        record_fields=[{"field": "tape_emphasis", "known": True}], bagit_profile="bag.json",
        signature_required=True, form=["folder"],
    )  # fmt: skip
    told = ask(
        needs, record(), document(Tag_Files_Required=["a"]), serialisation="application/zip", bag_info=NAMED
    )
    assert told.demands == "not_met" and told.facts["unmet"] == 5
    assert [f.rule for f in told.findings] == [
        "profile-accept-serialisation", "profile-tag-file-missing", "need-field-unknown", "need-form",
        "need-signature-missing",
    ]  # fmt: skip
    unknown = told.findings[2]
    assert unknown.where == f"{RECORD}#/signal/tape_emphasis" and unknown.position["path"] == RECORD
    assert "row" not in unknown.todo  # whoever checks a package has no sheet


def test_a_package_for_another_client_is_told_where_the_record_says_so(ask: Callable[..., Examined]) -> None:
    (finding,) = ask(requirements(), record(people={"client": "Somebody else"})).findings
    assert finding.rule == "need-client-other" and finding.where == f"{RECORD}#/people/client"


@pytest.mark.parametrize("of", [None, b"{", b"[]", b"[" * 100_000])
def test_without_a_record_it_cannot_be_told(ask: Callable[..., Examined], of: Any) -> None:
    told = ask(requirements(), of)
    assert told.demands == "could_not_check"
    assert [f.rule for f in told.findings] == ["need-record-missing"]


def test_what_is_plainly_unmet_counts_more_than_what_cannot_be_told(ask: Callable[..., Examined]) -> None:
    told = ask(requirements(bagit_profile="bag.json"), None, document())
    assert told.demands == "not_met"
    assert [f.rule for f in told.findings] == ["profile-identifier-missing", "need-record-missing"]


def test_an_unsound_profile_is_never_met(ask: Callable[..., Examined]) -> None:
    told = ask(document(Accept_BagIt_Version=[]), bag_info=NAMED)
    assert told.demands == "could_not_check"
    assert [f.rule for f in told.findings] == ["profile-contradiction"]


def test_what_is_noted_about_the_profile_does_not_matter(ask: Callable[..., Examined]) -> None:
    told = ask(document(Colour="blue"), bag_info=NAMED)
    assert told.demands == "met" and [f.severity for f in told.findings] == ["note"]


def test_a_waiver_explains_but_does_not_fulfil(ask: Callable[..., Examined]) -> None:
    needs = requirements(record_fields=[{"field": "tape_emphasis", "known": True}])
    waiver = {"rule": "need-field-unknown", "reason": "The label is torn.", "by": "Ilse Varrow"}
    told = ask(needs, record(waivers=[waiver, 3, {"rule": "need-field-unknown"}]))
    assert told.demands == "not_met" and "The label is torn." in told.findings[0].what


def test_another_version_of_the_requirements_is_noted(ask: Callable[..., Examined]) -> None:
    told = ask(requirements(), record(client_profile={"name": "x", "sha256": "0" * 64}))
    assert told.demands == "met" and [f.rule for f in told.findings] == ["need-other-version"]


@pytest.mark.parametrize(
    "odd",
    [
        {"files": 3, "people": [], "waivers": "no", "client_profile": 7, "signal": "x"},
        {"files": [1, {"role": None}], "processing": {"processing_steps": [None, 4]}},
        {"processing": "none", "people": {"client": 7}},
    ],
)
def test_a_record_of_odd_shape_is_unmet_not_a_crash(
    ask: Callable[..., Examined], odd: dict[str, Any]
) -> None:
    needs = requirements(
        record_fields=[{"field": "title"}], derivatives=["deemphasis"], documents_required=["photo"]
    )
    odd = {"signal": {"file_emphasis": "present"}, **odd}
    assert ask(needs, record(**odd)).demands == "not_met"


def test_fixity_and_demands_are_told_apart(tmp_path: Path) -> None:
    bag = tmp_path / "bags" / "b"
    (bag / "data").mkdir(parents=True)
    (bag / "data" / "a.txt").write_bytes(b"alpha")
    seal(bag)
    (tmp_path / "p.json").write_text(json.dumps(document()))
    examiner = profile_examiner(load_profile_file(tmp_path / "p.json"))
    result = verify_paths(
        [bag],
        "bytes",
        progress=Silent(),
        clock=lambda: datetime(2031, 5, 4, tzinfo=UTC),
        examiners=[examiner],
    )
    assert result.outcome == "good" and result.verdict == "demands_not_met"
    assert result.units[0].demands == "not_met"
