"""What was said when a pass was made, held against the job and the folder as they are now."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from support.benchjob import World, world

from provpack.edge.schemas import validate
from provpack.errors import InputProblem
from provpack.findings import Finding
from provpack.jobs.check import check_job
from provpack.jobs.check_bench import against_the_bench
from provpack.jobs.progress import Silent
from provpack.package.names import package_name


def told(one: World, transfer_id: str = "T01") -> list[Finding]:
    job = one.desk.job()
    (transfer,) = [t for t in job.transfers if t.transfer_id == transfer_id]
    return against_the_bench(job, transfer)


@pytest.fixture
def played(tmp_path: Path) -> World:
    one = world(tmp_path)
    one.start("T01", "A")
    one.after(60)
    one.act("pass_stopped", transfer_id="T01", **{"pass": 1}, outcome="complete")
    return one


def attach(one: World, data: bytes) -> Path:
    path = one.desk.folder / "captures/digital-1/t01.wav"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    one.act(
        "file_attached", transfer_id="T01", **{"pass": 1}, file="captures/digital-1/t01.wav",
        attached_by="person", reason="it is the one",
    )  # fmt: skip
    return path


def test_as_it_was_said_nothing_is_told(played: World) -> None:
    attach(played, b"RIFF" + bytes(400))
    assert told(played) == []
    assert told(played, "T02") == []


def test_a_file_of_another_length_is_not_the_one_attached(played: World) -> None:
    attach(played, b"RIFF" + bytes(400)).write_bytes(b"RIFF" + bytes(500))
    (finding,) = told(played)
    assert (finding.rule, finding.severity) == ("row-file-exchanged", "error")
    assert "404 bytes; it has 504 now" in finding.what


def test_a_file_written_again_is_worth_a_look(played: World) -> None:
    path = attach(played, b"RIFF" + bytes(400))
    later = path.stat().st_mtime_ns + 5_000_000_000
    os.utime(path, ns=(later, later))
    (finding,) = told(played)
    assert (finding.rule, finding.severity) == ("row-file-exchanged", "warning")


def test_a_setting_nobody_knew_does_not_come_back_from_chain_or_defaults(tmp_path: Path) -> None:
    """Unknown stays unknown, also where a chain or the defaults have a value for everybody else."""
    one = world(tmp_path)
    one.act("declared", scope="defaults", id=None, field="tracking_note", value="as it came")
    one.start("T01", "A", decoder_mode=None, decoder_id=None, tracking_note=None)
    one.start("T02", "B")
    first, second = ({t.transfer_id: t for t in one.desk.job().transfers}[i] for i in ("T01", "T02"))
    for name in ("decoder_mode", "decoder_id", "tracking_note"):
        assert name not in first.values and name not in first.origins
    (entry,) = first.values["passes"]
    assert "decoder_id" not in entry and entry["deck_id"] == first.values["deck_id"]
    assert second.values["tracking_note"] == "as it came"
    assert told(one) == []
    one.act("declared", scope="transfer", id="T01", field="decoder_mode", value="unknown")
    assert {t.transfer_id: t for t in one.desk.job().transfers}["T01"].values["decoder_mode"] == "unknown"


def test_an_earlier_pass_keeps_what_nobody_knew_then(tmp_path: Path) -> None:
    one = world(tmp_path)
    one.start("T01", "A", decoder_id=None)
    one.after(60)
    one.act("pass_stopped", transfer_id="T01", **{"pass": 1}, outcome="partial")
    one.act("declared", scope="chain", id="A", field="capture_input", value=None)
    one.act(
        "pass_started", transfer_id="T01", chain_id="A", settings=one.desk.settings("A"), reason="it tore off"
    )  # fmt: skip
    transfer = next(t for t in one.desk.job().transfers if t.transfer_id == "T01")
    assert [entry.get("decoder_id") for entry in transfer.values["passes"]] == [
        None, one.desk.settings("A")["decoder_id"]
    ]  # fmt: skip
    one.act("pass_stopped", transfer_id="T01", **{"pass": 2}, outcome="partial")
    one.act(
        "pass_started", transfer_id="T01", chain_id="A", settings=one.desk.settings("A"), reason="once more"
    )  # fmt: skip
    one.act("declared", scope="chain", id="A", field="capture_input", value="digital 4")
    transfer = next(t for t in one.desk.job().transfers if t.transfer_id == "T01")
    # of pass 2 nobody said it; pass 3 is the one that speaks, where a finding tells of it
    assert [entry.get("capture_input") for entry in transfer.values["passes"]] == [
        "digital 1", None, "digital 4"
    ]  # fmt: skip
    assert "row-setting-later" in {f.rule for f in told(one)}


def test_a_correction_does_not_know_either_what_nobody_knew(tmp_path: Path) -> None:
    one = world(tmp_path)
    one.start("T01", "A", decoder_mode=None, decoder_id=None)
    one.act("pass_stopped", transfer_id="T01", **{"pass": 1}, outcome="complete")
    one.act("taken_in", transfer_id="T05")
    one.act("declared", scope="transfer", id="T05", field="corrects", value="T01")
    transfer = {t.transfer_id: t for t in one.desk.job().transfers}["T05"]
    assert transfer.values["deck_id"] == "DECK-1"
    assert "decoder_mode" not in transfer.values and "decoder_id" not in transfer.values
    assert "decoder_id" not in transfer.values["passes"][0]


def test_a_setting_stated_after_the_pass_began_is_told(tmp_path: Path) -> None:
    one = world(tmp_path)
    one.start("T01", "C")
    assert told(one) == []
    one.act("declared", scope="chain", id="C", field="dropout_compensator", value="on")
    (finding,) = told(one)
    assert (finding.rule, finding.severity) == ("row-setting-later", "warning")


def test_check_asks_it(tmp_path: Path) -> None:
    one = world(tmp_path)
    one.start("T01", "C")
    one.act("declared", scope="chain", id="C", field="dropout_compensator", value="on")
    result = check_job(one.desk.folder, now=one.now[0], progress=Silent(), validate=validate)
    assert "row-setting-later" in {f.rule for f in result.findings}


def test_a_job_with_sealed_packages_keeps_its_name(tmp_path: Path) -> None:
    """Packages bear its name: under another one a seal would be forgotten."""
    one = world(tmp_path)
    rename = {"scope": "job", "id": None, "field": "job_id"}
    one.act("declared", **rename, value="GTR-2026-045")
    one.act("declared", **rename, value="GTR-2026-044")
    package = one.desk.destination / package_name("GTR-2026-044", "T02")
    package.mkdir(parents=True)
    (package / "bagit.txt").write_bytes(b"")
    with pytest.raises(InputProblem) as refused:
        one.act("declared", **rename, value="GTR-2026-045")
    assert refused.value.code == "bench-sealed" and package.name in refused.value.what
    one.act("declared", **rename, value="GTR-2026-044")


@pytest.mark.parametrize("name", [".", "..", "x" * 201])
def test_what_no_address_can_hold_is_no_identifier(name: str, tmp_path: Path) -> None:
    with pytest.raises(InputProblem) as refused:
        world(tmp_path).act("taken_in", transfer_id=name)
    assert refused.value.code == "bench-not-an-id"
