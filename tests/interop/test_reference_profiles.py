"""The profile bags of the reference folder against the profile beside them, as folders and as archives.

Source: reference/bags/expected.tsv (feature `profile`: `basis` names the clause, `note` the verdict)
and ORIGINS.md; bags and profile were built by hand, without any bag software.
"""

from __future__ import annotations

import csv
import os
import tarfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from provpack.jobs.clientexamine import profile_examiner
from provpack.jobs.clientprofiles import load_profile_file
from provpack.jobs.progress import Silent
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify import verify_paths
from provpack.package.bagprofile import BagFacts, check_profile, parse_profile

# The cases must be known while tests are collected; the `reference` fixture says what is missing.
REFERENCE = Path(
    os.environ.get("PROVPACK_REFERENCE", Path(__file__).resolve().parents[3] / "shared" / "reference")
)
BAGS = REFERENCE / "bags"
TOLD = {
    "Tag-Files-Required": "profile-tag-file-missing",
    "Payload-Files-Allowed": "profile-payload-file-not-allowed",
    "Bag-Info values": "profile-info-tag-value",
}


def rows() -> list[dict[str, str]]:
    table = BAGS / "expected.tsv"
    if not table.is_file():
        return []
    with table.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file, delimiter="\t") if row["feature"] == "profile"]


ROWS = rows()


def examined(path: Path) -> UnitResult:
    examiner = profile_examiner(load_profile_file(BAGS / "made" / "profile-audio-v1.json"))
    result = verify_paths(
        [path],
        "bytes",
        progress=Silent(),
        clock=lambda: datetime(2031, 5, 4, tzinfo=UTC),
        examiners=[examiner],
    )
    (unit,) = result.units
    return unit


def test_the_reference_profile_is_sound(reference: Path) -> None:
    profile = load_profile_file(reference / "bags" / "made" / "profile-audio-v1.json")
    assert profile.bag is not None and profile.bag.sound and profile.findings == ()
    assert len(ROWS) >= 4


def wanted(row: dict[str, str]) -> list[str]:
    rules = [rule for clause, rule in TOLD.items() if row["basis"].endswith(clause)]
    assert bool(rules) is (row["note"] == "profile: fail")
    return rules


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["file"])
def test_facts_read_from_the_archive(row: dict[str, str]) -> None:
    # read with tarfile of the standard library; the profile accepts application/x-tar
    profile = parse_profile((BAGS / "made" / "profile-audio-v1.json").read_bytes(), "profile-audio-v1.json")
    with tarfile.open(BAGS / row["file"]) as tar:
        files = {m.name.partition("/")[2]: m.size for m in tar if m.isfile()}
        name = tar.getnames()[0].partition("/")[0]
        lines = tar.extractfile(f"{name}/bag-info.txt").read().decode().splitlines()  # type: ignore[union-attr]
    facts = BagFacts(
        name=name,
        serialisation="application/x-tar",
        bag_info=tuple((line.split(": ", 1)[0], line.split(": ", 1)[1]) for line in lines),
        payload_algorithms=("sha512",),
        tag_algorithms=("sha512",),
        files=files,
    )
    assert [f.rule for f in check_profile(profile, facts)] == wanted(row)
    other = check_profile(profile, replace(facts, serialisation="application/x-7z-compressed"))
    assert [f.rule for f in other] == ["profile-accept-serialisation", *wanted(row)]


@pytest.mark.parametrize("form", ["folder", "archive"])
@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["file"])
def test_verdict(row: dict[str, str], form: str, tmp_path: Path) -> None:
    place = BAGS / row["file"]
    if form == "folder":
        with tarfile.open(place) as tar:
            tar.extractall(tmp_path, filter="data")
        (place,) = tmp_path.iterdir()
    unit = examined(place)
    assert unit.outcome == "good"  # each is a valid bag, whatever the profile says
    (answer,) = unit.examined
    assert [f.rule for f in answer.findings] == wanted(row)
    assert answer.demands == unit.demands == ("not_met" if wanted(row) else "met")


def test_every_other_valid_bag_of_the_folder_names_no_such_profile(tmp_path: Path) -> None:
    others = sorted(BAGS.glob("made/s10-valid-*.tar"))[:6]
    for place in others:
        with tarfile.open(place) as tar:
            tar.extractall(tmp_path / place.stem, filter="fully_trusted")
        (top,) = (tmp_path / place.stem).iterdir()
        unit = examined(top)
        assert unit.outcome == "good" and unit.demands == "not_met"
        assert "profile-identifier-missing" in {f.rule for f in unit.examined[0].findings}
