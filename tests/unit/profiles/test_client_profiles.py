"""Requirements named in a job sheet: loaded, matched by client, and held against the rows by `check`."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Any

import pytest
from support.jobs import make_job
from support.profiles import document, requirements

from provpack.edge import clock
from provpack.edge.demodata import demo_folder
from provpack.edge.schemas import validate
from provpack.errors import InputProblem, UsageProblem
from provpack.jobs.check import CheckResult, check_job
from provpack.jobs.clientprofiles import ClientProfile, bag_findings, load_profile_file, load_profiles
from provpack.jobs.load import build_record_draft, load_job
from provpack.jobs.progress import Silent
from provpack.package.bagprofile import BagFacts
from provpack.package.owninfo import human_size, own_bag_info, with_clients

CLIENT = "Ambersund Chamber Archive"
NAMED = 'client_profiles = ["rules.json"]\n'


def write(folder: Path, name: str, content: Any) -> Path:
    path = folder / name
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


def job(folder: Path, needs: Any = None, bag: Any = None, *, named: str = NAMED, extra: str = "") -> Path:
    made = make_job(folder / "job", frames=4000, job=named)
    if extra:
        path = made / "job.toml"
        path.write_text(path.read_text() + extra)
    if needs is not None:
        write(made, "rules.json", needs)
    if bag is not None:
        write(made, "bag.json", bag)
    return made


def checked(folder: Path) -> CheckResult:
    return check_job(folder, now=clock.now(), progress=Silent(), validate=validate)


def told(result: CheckResult) -> list[tuple[str, str]]:
    return [
        (f.rule, f.severity)
        for f in result.findings
        if f.rule.startswith(("need-", "profile-", "job-path", "job-file"))
    ]


def test_met_requirements_draw_no_word(tmp_path: Path) -> None:
    fields = [{"field": "tape_emphasis", "known": True}, {"field": "/measured/frames"}]
    needs = requirements(record_fields=fields, bagit_profile="bag.json")
    folder = job(tmp_path, needs, document(Bag_Info={"Source-Organization": {"required": True}}))
    assert told(checked(folder)) == []
    profiles = load_profiles(load_job(folder))
    profile = profiles.for_client(f" {CLIENT} ")
    assert (
        profile is not None and profiles.for_client("another") is None and profiles.for_client(None) is None
    )
    data = (folder / "rules.json").read_bytes()
    assert profile.as_record() == {
        "name": "Rules of the harbour",
        "sha256": hashlib.sha256(data).hexdigest(),
        "bagit_profile_identifier": "https://harbour.example/profiles/bags-v1.json",
    }


def test_a_job_without_requirements_is_told_nothing(tmp_path: Path) -> None:
    assert told(checked(job(tmp_path, named=""))) == []


def test_what_the_sheets_lack_is_an_error_at_the_cell_and_refuses_the_transfer(tmp_path: Path) -> None:
    needs = requirements(
        record_fields=[{"field": "recorded_date"}], client_item_id={"pattern": "ACA-####"},
        package_name={"max_length": 5}, documents_required=["photo"],
        bag_info={"Shelf": "{carrier_id}"},
    )  # fmt: skip
    result = checked(job(tmp_path, needs))
    assert {rule for rule, severity in told(result) if severity == "error"} == {
        "need-field-missing", "need-item-id", "need-package-name", "need-document-missing",
        "need-placeholder-empty",
    }  # fmt: skip
    assert result.transfers[0].outcome == "refused" and result.job_findings == ()
    where = {f.rule: f.position.get("key") for f in result.by_transfer[0]}
    assert where["need-field-missing"] == "transfer[1].recorded_date"
    assert where["need-item-id"] == "transfer[1].client_item_id"
    assert where["need-document-missing"] == "transfer[1].condition_photos"


def test_what_was_filled_in_and_could_not_be_taken_is_told_once(tmp_path: Path) -> None:
    needs = requirements(record_fields=[{"field": "recorded_date"}], bag_info={"Shelf": "{title}"})
    made = job(tmp_path, needs, extra='recorded_date = "12.05.1984"\n')
    sheet = (made / "job.toml").read_text()
    (made / "job.toml").write_text(re.sub("(?m)^title = .*$", 'title = "#REF!"', sheet))
    result = checked(made)
    assert {f.rule for f in result.findings if f.severity == "error"} == {
        "row-date-order", "row-spreadsheet-error",
    }  # fmt: skip


def test_a_requirement_can_be_set_aside_with_a_reason(tmp_path: Path) -> None:
    waiver = '[[transfer.waivers]]\nrule = "need-field-missing"\nreason = "Nobody knows"\nby = "I. Varrow"\n'
    needs = requirements(record_fields=[{"field": "recorded_date"}])
    result = checked(job(tmp_path, needs, extra=waiver))
    assert told(result) == [("need-field-missing", "warning")]
    assert "Nobody knows" in next(f.what for f in result.findings if f.rule == "need-field-missing")


def test_bag_info_that_will_not_meet_the_profile_is_told_before_anything_is_wrapped(tmp_path: Path) -> None:
    asked = document(
        Bag_Info={
            "Source-Organization": {"values": ["Other Room"]},
            "Payload-Oxum": {"required": True},
            "Shelf": {"required": True},
        }
    )
    result = checked(job(tmp_path, requirements(bagit_profile="bag.json"), asked))
    assert told(result) == [("profile-info-tag-value", "error"), ("profile-info-tag-missing", "error")]
    place = next(f.position for f in result.findings if f.rule == "profile-info-tag-value")
    assert place["path"] == "/people/transfer_organisation"


def test_what_is_counted_only_when_the_bag_is_made_is_not_held_against_a_draft(tmp_path: Path) -> None:
    counted = {label: {"values": ["x"]} for label in ("Bagging-Date", "Bag-Size", "Payload-Oxum")}
    wanted = {"Bagging-Date": {"required": True, "repeatable": False}}
    for number, asked in enumerate((counted, wanted)):
        folder = tmp_path / str(number)
        folder.mkdir()
        made = job(folder, requirements(bagit_profile="bag.json"), document(Bag_Info=asked))
        assert told(checked(made)) == []


@pytest.mark.parametrize(
    ("needs", "bag", "rule"),
    [
        ("{", None, "need-file-unreadable"),
        (requirements(colour=1), None, "need-file-invalid"),
        (requirements(schema_version="1.9.0"), None, "need-file-invalid"),
        ('{"name": "a", "name": "b"}', None, "need-file-invalid"),
        (requirements(record_fields=[{"field": "colour"}]), None, "need-field-name"),
        (requirements(bag_info={"Shelf": "{colour}"}), None, "need-placeholder"),
        (requirements(bagit_profile="bag.json"), None, "need-file-unreadable"),
        (requirements(bagit_profile="bag.json"), "[]", "profile-unreadable"),
        (requirements(bagit_profile="bag.json"), document(Data_Empty="no"), "profile-wrong-type"),
        (requirements(bagit_profile="bag.json"), document(Manifests_Required=["md5"]),
         "need-profile-disagrees"),
        (document(), None, "need-file-invalid"),
    ],
)  # fmt: skip
def test_files_that_cannot_be_used_refuse_the_job(tmp_path: Path, needs: Any, bag: Any, rule: str) -> None:
    result = checked(job(tmp_path, needs, bag))
    assert (rule, "error") in told(result) and result.outcome == "refused"
    assert ("need-no-file", "note") not in told(result)  # whose file it is cannot be told
    assert any(f.rule == rule for f in result.job_findings)


def test_a_missing_file_is_told_by_the_sheet_that_names_it(tmp_path: Path) -> None:
    result = checked(job(tmp_path))
    assert [f.rule for f in result.findings if f.severity == "error"] == ["job-file-missing"]


def test_a_profile_beside_that_is_a_link_is_not_followed(tmp_path: Path) -> None:
    folder = job(tmp_path, requirements(bagit_profile="bag.json"))
    outside = write(tmp_path, "outside.json", document())
    (folder / "bag.json").symlink_to(outside)
    assert ("need-file-unreadable", "error") in told(checked(folder))


def test_two_files_for_one_client_and_one_for_nobody(tmp_path: Path) -> None:
    named = 'client_profiles = ["rules.json", "again.json", "other.json"]\n'
    folder = job(tmp_path, requirements(), named=named)
    write(folder, "again.json", requirements(name="Again"))
    write(folder, "other.json", requirements(client="Ambersund chamber archive"))
    assert told(checked(folder)) == [("need-two-files", "error"), ("need-client-not-in-job", "warning")]


def test_a_client_without_requirements_is_noted(tmp_path: Path) -> None:
    folder = job(tmp_path, requirements(client="Somebody else"))
    assert told(checked(folder)) == [("need-client-not-in-job", "warning"), ("need-no-file", "note")]


def profile_of(folder: Path, needs: Any, bag: Any = None) -> ClientProfile:
    if bag is not None:
        write(folder, "bag.json", bag)
    return load_profile_file(write(folder, "rules.json", needs))


def test_what_wrapping_takes_from_the_requirements(tmp_path: Path) -> None:
    needs = requirements(
        bagit_profile="bag.json", digests=["sha512", "md5"], derivatives=["deemphasis", "deskew"],
        derivative_container="flac", bag_info={"Shelf": "{job_id}"},
    )  # fmt: skip
    profile = profile_of(tmp_path, needs, document())
    record = {"job_id": "J", "signal": {"file_emphasis": "present"}, "decoder": {"shared_converter": "no"}}
    assert profile.digests() == ("sha256", "sha512", "md5")
    identifier = ("BagIt-Profile-Identifier", "https://harbour.example/profiles/bags-v1.json")
    assert profile.bag_info(record) == (identifier, ("Shelf", "J"))
    wanted = profile.wanted(record)
    assert wanted is not None and wanted.kinds == {"deemphasis"} and wanted.container == "flac"
    assert profile.wanted(record, "left") == wanted  # nothing to shift, so the channel does not matter
    skewed = {**record, "decoder": {"shared_converter": "yes"}}
    with pytest.raises(UsageProblem):
        profile.wanted(skewed)
    both = profile.wanted(skewed, "right")
    assert both is not None and both.kinds == {"deemphasis", "deskew"} and both.late_channel == 1
    assert profile.wanted({"signal": None, "decoder": None}) is None


def test_a_bag_about_to_be_sealed(tmp_path: Path) -> None:
    profile = profile_of(
        tmp_path, requirements(bagit_profile="bag.json"), document(Payload_Files_Required=["data/a.wav"])
    )
    waiver = (
        '[[transfer.waivers]]\nrule = "profile-payload-file-missing"\nreason = "No audio"\nby = "I. Varrow"\n'
    )
    transfer = load_job(job(tmp_path, named="", extra=waiver)).transfers[0]
    facts = BagFacts(name="x", bag_info=profile.bag_info({}), payload_algorithms=("sha512",))
    assert [f.severity for f in bag_findings(profile, facts)] == ["error"]
    assert [f.severity for f in bag_findings(profile, facts, transfer)] == ["warning"]
    assert bag_findings(profile_of(tmp_path, requirements()), facts) == ()


def test_our_elements_of_bag_info(tmp_path: Path) -> None:
    loaded = load_job(job(tmp_path, named=""))
    draft = build_record_draft(loaded, loaded.transfers[0], record_id="r")
    own = own_bag_info(
        draft, bagging_date="2031-05-04", payload_bytes=1500, payload_files=2, software="provpack 1"
    )
    assert dict(own)["Source-Organization"] == "Grauwell Transfer Room"
    assert dict(own)["Payload-Oxum"] == "1500.2" and dict(own)["Bag-Size"] == "1.5 KB"
    more = (("bagging-date", "2031-05-04"), ("Shelf", "1"), ("Shelf", "1"), ("Shelf", "2"))
    assert with_clients((*own, ("Empty", "")), more) == (*own, ("Shelf", "1"), ("Shelf", "2"))
    assert [human_size(n) for n in (0, 999, 1000, 10**12, 10**15)] == [
        "0 B", "999 B", "1.0 KB", "1.0 TB", "1000.0 TB"
    ]  # fmt: skip


def test_a_bagit_profile_alone_can_be_given(tmp_path: Path) -> None:
    profile = load_profile_file(write(tmp_path, "p.json", document()))
    assert profile.needs is None and profile.bag is not None and profile.client is None
    assert profile.name == "https://harbour.example/profiles/bags-v1.json"
    unsound = load_profile_file(write(tmp_path, "q.json", document(Accept_BagIt_Version=[])))
    assert [f.rule for f in unsound.findings] == ["profile-contradiction"]


@pytest.mark.parametrize(
    "content", ["", "[]", requirements(colour=1), requirements(bagit_profile="none.json"), "{" * 5000]
)
def test_a_file_given_by_hand_that_cannot_be_used(tmp_path: Path, content: Any) -> None:
    with pytest.raises(InputProblem) as caught:
        load_profile_file(write(tmp_path, "p.json", content))
    assert caught.value.where and caught.value.todo
    with pytest.raises(InputProblem):
        load_profile_file(tmp_path / "none.json")
    with pytest.raises(InputProblem):
        load_profile_file(tmp_path)


CLIENTS = sorted(p for p in (demo_folder() / "clients").glob("*.json") if "bagit" not in p.name)


@pytest.mark.parametrize("path", CLIENTS, ids=lambda p: p.name)
def test_the_clients_of_the_demo_are_sound_and_differ(path: Path) -> None:
    profile = load_profile_file(path)
    assert profile.findings == () and profile.needs is not None and profile.bag is not None
    assert profile.bag.sound and (profile.bag.identifier or "").split("/")[2].endswith(".example")
    others = [load_profile_file(other) for other in CLIENTS if other != path]
    assert len(others) == 2
    for other in others:
        assert other.needs is not None and other.bag is not None
        assert other.needs.form != profile.needs.form and other.bag.identifier != profile.bag.identifier
        assert other.bag.serialisation != profile.bag.serialisation
