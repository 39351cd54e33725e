"""Odd values, names and disks at the bench: a refusal in words or a line that counts, never a mishap."""

from __future__ import annotations

import errno
import math
import os
from pathlib import Path
from typing import Any

import pytest
from support.benchdesk import Evening

from provpack.errors import ProvpackError
from provpack.jobs.benchdesk import DeskInfo
from provpack.jobs.benchview_chains import chains_view
from provpack.jobs.benchview_intake import carriers_view
from provpack.package.names import package_name

ODD: tuple[Any, ...] = (
    None, True, 5, -1, 1.5, math.nan, math.inf, 10**400, "", " ", "\x00", "\ud800", "x" * 30_000, [], ["a"],
    [[[[]]]], {}, {"a": 1}, {"cell": "1e999"}, {"cell": "9" * 5000}, {"cell": None}, {"num": 1, "den": 0},
    "../../etc/passwd", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00Z", "1000-01-01T00:00:00+14:00",
)  # fmt: skip


@pytest.fixture
def evening(tmp_path: Path) -> Evening:
    return Evening(tmp_path / "job")


def goods(evening: Evening) -> list[tuple[str, dict[str, Any]]]:
    settings = evening.desk.settings("A")
    return [
        ("taken_in", {"transfer_id": "T2"}),
        ("declared", {"scope": "transfer", "id": "T1", "field": "title", "value": "x", "was": None}),
        ("pass_started", {"transfer_id": "T1", "chain_id": "A", "settings": settings, "changed": [],
                          "reason": "x", "note": "x", "happened_at": None, "pass": 1}),
        ("event", {"transfer_id": "T1", "pass": 1, "type": "mute", "note": "x", "happened_at": None}),
        ("noted", {"note": "x", "transfer_id": "T1", "pass": 1, "happened_at": None}),
        ("pass_stopped", {"transfer_id": "T1", "pass": 1, "outcome": "complete", "note": "x",
                          "happened_at": None}),
        ("judged", {"transfer_id": "T1", "pass": 1, "verdict": "redo", "note": "x"}),
        ("file_attached", {"transfer_id": "T1", "pass": 1, "file": "x.wav", "attached_by": "person",
                           "reason": "x", "starts_at": None}),
        ("file_detached", {"transfer_id": "T1", "pass": 1, "file": "x.wav", "reason": "x"}),
        ("taken_back", {"entry": 1, "reason": "x"}),
    ]  # fmt: skip


def test_no_member_of_any_act_trips_it(evening: Evening) -> None:
    """Each member of each act in turn takes each odd value; what is written is read again as it was."""
    refused = 0
    for kind, members in goods(evening):
        for name in members:
            for value in ODD:
                try:
                    evening.act(kind, **{**members, name: value})
                except ProvpackError as said:
                    refused += 1
                    assert said.what and said.todo and said.exit_code in (12, 15), (kind, name, value)
    assert refused > 400
    other = evening.another()
    assert other.state == evening.desk.state and other.troubles == []


@pytest.mark.parametrize(
    "name", ["../x", ".hidden", "a/b", "...", "../..", "تجربة", "日本語", "é", '"; drop', "con", "a b"]
)
def test_an_identifier_in_any_script_is_an_identifier_and_no_path(evening: Evening, name: str) -> None:
    evening.act("taken_in", transfer_id=name)
    evening.act("declared", scope="transfer", id=name, field="title", value="Evening")
    evening.start(name, "A")
    evening.act("pass_stopped", transfer_id=name, outcome="failed")
    assert evening.another().state.pass_of(name, 1) is not None
    package = package_name("J1", name)
    assert "/" not in package and not package.startswith(".")
    assert evening.desk.sealed(name) is None
    info = DeskInfo(destination=evening.folder.parent / "out")
    assert chains_view(evening.desk, info) and carriers_view(evening.desk, info)
    assert sorted(p.name for p in evening.folder.iterdir()) == [
        "bench-log.jsonl", "equipment.toml", "job.toml", "paper.txt",
    ]  # fmt: skip


@pytest.mark.parametrize("error", [errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EROFS, errno.EACCES])
def test_what_the_disk_does_not_take_is_not_acknowledged(
    evening: Evening, monkeypatch: pytest.MonkeyPatch, error: int
) -> None:
    evening.act("taken_in", transfer_id="T2")
    before = (evening.folder / "bench-log.jsonl").read_bytes()

    def failing(fd: int) -> None:
        raise OSError(error, os.strerror(error))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", failing)
        with pytest.raises(ProvpackError) as caught:
            evening.act("noted", note="lost?")
    assert caught.value.exit_code == 15 and "Nothing was written" in caught.value.todo
    assert (evening.folder / "bench-log.jsonl").read_bytes() == before
    assert evening.desk.state.n == 1 and evening.desk.troubles == []
    assert evening.act("noted", note="there").entry["n"] == 2


def test_refusals_name_things_as_the_page_does_and_tell_the_local_time(evening: Evening) -> None:
    evening.start("T1", "A")
    evening.act("pass_stopped", transfer_id="T1", outcome="complete")
    early = "2026-06-01T08:00:00+00:00"
    said = [
        evening.refused("no-pass-runs", "event", transfer_id="T1", type="mute", **{"pass": 1}),
        evening.refused("stopped-already", "pass_stopped", transfer_id="T1", outcome="x", **{"pass": 1}),
        evening.refused("before-the-pass", "event", transfer_id="T1", type="mute", happened_at=early,
                        **{"pass": 1}),
        evening.refused("settings-unconfirmed", "pass_started", transfer_id="T1", chain_id="B", settings={}),
        evening.refused("member-missing", "taken_in"),
        evening.refused("not-yet", "noted", note="x", happened_at="2031-06-02T21:00:00+02:00"),
    ]  # fmt: skip
    assert "ended at 21:00:02" in said[0].what and "already, at 21:00:02 (line 2)" in said[1].what
    assert "2026-06-01 10:00:00 lies before" in said[2].what, "told in the zone of the clock here"
    for one in said:
        assert "+02:00" not in one.what + one.todo and "_id" not in one.what + one.todo
