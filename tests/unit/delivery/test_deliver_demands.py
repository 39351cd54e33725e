"""A delivery that must meet a client's requirements: all of them, by every package, or nothing leaves."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from support.handover import CLIENT, OTHER, hand_over, rules_of, signer, studio
from support.profiles import requirements

from provpack.errors import InputProblem, UsageProblem
from provpack.jobs.clientprofiles import ClientProfile, load_profile_file
from provpack.package.sshsig import NAMESPACE_PACKAGE


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return studio(tmp_path_factory.mktemp("studio"), ids=("T01", "T02"), other=("U01",))


def rules_file(folder: Path, **fields: Any) -> ClientProfile:
    path = folder / "harbour.json"
    path.write_text(json.dumps(requirements(**fields)))
    return load_profile_file(path)


def test_a_form_the_client_does_not_take_is_told_once_and_beforehand(made: Path, tmp_path: Path) -> None:
    profile = rules_file(tmp_path, form=["folder", "tar"])
    with pytest.raises(UsageProblem, match="allow no packages as zip; they allow: folder, tar") as refused:
        hand_over(made, tmp_path / "d", client=CLIENT, profile=profile, form="zip")
    assert refused.value.todo == "Deliver with --as folder or --as tar."
    assert not (tmp_path / "d").exists()
    done = hand_over(made, tmp_path / "d", client=CLIENT, profile=profile, form="tar")
    assert (done.outcome, done.exit_code) == ("good", 0)
    note = json.loads((tmp_path / "d/d1/delivery-note.json").read_bytes())
    assert note["client_profile"] == {"name": "Rules of the harbour", "bagit_profile_identifier": None}


def test_all_failures_of_all_packages_are_in_one_report(made: Path, tmp_path: Path) -> None:
    profile = rules_file(
        tmp_path, signature_required=True, digests=["md5", "sha512"], package_name={"pattern": "*_t01"}
    )
    refused = hand_over(made, tmp_path / "d", client=CLIENT, profile=profile)
    told = {u.name: len(u.findings) for u in refused.units if u.outcome == "not_delivered"}
    assert told["job-1_t02"] > told["job-1_t01"] >= 3
    assert refused.problem is not None
    assert refused.problem.what.startswith("2 of 2 packages")


def test_a_bagit_profile_s_serialisation_is_that_of_the_delivery(made: Path, tmp_path: Path) -> None:
    """BagIt Profiles 1.4.0, Serialization and Accept-Serialization."""
    path = tmp_path / "profile.json"
    path.write_text(json.dumps({
        "BagIt-Profile-Info": {
            "BagIt-Profile-Identifier": "https://harbour.example/p.json", "Source-Organization": "Harbour",
            "External-Description": "x", "Version": "1", "BagIt-Profile-Version": "1.4.0",
        },
        "Manifests-Required": ["sha512"], "Accept-BagIt-Version": ["1.0"], "Serialization": "required",
        "Accept-Serialization": ["application/zip"],
    }))  # fmt: skip
    profile = load_profile_file(path)
    for form in ("folder", "tar"):
        with pytest.raises(UsageProblem, match="they allow: zip"):
            hand_over(made, tmp_path / "d", client=CLIENT, profile=profile, form=form, name=form)
    result = hand_over(made, tmp_path / "d", client=CLIENT, profile=profile, form="zip", name="zip")
    told = {r for u in result.units for r in rules_of(u.findings)}
    assert not {"profile-serialisation", "profile-accept-serialisation"} & told


def test_requirements_named_in_the_records_and_not_here_are_told_once(made: Path, tmp_path: Path) -> None:
    from provpack.jobs.delivered import Wishes
    from provpack.jobs.deliverydemands import requirements_not_named
    from provpack.jobs.deliverylook import Looked
    from provpack.package.bagpaths import Listing

    made_to = {"client_profile": {"name": "Rules of the harbour", "sha256": "0" * 64}}
    some = [
        Looked(root=Path(f"p{n}"), listing=Listing(entries=()), record=record)
        for n, record in enumerate((made_to, {}, made_to, {"client_profile": None}))
    ]
    (told,) = requirements_not_named(some, Wishes())
    assert (told.rule, told.severity) == ("deliver-requirements-not-named", "note")
    assert "Rules of the harbour" in told.what
    assert not requirements_not_named(some, Wishes(profile=rules_file(tmp_path)))
    assert not requirements_not_named(some[1:2], Wishes())


def test_whose_key_signed_is_not_asked_of_the_sender(made: Path, tmp_path: Path) -> None:
    """No list of signers can be named here, so nothing is said; the state stands on the note."""
    out = tmp_path / "out"
    shutil.copytree(made, out)
    mine = signer(tmp_path / "k", "studio@grauwell")
    message = (out / "job-1_t01" / "tagmanifest-sha512.txt").read_bytes()
    (out / "job-1_t01" / "tagmanifest-sha512.txt.sig").write_bytes(mine.sign(message, NAMESPACE_PACKAGE))
    result = hand_over(out, tmp_path / "d", client=CLIENT)
    assert "sig-unvouched" not in {r for u in result.units for r in rules_of(u.findings)}
    note = json.loads((tmp_path / "d/d1/delivery-note.json").read_bytes())
    assert [p["signature"]["state"] for p in note["packages"]] == ["unvouched", "missing"]


def test_a_signature_that_does_not_fit_is_not_enough(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    shutil.copytree(made, out)
    mine = signer(tmp_path / "k", "studio@grauwell")
    for name in ("job-1_t01", "job-1_t02"):
        message = (out / name / "tagmanifest-sha512.txt").read_bytes()
        (out / name / "tagmanifest-sha512.txt.sig").write_bytes(mine.sign(message, NAMESPACE_PACKAGE))
    profile = rules_file(tmp_path, signature_required=True)
    good = hand_over(out, tmp_path / "d", client=CLIENT, profile=profile, signer=mine)
    assert (good.outcome, good.exit_code) == ("good", 0)
    note = json.loads((tmp_path / "d/d1/delivery-note.json").read_bytes())
    assert {p["signature"]["state"] for p in note["packages"]} == {"valid"}
    assert note["signer"]["fingerprint"] == mine.fingerprint
    sig = out / "job-1_t02" / "tagmanifest-sha512.txt.sig"
    sig.write_bytes(mine.sign(b"something else", NAMESPACE_PACKAGE))
    bad = hand_over(out, tmp_path / "d", client=CLIENT, profile=profile, signer=mine, name="d2")
    assert (bad.outcome, bad.exit_code) == ("refused", 13)
    assert {u.name: u.outcome for u in bad.units if u.name.startswith("job-1")} == {
        "job-1_t01": "held_back", "job-1_t02": "not_delivered",
    }  # fmt: skip


def test_requirements_of_another_client_are_not_used(made: Path, tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match="requirements of"):
        hand_over(made, tmp_path / "d", client=OTHER, profile=rules_file(tmp_path))
