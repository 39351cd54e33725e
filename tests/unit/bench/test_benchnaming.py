"""What replaces a sealed package gets a name that its client takes, or it is told what the client wants."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import run
from support.jobs import make_job, wrap
from support.profiles import requirements

from provpack.errors import ProvpackError
from provpack.jobs.benchcorrect import correct
from provpack.jobs.benchdesk import Acted, Desk, DeskInfo
from provpack.jobs.benchnaming import Naming, Proposal
from provpack.jobs.benchview_packages import packages_view

IDS = ("T01", "T02", "T07")


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """`job` with three transfers and requirements of its client, T01 sealed in `packages`."""
    root = tmp_path_factory.mktemp("named")
    job = make_job(root / "job", ids=IDS, frames=4000, job='client_profiles = ["rules.json"]\n')
    (job / "rules.json").write_text(json.dumps(requirements(package_name={"pattern": "job-#_t##"})))
    (root / "packages").mkdir()
    (unit,) = wrap(job, root / "packages", only=frozenset({"T01"})).units
    assert unit.outcome == "wrapped", unit
    return root


@pytest.fixture
def root(sealed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(sealed, tmp_path / "room"))


def desk_of(root: Path, **asked: Any) -> Desk:
    """A desk over the job; asked: how the client wants packages to be called, if otherwise."""
    if asked:
        (root / "job" / "rules.json").write_text(json.dumps(requirements(package_name=asked)))
    return Desk(
        root / "job", now=lambda: datetime.now(UTC), tool_version="1.0.0", destination=root / "packages"
    )


def proposed(desk: Desk) -> Proposal:
    return Naming(desk).proposals(["T01"])["T01"]


def corrected(desk: Desk, new_id: str | None = None) -> Acted:
    return correct(desk, "T01", reason="Another composer.", new_id=new_id, by="Bo Tarn", through="page")


def test_where_the_client_counts_the_next_number_of_the_same_shape_is_proposed(root: Path) -> None:
    desk = desk_of(root)
    assert proposed(desk) == Proposal(new="T08")
    desk.act("taken_in", {"transfer_id": "T08"}, by=None, through="page")
    (root / "packages" / "job-1_t09").mkdir()
    (root / "packages" / "job-1_t09" / "bagit.txt").touch()
    assert proposed(desk).new == "T10"
    (shown,) = packages_view(desk, DeskInfo(destination=root / "packages"))["correct"]
    assert shown["new"] == "Left empty, the next free one is used: T10"
    acted = corrected(desk)
    assert (acted.entry["id"], acted.warnings) == ("T10", ())
    (unit,) = wrap(root / "job", root / "packages", only=frozenset({"T10"})).units
    assert (unit.outcome, unit.package_name) == ("wrapped", "job-1_t10")


@pytest.mark.parametrize("asked", [{"pattern": "*"}, {"max_length": 11}, {"pattern": "job-#_t##*"}])
def test_where_the_client_lets_it_pass_the_usual_one_is_proposed(root: Path, asked: dict[str, Any]) -> None:
    assert proposed(desk_of(root, **asked)) == Proposal(new="T01-2")


def test_where_no_simple_one_fits_it_is_told_and_nothing_is_written(root: Path) -> None:
    desk = desk_of(root, pattern="job-1_t01", note="Agreed by letter.")
    found = proposed(desk)
    unfit = "Its package would be called 'job-1_t01-2': it does not fit the client's pattern 'job-1_t01'."
    assert found == Proposal(new="T01-2", unfit=f"{unfit} Agreed by letter.", another=True)
    (shown,) = packages_view(desk, DeskInfo(destination=root / "packages"))["correct"]
    assert shown["new"] == f"Give one: the next free one, T01-2, will not do. {found.unfit}"
    with pytest.raises(ProvpackError) as refused:
        corrected(desk)
    assert (refused.value.code, desk.state.n) == ("bench-id-unfit", 0)
    assert found.unfit in refused.value.what
    said = run("jot", "correct", root / "job", "T01", "--because", "x", "--to", root / "packages")
    assert (said.code, said.out, desk.refresh()) == (12, "", False)
    assert "fit the client's pattern 'job-1_t01'" in " ".join(said.err.split())


def test_one_given_by_hand_is_written_and_what_the_client_wants_is_told(root: Path) -> None:
    desk = desk_of(root)
    said = run("jot", "correct", root / "job", "T01", "T01b", "--because", "x", "--to", root / "packages")
    assert said.code == 1, said.err
    told = " ".join((said.out + said.err).split())
    assert "called 'job-1_t01b': it does not fit the client's pattern 'job-#_t##'. In a pattern #" in told
    assert desk.refresh() and "T01b" in desk.state.transfers


def test_what_was_let_pass_before_may_be_so_again(root: Path) -> None:
    """The sealed one is not called as the client wants it now: the requirements came later, or that finding
    was set aside."""
    desk = desk_of(root, pattern="abc_####")
    found = proposed(desk)
    assert (found.new, found.another) == ("T01-2", False)
    assert found.words.startswith("Left empty, the next free one is used: T01-2. Its package would be called")
    acted = corrected(desk)
    assert (acted.entry["id"], acted.warnings) == ("T01-2", (found.unfit,))


def test_an_identifier_without_a_number_has_no_next_one(root: Path) -> None:
    desk = desk_of(root, pattern="job-1_@")
    for one in ("K", "L"):
        desk.act("taken_in", {"transfer_id": one}, by=None, through="page")
    assert Naming(desk).proposals(["K"])["K"].another


def test_numbers_are_tried_and_given_up(root: Path) -> None:
    """Two digits stay two: none of them fits where the client wants one."""
    found = proposed(desk_of(root, pattern="job-1_t#"))
    assert found.new == "T01-2" and "'job-1_t#'" in found.unfit
