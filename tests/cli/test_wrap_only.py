"""`provpack wrap --only`: some transfers of a job, the others left as they are."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli.commandline import fits, run
from support.jobs import make_job, tree

from provpack.edge.ledger import LEDGER_NAME, read_entries


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return make_job(tmp_path / "job", ids=("T01", "T02", "T03"), frames=4000)


def packages(out: Path) -> list[str]:
    return sorted(p.name for p in out.iterdir() if p.is_dir()) if out.is_dir() else []


def test_only_those_named_are_wrapped_and_the_others_are_said_to_be_left(job: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    said = run("wrap", job, "--to", out, "--only", "T03", "--only", "T01", "--json")
    result = said.json()
    assert said.code in (0, 1)
    fits("wrap", result)
    assert [u["transfer_id"] for u in result["units"]] == ["T01", "T03"]
    assert result["left"] == ["T02"]
    assert packages(out) == ["job-1_t01", "job-1_t03"]
    said = run("wrap", job, "--to", out, "--only", "T02")
    assert said.code in (0, 1)
    assert "1 of 1 transfer wrapped." in said.out
    assert "Not asked for, and left (2): T01, T03" in said.out
    assert packages(out) == ["job-1_t01", "job-1_t02", "job-1_t03"]


def test_nothing_of_a_transfer_that_was_left_is_entered_in_the_ledger(job: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    text = (job / "job.toml").read_text()
    for name in ("T01", "T02", "T03"):
        text = text.replace(
            f'client_item_id = "{name}"', f'client_item_id = "{name}"\ncarrier_id = "C{name}"'
        )
    (job / "job.toml").write_text(text)
    assert run("wrap", job, "--to", out, "--only", "T02").code in (0, 1)
    found = read_entries(out / LEDGER_NAME)
    assert [(e["kind"], e["transfer_id"]) for e in found] == [("pass_made", "T02"), ("wrapped", "T02")]


def test_an_error_in_another_transfer_is_not_in_the_way(job: Path, tmp_path: Path) -> None:
    (job / "T01.wav").write_bytes(b"not audio")
    assert run("wrap", job, "--to", tmp_path / "all").code == 12
    said = run("wrap", job, "--to", tmp_path / "out", "--only", "T02", "--json")
    assert said.code in (0, 1)
    assert [u["outcome"] for u in said.json()["units"]] == ["wrapped"]


@pytest.mark.parametrize("form", [(), ("--json",), ("--dry-run",)])
def test_an_id_that_no_transfer_has_is_refused_with_what_is_near(
    job: Path, tmp_path: Path, form: tuple[str, ...]
) -> None:
    before = tree(job)
    said = run("wrap", job, "--to", tmp_path / "out", "--only", "T02", "--only", "T04", *form)
    assert said.code == 12
    assert "no transfer 'T04'" in said.err
    assert "Did you mean 'T0" in said.err
    assert "T02'," not in said.err  # the one that is there is not complained of
    assert not (tmp_path / "out").exists()
    assert tree(job) == before
    if "--json" in form:
        assert json.loads(said.out)["error"]["code"] == "no-such-transfer"


def test_a_dry_run_plans_only_those(job: Path, tmp_path: Path) -> None:
    said = run("wrap", job, "--to", tmp_path / "out", "--only", "T02", "--dry-run", "--json")
    assert [(u["transfer_id"], u["outcome"]) for u in said.json()["units"]] == [("T02", "planned")]
    assert not (tmp_path / "out").exists()
