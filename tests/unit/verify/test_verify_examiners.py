"""Questions to a bag beyond its being intact: they are told with it and never change its outcome."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from cli.commandline import fits
from support.archives import bag_tar
from support.bagmaking import rules_of

from provpack.cli.verify import EXIT_CODES
from provpack.errors import CouldNotCheck
from provpack.findings import Finding, Severity
from provpack.jobs.verified import Examined, Examiner, UnitView, VerifyResult, worst_demands
from provpack.package import rules
from provpack.report.text import verify_lines

Bag = Callable[..., Path]
Verify = Callable[..., VerifyResult]


def says(
    topic: str = "signature",
    state: str = "valid",
    demands: str = "not_asked",
    severity: Severity | None = None,
) -> Examiner:
    found = () if severity is None else (
        Finding(rule="sig-x", severity=severity, what="W.", where="here", todo="T."),
    )  # fmt: skip
    return lambda view: Examined(
        topic=topic,
        state=state,
        demands=demands,
        facts={"principal": "studio@lindmoor.example"},
        findings=found,
    )


@pytest.mark.parametrize("form", ["folder", "tar"])
def test_what_an_examiner_may_ask(bag: Bag, verify: Verify, form: str) -> None:
    root = bag()
    (root / "tagmanifest-sha512.txt.sig").write_bytes(b"signed")
    path = root
    if form == "tar":
        path = root.with_suffix(".tar")
        path.write_bytes(bag_tar(root))
    seen: list[UnitView] = []

    def examiner(view: UnitView) -> Examined:
        seen.append(view)
        assert view.read("tagmanifest-sha512.txt.sig", 100) == b"signed"
        with pytest.raises(CouldNotCheck):
            view.read("tagmanifest-sha512.txt.sig", 3)
        with pytest.raises(CouldNotCheck):
            view.read("../outside", 3)
        return Examined(topic="signature", state="valid")

    (unit,) = verify(path, examiners=[examiner]).units
    (view,) = seen
    assert unit.verdict == "good" and unit.examined[0].state == "valid"
    assert (view.name, view.version) == ("bag", "1.0")
    assert view.serialisation == (None if form == "folder" else "application/x-tar")
    assert (view.bag_info, view.has_bag_info, view.has_fetch) == ((("Payload-Oxum", "9.2"),), True, False)
    assert view.payload_algorithms == view.tag_algorithms == ("sha256", "sha512")
    assert view.files["data/a.txt"] == 5 and view.files["tagmanifest-sha512.txt.sig"] == 6


@pytest.mark.parametrize(
    ("demands", "severity", "verdict", "code"),
    [
        ("not_asked", None, "good", 0),
        ("met", "note", "good", 0),
        ("met", "warning", "warnings", 1),
        ("not_asked", "error", "warnings", 1),
        ("not_met", "error", "demands_not_met", 13),
        ("could_not_check", "error", "demands_not_checked", 11),
    ],
)
def test_demands_and_exit_codes(
    bag: Bag, verify: Verify, demands: str, severity: Severity | None, verdict: str, code: int
) -> None:
    result = verify(bag(), examiners=[says(demands=demands, severity=severity)])
    assert (result.outcome, result.verdict, result.demands) == ("good", verdict, demands)
    assert EXIT_CODES[result.verdict] == code
    assert rules_of(result) == ([] if severity is None else ["sig-x"])
    fits(
        "verify",
        {
            "schema": "urn:provpack:schema:result-verify:1.3.0",
            "exit_code": code,
            **result.as_json(),
            "ledgers": {"written": [], "failed": [], "without_ledger": []},
        },
    )


def test_fixity_goes_before_demands(bag: Bag, verify: Verify) -> None:
    root = bag()
    (root / "data/a.txt").write_bytes(b"ALPHA")
    result = verify(root, examiners=[says(demands="not_met", severity="error")])
    assert (result.outcome, result.verdict, result.demands) == ("bad", "bad", "not_met")


def test_several_questions_and_several_bags(bag: Bag, verify: Verify) -> None:
    def picky(view: UnitView) -> Examined:
        met = view.name == "one"
        word = "met" if met else "not_met"
        return Examined(topic="profile", state=word, demands=word)

    result = verify(bag("one"), bag("two"), examiners=[says(demands="met"), picky])
    assert [u.demands for u in result.units] == ["met", "not_met"]
    assert result.verdict == "demands_not_met"
    told = result.units[0].as_json()["examined"]
    assert told == {
        "signature": {
            "state": "valid", "demands": "met", "facts": {"principal": "studio@lindmoor.example"},
        },
        "profile": {"state": "met", "demands": "met", "facts": {}},
    }  # fmt: skip
    lines = "\n".join(verify_lines(result, []))
    assert "signature: valid; what was asked: met (by studio@lindmoor.example)" in lines
    assert "1 package: what was asked beyond being intact is NOT met." in lines


def test_an_examiner_that_fails_leaves_the_question_open(bag: Bag, verify: Verify) -> None:
    def slips(view: UnitView) -> Examined:
        raise ZeroDivisionError("oops")

    result = verify(bag(), examiners=[slips, says()])
    assert (result.outcome, result.verdict) == ("good", "demands_not_checked")
    assert rules_of(result) == [rules.CHECK_FAILED.id]
    assert [one.topic for one in result.units[0].examined] == ["question-1", "signature"]


def test_nothing_can_be_asked_of_a_path_without_a_bag(verify: Verify, tmp_path: Path) -> None:
    def never(view: UnitView) -> Examined:
        raise AssertionError

    assert verify(tmp_path / "nowhere", examiners=[never]).units[0].examined == ()


def test_the_gravest_demand() -> None:
    assert worst_demands([]) == "not_asked"
    assert worst_demands(["met", "not_asked"]) == "met"
    assert worst_demands(["met", "could_not_check"]) == "could_not_check"
    assert worst_demands(["could_not_check", "not_met", "met"]) == "not_met"
