"""Taking back a taking-back: what somebody has done anew meanwhile is not brought back under it."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.benchdesk import Evening

from provpack.jobs.benchundo import clashes
from provpack.package.benchstate import Pass


@pytest.fixture
def evening(tmp_path: Path) -> Evening:
    made = Evening(tmp_path / "job")
    made.act("taken_in", transfer_id="T2")
    return made


def last(evening: Evening) -> int:
    return evening.desk.state.n


def begun_and_taken_back(evening: Evening) -> int:
    """T1 was started on chain A, and that was taken back. The line that took it back."""
    evening.start("T1", "A")
    evening.act("taken_back", entry=last(evening))
    return last(evening)


def one_pass(evening: Evening, transfer_id: str = "T1") -> Pass:
    found = evening.desk.state.pass_of(transfer_id, 1)
    assert found is not None
    return found


def test_a_start_comes_back_where_nothing_stands_in_its_way(evening: Evening) -> None:
    off = begun_and_taken_back(evening)
    evening.act("taken_back", entry=off)
    assert one_pass(evening).running and one_pass(evening).n == off - 1


@pytest.mark.parametrize("chain", ["A", "B"])
@pytest.mark.parametrize("events", [0, 2])
def test_a_pass_number_given_anew_is_not_given_back(evening: Evening, chain: str, events: int) -> None:
    off = begun_and_taken_back(evening)
    evening.start("T1", chain)
    anew = last(evening)
    for _ in range(events):
        evening.act("event", transfer_id="T1", type="mute")
    said = evening.refused("done-anew", "taken_back", entry=off)
    assert said.what == (
        f"Line {off} cannot be taken back: it would bring back an earlier line about pass 1 of T1 on chain "
        f"{chain}, but it was started anew at 21:00:04 on chain {chain} (line {anew})."
    )
    assert "write a note" in said.todo
    assert one_pass(evening).n == anew and len(one_pass(evening).events) == events


def test_a_chain_that_runs_another_carrier_is_not_taken_from_it(evening: Evening) -> None:
    off = begun_and_taken_back(evening)
    evening.start("T2", "A")
    said = evening.refused("cannot-be-taken-back", "taken_back", entry=off)
    assert "Chain A is in use by pass 1 of T" in said.what


def test_a_chain_that_ran_another_carrier_meanwhile_did_not_run_both(evening: Evening) -> None:
    """The other pass is over; restored, the first would have run through it on the same machines."""
    off = begun_and_taken_back(evening)
    evening.start("T2", "A")
    evening.act("pass_stopped", transfer_id="T2", outcome="complete")
    said = evening.refused("done-anew", "taken_back", entry=off)
    assert "pass 1 of T2 on chain A was played on its machines since, from 21:00:04 on" in said.what
    assert not list(clashes(evening.desk.state))


def test_a_deck_that_was_put_to_another_chain_counts_too(evening: Evening) -> None:
    off = begun_and_taken_back(evening)
    evening.start("T2", "B", deck_id="DECK-1")
    evening.act("pass_stopped", transfer_id="T2", outcome="complete")
    evening.refused("done-anew", "taken_back", entry=off)


def test_a_stop_that_is_corrected_late_ended_before_the_next_pass_began(evening: Evening) -> None:
    evening.start("T1", "A")
    evening.act("pass_stopped", transfer_id="T1", outcome="complete")
    stop, ended = last(evening), one_pass(evening).stopped_at
    evening.start("T2", "A")
    evening.act("pass_stopped", transfer_id="T2", outcome="complete")
    evening.act("taken_back", entry=stop)
    said = evening.refused("used-since", "pass_stopped", transfer_id="T1", outcome="failed")
    assert said.what.startswith("Pass 1 of T2 on chain A was played on the machines of pass 1 of T1")
    assert said.what.endswith("from 21:00:04 on.")
    evening.act("pass_stopped", transfer_id="T1", outcome="failed", happened_at=ended)
    assert (one_pass(evening).outcome, one_pass(evening).stopped_at) == ("failed", ended)


def test_a_start_in_the_past_is_not_inside_a_pass_on_the_same_machines(evening: Evening) -> None:
    evening.start("T1", "A")
    began = one_pass(evening).started_at
    evening.act("pass_stopped", transfer_id="T1", outcome="complete")
    settings = evening.desk.settings("A")
    said = evening.refused(
        "in-use", "pass_started", transfer_id="T2", chain_id="A", settings=settings, happened_at=began
    )
    assert "used its machines until 21:00:03" in said.what
    ended = one_pass(evening).stopped_at
    evening.act("pass_started", transfer_id="T2", chain_id="A", settings=settings, happened_at=ended)


def test_a_verdict_given_anew_is_not_replaced(evening: Evening) -> None:
    evening.start("T1", "A")
    evening.act("pass_stopped", transfer_id="T1", outcome="complete")
    evening.act("judged", transfer_id="T1", verdict="redo")
    evening.act("taken_back", entry=last(evening))
    off = last(evening)
    evening.act("judged", transfer_id="T1", verdict="accepted")
    assert "judged anew" in evening.refused("done-anew", "taken_back", entry=off).what


def test_a_stop_given_anew_is_not_given_back(evening: Evening) -> None:
    evening.start("T1", "A")
    evening.act("pass_stopped", transfer_id="T1", outcome="failed")
    evening.act("taken_back", entry=last(evening))
    off = last(evening)
    evening.act("pass_stopped", transfer_id="T1", outcome="complete")
    said = evening.refused("done-anew", "taken_back", entry=off)
    assert "stopped anew at 21:00:05" in said.what
    assert one_pass(evening).outcome == "complete"


def test_a_file_given_anew_is_not_replaced(evening: Evening) -> None:
    evening.start("T1", "A")
    evening.at = evening.at.replace(second=30)
    evening.act("pass_stopped", transfer_id="T1", outcome="complete")
    for name in ("x", "y"):
        evening.capture(f"captures/one/{name}.wav", 1)
    evening.at = evening.at.replace(minute=5)
    why = {"attached_by": "person", "reason": "heard it"}
    evening.act("file_attached", transfer_id="T1", file="captures/one/x.wav", **why)
    evening.act("taken_back", entry=last(evening))
    off = last(evening)
    evening.act("file_attached", transfer_id="T1", file="captures/one/y.wav", **why)
    held = one_pass(evening).attached
    said = evening.refused("done-anew", "taken_back", entry=off)
    assert "it has the file 'captures/one/y.wav' since" in said.what
    assert one_pass(evening).attached == held
