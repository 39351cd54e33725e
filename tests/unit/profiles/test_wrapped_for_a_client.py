"""From requirements in the job to a package that meets them, and the command line that says so."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.bagmaking import seal
from support.jobs import make_job, wrap
from support.profiles import document, requirements

from provpack.cli.main import main
from provpack.edge import schemas

NAMED = 'client_profiles = ["rules.json"]\n'
NEEDS = requirements(
    bagit_profile="bag.json",
    digests=["sha512", "md5"],
    derivatives=["deemphasis"],
    derivative_container="flac",
    record_fields=[{"field": "tape_emphasis", "known": True}, {"field": "/measured/frames"}],
    package_name={"pattern": "job-#_t##"},
    bag_info={"Shelf": "{client_item_id}: {title}"},
    form=["folder"],
)
PROFILE = document(
    Manifests_Required=["md5", "sha512"],
    Bag_Info={"Shelf": {"required": True, "repeatable": False}, "Source-Organization": {"required": True}},
    Tag_Files_Allowed=["READ-ME-FIRST.txt"],
    Payload_Files_Required=["data/master/", "data/metadata/record.json"],
)
Verify = Callable[..., tuple[int, dict[str, Any]]]


def made(folder: Path, profile: Any = PROFILE) -> Path:
    job = make_job(folder / "job", frames=4000, job=NAMED)
    (job / "rules.json").write_text(json.dumps(NEEDS))
    (job / "bag.json").write_text(json.dumps(profile))
    return job


@pytest.fixture
def verify(capsys: pytest.CaptureFixture[str]) -> Verify:
    """verify(folder, profile): exit code and the one JSON object of `provpack verify --json`."""

    def run(folder: Path, profile: Path) -> tuple[int, dict[str, Any]]:
        code = main(["verify", str(folder), "--no-ledger", "--client-profile", str(profile), "--json"])
        result = json.loads(capsys.readouterr().out)
        assert isinstance(result, dict)
        if code not in (2, 12):
            assert schemas.validate("result-verify", result) == []
        return code, result

    return run


def test_what_is_wrapped_for_a_client_meets_what_the_client_asks(tmp_path: Path, verify: Verify) -> None:
    job = made(tmp_path)
    result = wrap(job, tmp_path / "out")
    assert [u.outcome for u in result.units] == ["wrapped"], [u.problem for u in result.units]
    package = tmp_path / "out" / "job-1_t01"
    assert (package / "manifest-md5.txt").is_file() and (package / "tagmanifest-md5.txt").is_file()
    assert "manifest-md5.txt" in (package / "READ-ME-FIRST.txt").read_text()
    record = json.loads((package / "data/metadata/record.json").read_text())
    assert record["client_profile"]["name"] == "Rules of the harbour"
    code, told = verify(tmp_path / "out", job / "rules.json")
    (unit,) = told["units"]
    assert unit["outcome"] == "good" and unit["demands"] == "met", unit["findings"]
    assert unit["examined"]["profile"]["facts"]["client"] == "Ambersund Chamber Archive"
    assert code in (0, 1)


def test_a_bag_that_will_not_meet_the_profile_is_not_sealed(tmp_path: Path) -> None:
    # which files a package has can be told only when they are there
    job = made(tmp_path, {**PROFILE, "Payload-Files-Required": ["data/access/"]})
    result = wrap(job, tmp_path / "out")
    (unit,) = result.units
    assert unit.outcome == "refused" and result.exit_code >= 12
    assert "profile-payload-file-missing" in {f.rule for f in unit.findings}
    assert list((tmp_path / "out").iterdir()) == []


def test_exit_codes_of_the_command(tmp_path: Path, verify: Verify) -> None:
    bag = tmp_path / "bags" / "b"
    (bag / "data").mkdir(parents=True)
    (bag / "data" / "a.txt").write_bytes(b"alpha")
    seal(bag)
    profile = tmp_path / "p.json"
    profile.write_text(json.dumps(document()))
    code, told = verify(bag, profile)
    assert code == 13 and told["outcome"] == "good" and told["units"][0]["demands"] == "not_met"
    assert [f["rule"] for f in told["units"][0]["findings"]] == ["profile-identifier-missing"]
    (tmp_path / "needs.json").write_text(json.dumps(requirements()))
    code, told = verify(bag, tmp_path / "needs.json")  # a stranger's bag without our record
    assert code == 11 and told["units"][0]["demands"] == "could_not_check"
    code, told = verify(bag, tmp_path / "none.json")
    assert code == 12 and told["error"]["code"] == "need-file-unreadable"
    (bag / "data" / "a.txt").write_bytes(b"alphA")
    assert verify(bag, profile)[0] == 10  # damage is graver than anything a client asks for
