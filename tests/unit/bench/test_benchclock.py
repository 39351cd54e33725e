"""What a line says of time and of sealing: presses that came late, clocks set back, packages that stand."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
from support.benchjob import World, world

from provpack.jobs.benchdesk import Acted
from provpack.jobs.benchview_packages import packages_view
from provpack.package.layout import RECORD
from provpack.package.names import package_name


@pytest.fixture
def playing(tmp_path: Path) -> World:
    one = world(tmp_path)
    one.start("T01", "A")
    one.after(60)
    return one


def pressed(one: World, kind: str, *, ago: float, **members: object) -> Acted:
    when = one.now[0] - timedelta(seconds=ago)
    return one.desk.act(kind, members, by="Ilse Varrow", through="page", pressed=when)


# -- a press that came late ------------------------------------------------------------------------------
def test_a_press_that_waited_keeps_its_own_time(playing: World) -> None:
    one = playing
    acted = pressed(one, "event", ago=4, transfer_id="T01", type="mute")
    assert acted.entry["happened_at"] == (one.now[0] - timedelta(seconds=4)).isoformat(timespec="seconds")
    assert acted.entry["at"] == one.now[0].isoformat(timespec="seconds")
    (said,) = acted.warnings
    assert "written 4.0 s later" in said
    (event,) = acted.state.transfers["T01"].passes[0].events
    assert event.at == acted.entry["happened_at"]
    assert acted.words.startswith(f"{one.now[0] - timedelta(seconds=4):%H:%M:%S} ")


@pytest.mark.parametrize("ago", [0.0, 0.4, -1.5])
def test_a_press_that_came_at_once_is_now(ago: float, playing: World) -> None:
    acted = pressed(playing, "event", ago=ago, transfer_id="T01", type="mute")
    assert "happened_at" not in acted.entry and acted.warnings == ()


def test_what_somebody_said_of_the_time_stands(playing: World) -> None:
    said = (playing.now[0] - timedelta(seconds=30)).isoformat()
    acted = pressed(playing, "event", ago=4, transfer_id="T01", type="mute", happened_at=said)
    assert acted.entry["happened_at"] == (playing.now[0] - timedelta(seconds=30)).isoformat(
        timespec="seconds"
    )


@pytest.mark.parametrize("ago", [-3.0, 3600.0])
def test_two_clocks_that_differ_are_told_and_none_is_believed(ago: float, playing: World) -> None:
    acted = pressed(playing, "event", ago=ago, transfer_id="T01", type="mute")
    assert "happened_at" not in acted.entry
    (said,) = acted.warnings
    assert "set anew" in said


def test_stop_and_start_that_waited_keep_their_times(playing: World) -> None:
    one = playing
    stopped = pressed(one, "pass_stopped", ago=3, transfer_id="T01", outcome="complete")
    assert stopped.state.transfers["T01"].passes[0].stopped_at == stopped.entry["happened_at"]
    settings = one.desk.settings("A")
    started = pressed(one, "pass_started", ago=2, transfer_id="T02", chain_id="A", settings=settings)
    assert started.state.transfers["T02"].passes[0].started_at == started.entry["happened_at"]


def test_what_is_stated_has_no_time_of_its_own(playing: World) -> None:
    acted = pressed(playing, "declared", ago=9, scope="transfer", id="T01", field="title", value="Quintet")
    assert acted.warnings == ()


# -- a clock set back ------------------------------------------------------------------------------------
def test_a_clock_set_back_is_said_as_long_as_the_pass_runs(playing: World) -> None:
    one = playing
    one.after(-3600)
    for _ in range(3):
        acted = one.act("event", transfer_id="T01", type="mute")
        one.after(5)
        assert any(
            "3540 s before the start of pass 1 of T01" in w or "was set back" in w for w in acted.warnings
        )
    acted = one.act("pass_stopped", transfer_id="T01", outcome="complete")
    assert any("before the start of pass 1 of T01 on chain A (20:31:20)" in w for w in acted.warnings)
    one.after(5)
    assert one.act("noted", note="The clock was an hour wrong.").warnings == ()


def test_a_clock_in_order_is_not_spoken_of(playing: World) -> None:
    playing.act("event", transfer_id="T01", type="mute")
    playing.after(-1)  # two readings to the second
    assert playing.act("event", transfer_id="T01", type="unlock").warnings == ()


# -- what is sealed --------------------------------------------------------------------------------------
def seal(one: World, transfer_id: str) -> str:
    """A package as far as the desk looks at one: its declaration, and the time in its record."""
    name = package_name("GTR-2026-044", transfer_id)
    folder = one.desk.destination / name
    (folder / RECORD).parent.mkdir(parents=True)
    (folder / "bagit.txt").write_bytes(b"")
    (folder / RECORD).write_text(json.dumps({"made_by": {"at": one.now[0].isoformat()}}))
    return name


def test_what_is_written_about_a_sealed_transfer_says_so(playing: World) -> None:
    one = playing
    one.act("pass_stopped", transfer_id="T01", outcome="complete")
    name = seal(one, "T01")
    one.after(60)
    for kind, members in (
        ("declared", {"scope": "transfer", "id": "T01", "field": "title", "value": "Quintet"}),
        ("noted", {"transfer_id": "T01", "note": "It clicked."}),
        ("judged", {"transfer_id": "T01", "pass": 1, "verdict": "redo"}),
        ("event", {"transfer_id": "T01", "pass": 1, "type": "mute",
                   "happened_at": (one.now[0] - timedelta(seconds=90)).isoformat()}),
    ):  # fmt: skip
        told = [w for w in one.act(kind, **members).warnings if "sealed" in w]
        assert len(told) == 1 and name in told[0] and "new transfer that replaces it" in told[0], kind
    assert one.act("noted", transfer_id="T02", note="Not sealed.").warnings == ()
    assert one.act("noted", note="The evening.").warnings == ()


def test_a_new_pass_of_what_is_sealed_says_so_once(playing: World) -> None:
    one = playing
    one.act("pass_stopped", transfer_id="T01", outcome="complete")
    seal(one, "T01")
    one.after(60)
    settings = one.desk.settings("A")
    started = one.act("pass_started", transfer_id="T01", chain_id="A", settings=settings, reason="clicks")
    assert any("sealed" in w for w in started.warnings)
    one.after(5)
    assert one.act("event", transfer_id="T01", type="mute").warnings == ()


def test_the_packages_page_says_what_came_after_sealing(playing: World) -> None:
    one = playing
    one.act("pass_stopped", transfer_id="T01", outcome="complete")
    seal(one, "T01")
    info = one.info
    (before,) = packages_view(one.desk, info)["packages"]
    assert before["later"] == ""
    one.after(60)
    one.act("noted", transfer_id="T01", note="It clicked.")
    wrong = one.act("noted", transfer_id="T01", note="Wrong tape.")
    one.act("taken_back", entry=wrong.entry["n"])
    (after,) = packages_view(one.desk, info)["packages"]
    assert after["later"].startswith("1 line of the bench log about T01 came after it was sealed")
