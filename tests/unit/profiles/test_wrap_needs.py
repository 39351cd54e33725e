"""What a client's requirements change while a package is made: derivative, signature, form of delivery."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from support.jobs import make_job, wrap
from support.profiles import document, requirements

from provpack.cli.main import main
from provpack.edge.sshkeys import make_key
from provpack.errors import UsageProblem
from provpack.jobs.clientprofiles import load_profile_file
from provpack.jobs.deriveplan import Wanted
from provpack.jobs.signatures import Signer
from provpack.jobs.wrapneeds import derivative_for
from provpack.jobs.wrapped import Wishes

RECORD = {"signal": {"file_emphasis": "present"}, "decoder": {"shared_converter": "yes"}}
DEEMPHASIS, DESKEW, BOTH = (
    frozenset({"deemphasis"}),
    frozenset({"deskew"}),
    frozenset({"deemphasis", "deskew"}),
)


@pytest.mark.parametrize(
    ("theirs", "asked", "expected"),
    [
        ([], None, None),
        ([], Wanted(kinds=DEEMPHASIS), Wanted(kinds=DEEMPHASIS)),
        (["deemphasis"], None, Wanted(kinds=DEEMPHASIS, container="flac")),
        (["deemphasis"], Wanted(kinds=DEEMPHASIS), Wanted(kinds=DEEMPHASIS, container="flac")),
        (
            ["deemphasis"],
            Wanted(kinds=DESKEW, late_channel=1),
            Wanted(kinds=BOTH, container="flac", late_channel=1),
        ),
        (
            ["deskew"],
            Wanted(kinds=DESKEW, late_channel=0),
            Wanted(kinds=DESKEW, container="flac", late_channel=0),
        ),
    ],
)
def test_what_is_asked_for_and_what_the_client_wants_come_together(
    tmp_path: Path, theirs: list[str], asked: Wanted | None, expected: Wanted | None
) -> None:
    needs = requirements(derivatives=theirs, derivative_container="flac") if theirs else requirements()
    (tmp_path / "rules.json").write_text(json.dumps(needs))
    client = load_profile_file(tmp_path / "rules.json")
    assert derivative_for(client, RECORD, asked) == expected
    assert derivative_for(None, RECORD, asked) == asked


def test_a_skew_cannot_be_removed_without_knowing_which_channel_is_late(tmp_path: Path) -> None:
    (tmp_path / "rules.json").write_text(json.dumps(requirements(derivatives=["deskew"])))
    with pytest.raises(UsageProblem):
        derivative_for(load_profile_file(tmp_path / "rules.json"), RECORD, None)


def job_for(folder: Path, needs: object, profile: object = None) -> Path:
    job = make_job(folder / "job", frames=4000, job='client_profiles = ["rules.json"]\n')
    (job / "rules.json").write_text(json.dumps(needs))
    if profile is not None:
        (job / "bag.json").write_text(json.dumps(profile))
    return job


def test_who_wants_signed_packages_gets_no_others(tmp_path: Path) -> None:
    job = job_for(tmp_path, requirements(signature_required=True))
    (unit,) = wrap(job, tmp_path / "out").units
    assert unit.outcome == "refused" and unit.problem is not None
    assert unit.problem.code == "need-signature-missing" and "--sign" in unit.problem.todo
    signer = Signer(
        principal="room@grauwell.example", key=make_key(tmp_path / "key", "room@grauwell.example")
    )
    (unit,) = wrap(job, tmp_path / "out", wishes=Wishes(signer=signer)).units
    assert unit.outcome == "wrapped"
    assert (tmp_path / "out" / unit.package_name / "tagmanifest-sha512.txt.sig").is_file()


def test_a_profile_that_wants_archives_is_met_at_delivery(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    profile = document(Serialization="required", Accept_Serialization=["application/x-tar"])
    job = job_for(tmp_path, requirements(bagit_profile="bag.json", form=["tar"]), profile)
    (unit,) = wrap(job, tmp_path / "out").units
    assert unit.outcome == "wrapped", unit.problem
    common = ["deliver", str(tmp_path / "out"), "--client-profile", str(job / "rules.json")]
    assert main([*common, "--to", str(tmp_path / "folders")]) == 2  # the form is told beforehand
    assert not list((tmp_path / "folders").glob("*/packages"))
    assert main([*common, "--to", str(tmp_path / "tars"), "--as", "tar"]) in (0, 1)
    (archive,) = (tmp_path / "tars").glob("*/packages/*.tar")
    capsys.readouterr()
    asked = ["verify", str(archive), "--client-profile", str(job / "rules.json"), "--no-ledger", "--json"]
    assert main(asked) in (0, 1)
    assert json.loads(capsys.readouterr().out)["units"][0]["demands"] == "met"
