"""What a window asks when it has no stream, what it asks after an act without answer, and who goes first."""

from __future__ import annotations

import json
import threading
import time
from typing import Any

import pytest
from bench_server.asking import Place

from provpack.bench import first as module
from provpack.bench.first import First
from provpack.bench.views import FRESH, Shown

LONG = 60.0
"""Seconds that nothing here takes, unless somebody waits who should not."""


def test_the_state_is_cheap_and_says_what_changed(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    work = {
        "work": "w1", "kind": "wrap", "label": "wrapping T01", "done": 5, "total": 9, "state": "running",
        "words": "wrapping T01", "result": {"units": ["much"]},
    }  # fmt: skip
    monkeypatch.setattr(place.works, "all", lambda: {"w1": work})
    before = place.get("/state").json()
    assert (before["n"], before["files"]) == (0, 0)
    assert before["now"].startswith("2026-11-20T21:")
    assert before["works"] == [{k: v for k, v in work.items() if k != "result"}]
    place.act("noted", note="one")
    monkeypatch.setattr(place.bench.desk, "job", lambda: pytest.fail("the state reads no sheets"))
    assert place.get("/state").json()["n"] == 1


def test_the_state_needs_the_cookie_and_is_not_written(place: Place) -> None:
    assert place.ask("GET", "/state", place.own()[:1]).status == 403
    assert place.post("/state", {}).status == 405


def seek(place: Place, kind: str, after: int, **members: Any) -> Any:
    said = place.post("/sought", {"kind": kind, "members": members, "after": after})
    assert said.status == 200, said.body
    return said.json()["found"]


def test_an_act_without_answer_is_found_or_not(place: Place) -> None:
    place.act("taken_in", transfer_id="T01")
    place.act("pass_started", transfer_id="T01", chain_id="A", settings={})
    event = {"transfer_id": "T01", "pass": 1, "type": "mute"}
    assert seek(place, "event", 2, **event) is None
    written = place.act("event", **event).json()
    found = seek(place, "event", 2, **event)
    assert (found["n"], found["at"], found["undo"]) == (written["n"], written["at"], True)
    assert seek(place, "event", 3, **event) is None  # one that was there before it was sent is another
    assert seek(place, "event", 2, **event, note="left only") is None
    assert seek(place, "event", 2, **(event | {"type": "hold"})) is None
    assert len(place.lines()) == 3  # looking writes nothing


def test_what_the_desk_writes_in_another_form_is_found(place: Place) -> None:
    place.act("declared", scope="transfer", id="T01", field="source_bit_depth", value={"cell": "16"})
    members = {"scope": "transfer", "id": "T01", "field": "source_bit_depth"}
    assert seek(place, "declared", 0, **members, value={"cell": "16"})["n"] == 1
    assert seek(place, "declared", 0, **(members | {"id": "T02"}), value={"cell": "16"}) is None
    when = "2026-11-20T20:59:00Z"
    place.act("pass_started", transfer_id="T01", chain_id="A", settings={}, happened_at=when)
    given = {"transfer_id": "T01", "chain_id": "A", "settings": {}}
    assert seek(place, "pass_started", 1, **given, happened_at="2026-11-20T22:59:00+02:00")["n"] == 2
    assert seek(place, "pass_started", 1, **given, happened_at="2026-11-20T22:58:00+02:00") is None


def test_what_the_command_line_wrote_is_not_what_the_page_sent(place: Place) -> None:
    place.desk_again().act("noted", {"note": "x"}, by=None, through="command_line")
    assert seek(place, "noted", 0, note="x") is None


@pytest.mark.parametrize(
    "body",
    [{}, {"kind": "event", "members": {}}, {"kind": "other", "members": {}, "after": 0},
     {"kind": "event", "members": [], "after": 0}, {"kind": "event", "members": {}, "after": "0"},
     {"kind": "event", "members": {}, "after": -1}, {"kind": "event", "members": {}, "after": True}],
)  # fmt: skip
def test_odd_questions_are_refused(place: Place, body: dict[str, Any]) -> None:
    assert place.post("/sought", body).status == 422


def test_a_page_waits_for_acts_but_not_for_ever() -> None:
    first = First()
    give_way = first.way()
    give_way()
    with first.acting():
        begun = time.monotonic()
        for _ in range(100):  # all its parts together: each for itself would be fifty seconds
            give_way()
        assert 0.4 < time.monotonic() - begun < 20


def test_a_page_goes_on_as_soon_as_the_act_is_over(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_AT_MOST", LONG)
    first, ready, over = First(), threading.Event(), []

    def act() -> None:
        with first.acting():
            ready.set()
            time.sleep(0.05)
            over.append("act")

    thread = threading.Thread(target=act)
    thread.start()
    assert ready.wait(LONG)
    begun = time.monotonic()
    first.way()()
    assert over == ["act"]
    assert time.monotonic() - begun < LONG / 2
    thread.join()


def test_an_act_that_is_refused_holds_no_page_up(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_AT_MOST", LONG)
    assert place.act("event", transfer_id="T09", type="mute").status == 422
    begun = time.monotonic()
    place.bench.first.way()()
    assert time.monotonic() - begun < LONG / 2


def test_a_page_is_made_once_for_all_windows() -> None:
    at = [0.0]
    shown, made = Shown(lambda: at[0]), []

    def make() -> str:
        made.append(1)
        return f"page {len(made)}"

    assert [shown.page(("chains",), 1, make) for _ in range(3)] == ["page 1"] * 3
    assert shown.page(("chains",), 2, make) == "page 2"  # a line came
    assert shown.page(("carriers",), 2, make) == "page 3"
    at[0] = FRESH
    assert shown.page(("chains",), 2, make) == "page 4"  # sheets may have changed


def test_a_page_shows_what_was_just_logged(place: Place) -> None:
    place.get("/carrier/T01")
    place.act("declared", scope="transfer", id="T01", field="title", value="Nocturne in ten parts")
    said = place.get("/carrier/T01")
    assert b"Nocturne in ten parts" in said.body
    assert said.header("x-bench-now").startswith("2026-11-20T21:")


def test_a_receipt_names_ids_with_odd_characters(place: Place) -> None:
    assert place.act("taken_in", transfer_id="T,1/ä%?#&").status == 200
    said = place.get("/receipt?ids=T%2C1%2F%C3%A4%25%3F%23%26,T01")
    assert said.status == 200
    assert "T,1/ä%?#&amp;" in said.body.decode()
    assert place.get("/receipt?ids=T,1").status == 404
    assert json.loads(place.get("/state").body)["n"] == 1


def test_a_machine_that_was_taken_back_has_a_page_and_one_nobody_named_has_none(place: Place) -> None:
    assert place.get("/machines/equipment/DECK%2F9").status == 404
    members = {"scope": "equipment", "id": "DECK/9", "field": "kind", "value": "deck"}
    place.act("declared", **members)
    assert b"Equipment <bdi>DECK/9</bdi>" in place.get("/machines/equipment/DECK%2F9").body
    place.act("taken_back", entry=1)
    said = place.get("/machines/equipment/DECK%2F9")
    assert said.status == 200 and b"no such piece of equipment" in said.body
    assert place.get("/machines/chain/DECK%2F9").status == 404
    assert place.get("/machines/transfer/T01").status == 404
    assert place.get("/machines/defaults").status == place.get("/machines").status == 200
