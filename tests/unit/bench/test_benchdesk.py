"""The desk: acts are checked, written, and there again for everybody."""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from support.benchdesk import CHAINS, START, Evening

from provpack.edge import benchlog, schemas
from provpack.errors import EnvironmentProblem, InputProblem
from provpack.jobs.benchacts import ACTS
from provpack.jobs.benchdesk import Desk
from provpack.package.benchfold import fold
from provpack.package.benchline import KINDS
from provpack.package.benchstate import Pass


@pytest.fixture
def evening(tmp_path: Path) -> Evening:
    return Evening(tmp_path / "job")


def lines(evening: Evening) -> list[dict[str, Any]]:
    text = (evening.folder / "bench-log.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


def only_pass(evening: Evening, transfer_id: str = "T2", number: int = 1) -> Pass:
    found = evening.desk.state.pass_of(transfer_id, number)
    assert found is not None
    return found


def test_every_kind_of_line_has_its_act() -> None:
    assert set(ACTS) == set(KINDS)


def test_an_act_is_on_disk_in_the_state_and_told(evening: Evening) -> None:
    evening.act("taken_in", transfer_id="T2")
    evening.start("T2", "A")
    acted = evening.act("event", transfer_id="T2", type="mute", note="half a second")
    assert acted.words == "21:00:03 mute (half a second), chain A, T2"
    assert acted.undo and not acted.warnings
    assert dict(acted.entry) == lines(evening)[-1]
    assert acted.state is evening.desk.state
    assert [e.type for e in only_pass(evening).events] == ["mute"]
    assert fold(lines(evening)) == evening.desk.state
    for line in lines(evening):
        assert not schemas.validate("bench-entry", line)
        assert (line["by"], line["through"], line["tool_version"]) == ("Ilse Varrow", "page", "1.0.0")


def test_a_second_desk_sees_what_the_first_wrote_and_goes_on(evening: Evening) -> None:
    other = evening.another()
    evening.act("taken_in", transfer_id="T2")
    assert other.state.n == 0
    assert other.refresh() and not other.refresh()
    assert other.state == evening.desk.state
    other.act("noted", {"note": "from the command line"}, by=None, through="command_line")
    evening.act("noted", note="and from the page")
    assert [line["n"] for line in lines(evening)] == [1, 2, 3]
    assert evening.desk.state == fold(lines(evening))


def test_an_act_that_became_impossible_meanwhile_is_refused(evening: Evening) -> None:
    """Between looking and writing another process starts a pass on the chain: the append is refused, and the
    act is looked at anew."""
    evening.act("taken_in", transfer_id="T2")
    other = evening.another()
    settings = other.settings("A")

    class Late:
        read, read_new = staticmethod(benchlog.read), staticmethod(benchlog.read_new)
        done = False

        def append(self, path: Path, entry: Mapping[str, Any], *, after: int | None = None) -> dict[str, Any]:
            if not self.done:
                self.done = True
                members = {"transfer_id": "T1", "chain_id": "A", "settings": settings}
                other.act("pass_started", members, by=None, through="page")
            return benchlog.append(path, entry, after=after)

    desk = Desk(evening.folder, now=lambda: evening.at, tool_version="1.0.0", log=Late())
    with pytest.raises(InputProblem, match="Chain A is in use by pass 1 of T1") as caught:
        desk.act(
            "pass_started",
            {"transfer_id": "T2", "chain_id": "A", "settings": settings},
            by=None,
            through="page",
        )
    assert caught.value.code == "bench-in-use"
    assert [line["kind"] for line in lines(evening)] == ["taken_in", "pass_started"]


def test_threads_may_act_at_once(evening: Evening) -> None:
    evening.start("T1", "A")
    others = [evening.another() for _ in range(3)]
    faults: list[BaseException] = []

    def work(desk: Desk) -> None:
        try:
            for _ in range(10):
                desk.act("event", {"transfer_id": "T1", "type": "hold"}, by=None, through="page")
        except BaseException as fault:  # shown by the assertion below
            faults.append(fault)

    threads = [threading.Thread(target=work, args=(desk,)) for desk in (evening.desk, evening.desk, *others)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    evening.desk.refresh()
    assert len(only_pass(evening, "T1").events) == 50
    assert [line["n"] for line in lines(evening)] == list(range(1, 52))


def test_what_cannot_be_written_is_not_in_the_state(evening: Evening) -> None:
    class Full:
        read, read_new = staticmethod(benchlog.read), staticmethod(benchlog.read_new)

        @staticmethod
        def append(path: Path, entry: Mapping[str, Any], *, after: int | None = None) -> dict[str, Any]:
            raise EnvironmentProblem(
                "disk-full", "The disk is full.", where=str(path), todo="Free some space."
            )

    desk = Desk(evening.folder, now=lambda: evening.at, tool_version="1.0.0", log=Full())
    with pytest.raises(EnvironmentProblem, match="full"):
        desk.act("taken_in", {"transfer_id": "T2"}, by=None, through="page")
    assert desk.state.n == 0 and not desk.state.transfers


def test_a_broken_log_is_told_and_nothing_is_added(evening: Evening) -> None:
    evening.act("taken_in", transfer_id="T2")
    evening.act("taken_in", transfer_id="T3")
    path = evening.folder / "bench-log.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"T2"', b'"T9"'))
    desk = evening.another()
    assert [f.rule for f in desk.findings] == ["bench-log-broken"]
    with pytest.raises(EnvironmentProblem, match="line"):
        desk.act("noted", {"note": "x"}, by=None, through="page")


def test_a_clock_that_was_set_back_is_told_and_the_line_is_written(evening: Evening) -> None:
    evening.start("T1", "A")
    acted = evening.act("event", after=-3600, transfer_id="T1", type="mute")
    assert len(acted.warnings) == 1
    assert "3600 s before line 1" in acted.warnings[0]
    assert acted.entry["at"] == "2026-06-02T20:00:01+02:00"
    assert [e.type for e in only_pass(evening, "T1").events] == ["mute"]
    assert not evening.act("event", after=3601, transfer_id="T1", type="mute").warnings


def test_the_job_is_read_again_only_when_something_changed(evening: Evening) -> None:
    first = evening.desk.job()
    assert evening.desk.job() is first
    evening.capture("captures/one/a.wav", 1)
    second = evening.desk.job()
    assert second is not first
    with (evening.folder / "captures/one/a.wav").open("ab") as growing:
        growing.write(bytes(1000))
    assert evening.desk.job() is second, "a capture that grows is no reason"
    evening.act("taken_in", transfer_id="T2")
    third = evening.desk.job()
    assert third is not second and [t.transfer_id for t in third.transfers] == ["T1", "T2"]
    assert third.bench is evening.desk.state, "the log was folded when the line came; not once more"
    sheet = evening.folder / "job.toml"
    sheet.write_text(sheet.read_text().replace("Evening one", "Evening two"))
    os.utime(sheet, ns=(1, 1))
    assert evening.desk.job().transfers[0].values["title"] == "Evening two"
    assert evening.desk.in_force("transfer", "T1", "title") == "Evening two"


def test_chains_are_those_of_sheets_and_log(evening: Evening) -> None:
    assert evening.desk.chains() == {c["id"]: c for c in CHAINS}
    evening.act("declared", scope="chain", id="A", field="deck_id", value="DECK-9")
    acted = evening.act("declared", scope="chain", id="C", field="deck_id", value="DECK-3")
    assert acted.warnings == ("'C' is new among the chains; there were A and B.",)
    assert evening.desk.chains()["A"]["deck_id"] == "DECK-9"
    assert evening.desk.chains()["C"] == {"id": "C", "deck_id": "DECK-3"}
    assert evening.desk.settings("A") == {
        "deck_id": "DECK-9", "decoder_id": "DEC-1", "capture_device_id": "CAP-1", "capture_input": "1"
    }  # fmt: skip
    assert evening.desk.settings("nowhere") == {}
    assert {k: dict(v) for k, v in evening.desk.job().chains.items()} == evening.desk.chains()


def test_an_event_needs_no_sheet(evening: Evening) -> None:
    """What is logged while the tape runs waits for nothing: not even for sheets that cannot be read now."""
    evening.start("T1", "A")
    before = evening.desk._read_raw

    def never() -> Any:
        raise AssertionError("a sheet was read for an event")

    evening.desk._read_raw = never  # type: ignore[method-assign]
    evening.act("event", transfer_id="T1", type="mute")
    evening.act("noted", transfer_id="T1", note="x")
    evening.act("pass_stopped", transfer_id="T1", outcome="complete")
    evening.desk._read_raw = before  # type: ignore[method-assign]
    assert evening.desk.state.n == 4


def test_acts_stay_quick_in_a_long_log(evening: Evening) -> None:
    """A whole evening in the log, ten times over. The bound is wide: it finds squares, not slow machines or
    disks that sync slowly (each act waits for the disk, which is no work of ours)."""
    evening.start("T1", "A")
    for _ in range(400):
        evening.act("event", transfer_id="T1", type="hold")
    taken = []
    for _ in range(20):
        began = time.process_time()
        evening.act("event", transfer_id="T1", type="mute")
        taken.append(time.process_time() - began)
    assert sorted(taken)[10] < 0.1


@pytest.mark.parametrize(
    ("kind", "members", "code"),
    [
        ("forgotten", {}, "no-such-act"),
        ("noted", {"note": "x", "colour": "red"}, "no-such-member"),
        ("noted", {}, "member-missing"),
        ("noted", {"note": "   "}, "member-missing"),
        ("noted", {"note": 7}, "not-a-text"),
        ("noted", {"note": "x" * 20_001}, "not-a-text"),
        ("noted", {"note": "\ud800"}, "not-a-text"),
        ("noted", {"note": "x", "transfer_id": "T1", "pass": "1"}, "not-a-number"),
        ("noted", {"note": "x", "transfer_id": "T1", "pass": True}, "not-a-number"),
        ("noted", {"note": "x", "happened_at": "21:00"}, "not-a-time"),
        ("noted", {"note": "x", "happened_at": "2026-06-02T21:00:00"}, "not-a-time"),
        ("noted", {"note": "x", "happened_at": "2026-06-02T21:00:04+02:00"}, "not-yet"),
        ("noted", {"note": "x", "transfer_id": "T4"}, "transfer-unknown"),
        ("noted", {"note": "x", "transfer_id": "T1", "pass": 3}, "pass-unknown"),
    ],
)
def test_a_refusal_says_what_and_what_to_do(
    evening: Evening, kind: str, members: dict[str, Any], code: str
) -> None:
    evening.refused(code, kind, **members)
    assert evening.desk.state.n == 0


def test_two_seconds_ahead_are_no_future(evening: Evening) -> None:
    at = (START + timedelta(seconds=3)).isoformat()
    assert evening.act("noted", note="x", happened_at=at).entry["happened_at"] == at


def test_a_folder_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match="no job folder"):
        Desk(tmp_path / "none", now=lambda: START, tool_version="1.0.0")


def test_a_very_long_name_of_a_person_is_refused(evening: Evening) -> None:
    with pytest.raises(InputProblem) as caught:
        evening.desk.act("noted", {"note": "x"}, by="x" * 201, through="page")
    assert caught.value.code == "bench-not-a-name"
    assert evening.desk.act("noted", {"note": "x"}, by="  ", through="page").entry["by"] is None
