"""What the sheets of a job tell of custody becomes lines of the ledger, each once."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest
from support.jobs import make_job

from provpack.edge.ledger import LEDGER_NAME, append, read_entries
from provpack.edge.schemas import validate
from provpack.jobs.custody import enter_job
from provpack.jobs.enter import enter_from_job
from provpack.jobs.load import load_job
from provpack.package.ledgerline import ledger_line

NOW = datetime(2031, 6, 10, 12, tzinfo=UTC)
EVENTS = """transfer_id,type,from,to,at,items,signature_ref,note
,received,Ambersund Chamber Archive,Grauwell Transfer Room,2026-06-01,T01|T02|T09,receipt 1,
T01,returned,Grauwell Transfer Room,Ambersund Chamber Archive,2026-06-12T15:30:00+02:00,T01,,
T02,handed_over,Grauwell Transfer Room,Orvessa Workshop,2026-06-02,T02,,For the baking.
"""
FAULTS = """
[[equipment.fault_notices]]
id = "F-1"
found_at = "2026-06-03"
what = "Guide post loose."
by = "Ilse Varrow"
[[equipment.fault_notices]]
id = "F-2"
found_at = "2026-05-01"
since = "2026-04-01"
until = "2026-04-30"
what = "Dirty head."
cleared_at = "2026-05-02"
"""
JOB_RETENTION = '\nretention_until = "2027-06-30"\n'


@pytest.fixture
def job(tmp_path: Path) -> Path:
    folder = make_job(tmp_path / "job", ids=("T01", "T02"), frames=3000)
    (folder / "custody_events.csv").write_text(EVENTS)
    register = (folder / "equipment.toml").read_text()
    first, rest = register.split('\n[[equipment]]\nid = "DEC-1"')
    good = 'last_known_good = { at = "2026-05-20" }\n'
    (folder / "equipment.toml").write_text(f'{first}\n{good}{FAULTS}\n[[equipment]]\nid = "DEC-1"{rest}')
    sheet = (folder / "job.toml").read_text()
    (folder / "job.toml").write_text(
        sheet.replace("processing_steps = []\n", "processing_steps = []" + JOB_RETENTION)
    )
    assert not [f for f in load_job(folder).all_findings() if f.severity == "error"]
    return folder


def test_every_event_pass_retention_and_fault_is_a_line(job: Path, tmp_path: Path) -> None:
    lines = enter_job(load_job(job), tmp_path / LEDGER_NAME, NOW)
    assert Counter(e["kind"] for e in lines) == {
        "carrier_received": 3, "carrier_returned": 1, "note": 1, "pass_made": 2, "retained": 2,
        "fault_noted": 2, "fault_cleared": 1,
    }  # fmt: skip
    for entry in read_entries(tmp_path / LEDGER_NAME):
        assert validate("ledger-entry", entry) == []
        assert entry["at"] == NOW.isoformat()
    came = {e["client_item_id"]: e for e in lines if e["kind"] == "carrier_received"}
    # T09 was never transferred: it came in all the same
    assert set(came) == {"T01", "T02", "T09"}
    assert came["T09"]["happened_at"] == "2026-06-01", "a time of day is never made up"
    assert (
        came["T09"]["organisation"] == "Ambersund Chamber Archive"
        and came["T09"]["note"] == "paper: receipt 1"
    )
    (away,) = [e for e in lines if e["kind"] == "note"]
    assert "handed over" in away["note"] and "For the baking." in away["note"]
    one = next(e for e in lines if e["kind"] == "pass_made" and e["transfer_id"] == "T01")
    assert one["equipment_ids"] == ["DECK-1", "DEC-1", "CAP-1"] and one["chain_id"] == "A"
    assert (one["started_at"], one["pass_n"], one["pass_outcome"]) == (
        "2026-06-02T10:00:00+02:00",
        1,
        "complete",
    )
    noted = {e["notice_id"]: e for e in lines if e["kind"] == "fault_noted"}
    # schemas/equipment-register: absent `since` = since last_known_good
    assert (noted["F-1"]["since"], noted["F-1"].get("until")) == ("2026-05-20", None)
    assert (noted["F-2"]["since"], noted["F-2"]["until"]) == ("2026-04-01", "2026-04-30")
    kept = next(e for e in lines if e["kind"] == "retained")
    assert (kept["until"], kept["package"]) == ("2027-06-30", "job-1_t01")


def test_nobody_is_named(job: Path, tmp_path: Path) -> None:
    enter_job(load_job(job), tmp_path / LEDGER_NAME, NOW)
    assert b"Varrow" in (job / "job.toml").read_bytes() + (job / "equipment.toml").read_bytes()
    assert b"Varrow" not in (tmp_path / LEDGER_NAME).read_bytes()


def test_the_order_is_that_of_the_events(job: Path, tmp_path: Path) -> None:
    lines = enter_job(load_job(job), tmp_path / LEDGER_NAME, NOW)
    assert len(lines) > 5
    days = [(e.get("happened_at") or e.get("started_at") or "9")[:10] for e in lines]
    assert days == sorted(days)


def test_entering_again_enters_nothing_and_what_is_new_only_that(job: Path, tmp_path: Path) -> None:
    ledger = tmp_path / LEDGER_NAME
    first = enter_job(load_job(job), ledger, NOW)
    before = ledger.read_bytes()
    assert enter_job(load_job(job), ledger, NOW.replace(year=2032)) == []
    assert ledger.read_bytes() == before
    with (job / "custody_events.csv").open("a") as f:
        f.write("T02,returned,Grauwell Transfer Room,Ambersund Chamber Archive,2026-06-20,T02,,\n")
    (new,) = enter_job(load_job(job), ledger, NOW)
    assert (new["kind"], new["client_item_id"], new["n"]) == ("carrier_returned", "T02", len(first) + 1)


def test_what_was_entered_by_hand_is_known(job: Path, tmp_path: Path) -> None:
    ledger = tmp_path / LEDGER_NAME
    # the same instant, written in another zone, under the carrier's name
    by_hand = ledger_line(
        "carrier_returned", at=NOW.isoformat(), tool_version="0.1.0", carrier_id="T01",
        happened_at="2026-06-12T13:30:00Z",
    )  # fmt: skip
    append(ledger, by_hand)
    assert "carrier_returned" not in {e["kind"] for e in enter_job(load_job(job), ledger, NOW)}


def test_cells_that_cannot_be_taken_do_no_harm(job: Path, tmp_path: Path) -> None:
    with (job / "custody_events.csv").open("a") as f:
        f.write("T02,returned,,,yesterday,T02,,\nT02,sung_to,a,b,2026-06-20,T02,,\n")
    (job / "passes.csv").write_text("transfer_id,n,started_at\nT01,one,noon\n")
    lines = enter_job(load_job(job), tmp_path / LEDGER_NAME, NOW)
    assert Counter(e["kind"] for e in lines)["carrier_returned"] == 1
    for entry in read_entries(tmp_path / LEDGER_NAME):
        assert validate("ledger-entry", entry) == []


def test_an_empty_job_leaves_no_ledger(tmp_path: Path) -> None:
    (tmp_path / "job").mkdir()
    assert enter_job(load_job(tmp_path / "job"), tmp_path / LEDGER_NAME, NOW) == []
    assert not (tmp_path / LEDGER_NAME).exists()


@pytest.mark.parametrize("came", [True, False])
def test_a_carrier_that_the_sheets_return_and_that_never_came_is_said(
    job: Path, tmp_path: Path, came: bool
) -> None:
    if not came:
        rows = [row for row in EVENTS.splitlines(True) if ",received," not in row]
        (job / "custody_events.csv").write_text("".join(rows))
    (tmp_path / "out").mkdir()
    result = enter_from_job(tmp_path / "out", job, NOW)
    assert any(line["kind"] == "carrier_returned" for line in result.lines)
    told = [f for f in result.findings if f.rule == "custody-unknown-name"]
    assert [f.what for f in told] == ([] if came else ["No line says that carrier T01 came in."])
    assert result.exit_code == (0 if came else 1)
    again = enter_from_job(tmp_path / "out", job, NOW)
    assert (again.lines, again.findings) == ((), ())
