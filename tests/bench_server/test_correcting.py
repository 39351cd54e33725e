"""A sealed package is replaced from the page: one press, what was wrong, wrap; and so by `jot`."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from bench_server.asking import Place
from cli.commandline import run
from support.jobs import wrap

from provpack.bench.views import Shown

CORRECTION = {"transfer_id": "T01", "reason": "It names another composer.", "again": False, "new_id": ""}


@pytest.fixture
def place(tmp_path: Path) -> Any:
    made = Place(tmp_path)
    assert made.bench.desk.destination is not None
    made.bench.destination = made.bench.desk.destination
    made.bench.destination.mkdir()
    wrap(made.folder, made.bench.destination, only=frozenset({"T01"}))
    yield made
    made.close()


def record(place: Place, name: str) -> dict[str, Any]:
    out: dict[str, Any] = json.loads(
        (place.bench.destination / name / "data" / "metadata" / "record.json").read_text()
    )
    return out


def test_from_the_press_to_the_sealed_package(place: Place) -> None:
    page = place.get("/packages").body.decode()
    assert re.search(r'<form data-correct="/correct"', page)
    assert 'data-new="Left empty, the next free one is used: T01-2"' in page
    said = place.post("/correct", CORRECTION)
    assert said.status == 200, said.body
    assert (said.json()["transfer_id"], said.json()["undo"]) == ("T01-2", False)
    assert [e["kind"] for e in place.lines()] == ["taken_in", "declared", "declared"]
    assert {e["through"] for e in place.lines()} == {"page"}
    page = place.get("/carrier/T01-2").body.decode()
    assert "Evening T01" in page, "the title of T01 is shown as that of T01-2"
    title = {"scope": "transfer", "id": "T01-2", "field": "title", "value": "Tape one", "was": "Evening T01"}
    assert place.act("declared", **title).status == 200
    page = place.get("/packages").body.decode()
    assert "T01-2 replaces it, once wrapped." in page
    assert 'data-post="/correct/T01-2/back"' in page
    assert place.post("/work/wrap", {"ids": ["T01-2"]}).status == 202
    (unit,) = wrap(place.folder, place.bench.destination, only=frozenset({"T01-2"})).units
    assert unit.outcome == "wrapped", unit
    old, new = record(place, "job-1_t01"), record(place, "job-1_t01-2")
    assert new["supersedes"] == {
        "record_id": old["record_id"], "package_name": "job-1_t01", "reason": CORRECTION["reason"],
    }  # fmt: skip
    assert (new["item"]["title"], new["audio_sha256"]) == ("Tape one", old["audio_sha256"])
    verified = run("verify", place.bench.destination / "job-1_t01-2", "--depth", "meaning", "--json")
    assert json.loads(verified.out)["units"][0]["outcome"] == "good", verified.out
    place.bench.shown = Shown()  # the page of a moment ago would do for a second yet
    assert "sealed as job-1_t01-2." in place.get("/packages").body.decode()


def test_it_is_taken_back_with_one_press(place: Place) -> None:
    place.post("/correct", CORRECTION)
    said = place.post("/correct/T01-2/back", {})
    assert said.status == 200, said.body
    assert [e["kind"] for e in place.lines()][3:] == ["taken_back"] * 3
    assert "T01-2 replaces" not in place.get("/packages").body.decode()
    assert place.post("/correct/T01-2/back", {}).code == "bench-no-correction"


@pytest.mark.parametrize(
    "body",
    [
        {}, {**CORRECTION, "more": 1}, {**CORRECTION, "again": "yes"}, {**CORRECTION, "reason": None},
        {k: v for k, v in CORRECTION.items() if k != "new_id"}, [CORRECTION],
    ],
)  # fmt: skip
def test_what_is_no_correction_is_refused(place: Place, body: object) -> None:
    said = place.post("/correct", body)
    assert 400 <= said.status < 500
    assert place.lines() == []


def test_what_cannot_be_replaced_is_refused_in_words(place: Place) -> None:
    for members, code in (
        ({"transfer_id": "T02"}, "bench-not-sealed"), ({"transfer_id": "T9"}, "bench-transfer-unknown"),
        ({"reason": " "}, "bench-member-missing"), ({"new_id": "T02"}, "bench-id-taken"),
    ):  # fmt: skip
        said = place.post("/correct", {**CORRECTION, **members})
        assert (said.status, said.code) == (422, code), said.body
        assert said.json()["what"]
        assert said.json()["todo"]
    assert place.lines() == []


def test_a_refusal_calls_fields_as_the_page_does(place: Place) -> None:
    members = {"scope": "transfer", "id": "T01", "field": "condition_terms", "value": {"cell": "creased"}}
    said = place.act("declared", **members).json()
    assert "'Condition before playing'" in said["what"]
    assert "condition_terms" not in said["what"] + said["todo"]


def test_the_command_line_does_the_same(place: Place) -> None:
    said = run(
        "jot", "correct", place.folder, "T01", "--because", CORRECTION["reason"],
        "--to", place.bench.destination, "--by", "Odo", "--json",
    )  # fmt: skip
    assert said.code == 0, said.err
    told = json.loads(said.out)
    assert (told["action"], told["line"]["id"], told["line"]["through"]) == (
        "correct",
        "T01-2",
        "command_line",
    )
    assert told["line"]["value"]["record_id"] == record(place, "job-1_t01")["record_id"]
    place.bench.desk.refresh()
    assert "T01-2 replaces it, once wrapped." in place.get("/packages").body.decode()
    (unit,) = wrap(place.folder, place.bench.destination, only=frozenset({"T01-2"})).units
    assert unit.outcome == "wrapped", unit
    again = run("jot", "correct", place.folder, "T02", "--because", "x", "--to", place.bench.destination)
    assert (again.code, again.out) == (12, "")
    assert "T02 is not sealed" in again.err
