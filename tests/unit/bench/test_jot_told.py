"""What `jot` says: what was written, what runs, and which settings a chain has now."""

from __future__ import annotations

from typing import Any

import pytest

from provpack.findings import Finding
from provpack.jobs.benchdesk import Acted
from provpack.jobs.jot import BenchView, JotResult, RunningPass
from provpack.package.benchstate import BenchState, LoggedEvent, Pass
from provpack.report.jot_text import jot_lines


def told(**more: Any) -> list[str]:
    return list(jot_lines(JotResult(job="/job", action="show", **more)))


def a_pass(number: int = 1, **more: Any) -> Pass:
    made = {
        "transfer_id": "T02", "number": number, "chain_id": "A", "n": 3,
        "started_at": "2031-05-20T20:00:00+02:00", "settings": {}, "changed": (),
    }  # fmt: skip
    return Pass(**{**made, **more})


def view(**more: Any) -> BenchView:
    made: dict[str, Any] = {
        "lines": 2, "running": (), "waiting": (), "unjudged": (), "taken_in": (), "not_taken_in": (),
        "last": (),
    }  # fmt: skip
    return BenchView(**{**made, **more})


def test_what_was_written_and_what_to_mind() -> None:
    acted = Acted(
        entry={"n": 7}, state=BenchState(), words="21:03:12 mute, chain A, T02", undo=True, warnings=()
    )
    assert told(acted=acted, warnings=("The clock was changed.",)) == [
        "21:03:12 mute, chain A, T02 [line 7]", "Mind: The clock was changed.",
    ]  # fmt: skip


def test_findings_come_last() -> None:
    found = Finding(rule="x", severity="note", what="It is odd.", where="bench.jsonl", todo="Look at it.")
    assert told(findings=(found,))[:3] == ["", "NOTE    bench.jsonl", "        It is odd."]


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("deck-a", "deck-a"),
        (["good", "worn"], "good | worn"),
        ([], "[]"),
        ([1, "a"], '[1, "a"]'),
        ({"num": 44100, "den": 1}, '{"num": 44100, "den": 1}'),
        (None, "null"),
    ],
)
def test_the_settings_of_a_chain_can_be_typed_back(value: Any, said: str) -> None:
    lines = told(chain_id="A", settings={"deck_id": value})
    assert lines[:2] == ["Chain A, as sheets and bench log state it now:", f"  deck_id = {said}"]
    assert any(line.startswith("  provpack jot start JOB TRANSFER 'A' --as-shown ") for line in lines)
    assert "  nothing yet" not in lines and "  nothing yet" in told(chain_id="A", settings={})


def test_a_log_in_which_nothing_runs() -> None:
    assert told(view=view()) == ["The bench log has 2 lines.", "No pass is running."]
    assert told(view=view(lines=1))[0] == "The bench log has 1 line."


@pytest.mark.parametrize(
    ("many", "said"),
    [
        (0, "0 events."),
        (1, "1 event, last: error lamp at 2031-05-20 20:09:01."),
        (2, "2 events, last: error lamp at 2031-05-20 20:09:02."),
    ],
)
def test_a_pass_that_runs(many: int, said: str) -> None:
    events = tuple(
        LoggedEvent(n=n, at=f"2031-05-20T20:09:{n:02}+02:00", written_at="", type="error_lamp")
        for n in range(1, many + 1)
    )
    (_, line) = told(view=view(running=(RunningPass(one=a_pass(events=events), seconds=3723),)))
    assert line == f"RUNNING on chain A: pass 1 of T02 since 2031-05-20 20:00:00 (1:02:03), {said}"


def test_what_waits_and_the_last_lines() -> None:
    lines = told(
        view=view(
            waiting=(a_pass(outcome="stopped_for_safety"), a_pass(2)), unjudged=(a_pass(2),),
            not_taken_in=("T05", "T06"),
            last=((8, "2031-05-20T20:09:01+02:00", "mute", True), (9, "noon", "hold", False)),
        )
    )  # fmt: skip
    assert lines[2:] == [
        "Without a file: T02, pass 1, chain A (stopped for safety); T02, pass 2, chain A (unknown).",
        "Not accepted yet, nor to be made again: T02, pass 2, chain A (unknown).",
        "In the sheets, not taken in at the bench: T05, T06.",
        "The last lines:",
        "     8  2031-05-20 20:09:01  mute",
        "     9  noon  hold (taken back)",
    ]
