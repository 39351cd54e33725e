"""What comes in the body of a request: its size, its form, its pace."""

from __future__ import annotations

import json
from typing import Any

import pytest
from bench_server.asking import Place
from support.worktime import at_most

from provpack.bench import bodies
from provpack.bench.replies import Refused

LIMIT = 64 * 1024


def padded(size: int) -> bytes:
    start, end = b'{"kind": "noted", "members": {"note": "', b'"}}'
    return start + b"x" * (size - len(start) - len(end)) + end


def test_a_line_is_on_disk_when_it_is_acknowledged(place: Place) -> None:
    said = place.act("noted", note="Tape smells of vinegar, told the client.")
    assert said.status == 200
    value = said.json()
    (line,) = place.lines()
    assert (value["n"], value["at"]) == (line["n"], line["at"])
    assert set(value) == {"n", "at", "words", "undo", "warnings"}
    assert (line["by"], line["through"]) == ("Ilse Varrow", "page")


def test_too_large_by_its_own_word_or_without_one(place: Place) -> None:
    big = padded(LIMIT + 1)
    for headers in ([], [("content-length", str(len(big)))], [("content-length", "5")]):
        said = place.ask("POST", "/act", [*place.writing(), *headers], [big[:1000], big[1000:]])
        assert (said.status, said.code) == (413, "bench-too-large")
        assert said.header("connection") == "close"
    said = place.ask("POST", "/act", [*place.writing(), ("content-length", "9" * 18)], b"{}")
    assert said.status == 413
    assert place.lines() == []


def test_just_within_the_limit_is_read(place: Place) -> None:
    said = place.ask("POST", "/act", place.writing(), padded(LIMIT))
    assert said.status != 413
    assert said.code != "bench-json"


def test_in_the_smallest_pieces(place: Place) -> None:
    whole = json.dumps({"kind": "noted", "members": {"note": "ä"}}, ensure_ascii=False).encode()
    assert place.ask("POST", "/act", place.writing(), [bytes([b]) for b in whole]).status == 200


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"null",
        b"[]",
        b'"x"',
        b"1",
        b"\xff",
        b"\xef\xbb\xbf{}",
        b"{'a':1}",
        b'{"a":NaN}',
        b'{"a":Infinity}',
        b'{"a":1e999}',
        b'{"a":-1e999}',
        b'{"a":1,"a":2}',
        b'{"a":"\\ud800"}',
        b'{"\\udfff":1}',
        b'{"a":' + b"9" * 5000 + b"}",
        b"[" * 30000,
        b'{"a":' * 5000,
        b'{"a":"\x00"}',
        b"{} {}",
        b'{"a":1,}',
        b"{}\x00",
        b"k=v",
        b'{"a":' + b"[" * 13 + b"]" * 13 + b"}",
    ],
)
def test_what_is_no_json_object(place: Place, body: bytes) -> None:
    with at_most(2):
        said = place.ask("POST", "/act", place.writing(), body)
    assert (said.status, said.code) == (400, "bench-json")
    assert "Nothing was logged" in said.json()["todo"]
    assert place.lines() == []


@pytest.mark.parametrize(
    "value",
    [
        {},
        {"kind": "noted"},
        {"members": {}},
        {"kind": "noted", "members": []},
        {"kind": [], "members": {}},
        {"kind": "noted", "members": {"note": "x"}, "by": "Somebody Else"},
        {"kind": "erased", "members": {}},
        {"kind": {"a": 1}, "members": {}},
        {"kind": None, "members": None},
        {"kind": "noted\n", "members": {}},
    ],
)
def test_json_that_is_no_act(place: Place, value: dict[str, Any]) -> None:
    said = place.post("/act", value)
    assert said.status == 422
    assert place.lines() == []


def test_a_refusal_says_what_and_what_to_do(place: Place) -> None:
    said = place.act("pass_stopped", transfer_id="T01", outcome="complete")
    assert said.status == 422
    value = said.json()
    assert set(value) == {"code", "what", "todo", "where"}
    assert value["what"]
    assert value["todo"]
    assert place.lines() == []


def test_somebody_else_was_faster(place: Place) -> None:
    first = place.act("declared", scope="transfer", id="T01", field="title", value="One", was="Evening T01")
    assert first.status == 200, first.body
    second = place.act("declared", scope="transfer", id="T01", field="title", value="Two", was="Evening T01")
    assert (second.status, second.code) == (409, "bench-changed-meanwhile")
    assert len(place.lines()) == 1


@pytest.mark.parametrize(
    "kind", ["text/plain", "", "application/x-www-form-urlencoded", "multipart/form-data"]
)
def test_other_media_types(place: Place, kind: str) -> None:
    """What a form of a foreign page could send without asking first."""
    body = b'{"kind": "noted", "members": {"note": "x"}}'
    assert place.ask("POST", "/act", place.writing(kind), body).status == 415
    assert place.lines() == []


def test_a_body_that_stops_coming(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bodies, "JSON_SECONDS", 0.2)
    said = place.ask("POST", "/act", place.writing(), [b'{"kind":', 5.0, b"1}"])
    assert (said.status, said.code) == (408, "bench-slow")


def test_a_body_that_comes_ever_so_slowly(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bodies, "JSON_SECONDS", 0.3)
    drops: list[bytes | float] = [x for _ in range(100) for x in (b" ", 0.05)]
    said = place.ask("POST", "/act", place.writing(), drops)
    assert said.status == 408  # who waits for all of them, five seconds, finds no JSON there: 400


def test_a_sender_who_goes_away(place: Place) -> None:
    said = place.ask("POST", "/act", place.writing(), b'{"kind": "noted", ', then="gone")
    assert said.status == 400
    assert place.lines() == []


def test_depth_is_counted_outside_strings() -> None:
    assert bodies.read_json(b'{"a": "[[[[[[[[[[[[[[[[[[[[\\"["}') == {"a": '[[[[[[[[[[[[[[[[[[[["['}
    with pytest.raises(Refused, match="deeply"):
        bodies.read_json(b"[" * 13 + b"]" * 13)


def test_work_begins_only_for_what_is_there(place: Place) -> None:
    assert place.post("/work/wrap", {"ids": ["T01", "T02", "T01"]}).json() == {"work": "w2"}
    assert place.post("/work/verify", {"names": ["job-1_t01"]}).status == 202
    assert place.post("/work/measure/T01/1", {}).status == 202
    assert place.ask("POST", "/work/measure/T01/2", place.writing()[:-1]).status == 202
    assert place.works.begun == [
        ("wrap", ("T01", "T02")),
        ("verify", ("job-1_t01",)),
        ("measure", ("T01", 1)),
        ("measure", ("T01", 2)),
    ]
    place.works.begun.clear()
    for path, value in (
        ("/work/wrap", {"ids": []}),
        ("/work/wrap", {"ids": "T01"}),
        ("/work/wrap", {"ids": [1]}),
        ("/work/wrap", {}),
        ("/work/wrap", {"ids": ["T01"], "more": 1}),
        ("/work/wrap", {"ids": ["T09"]}),
        ("/work/verify", {"names": ["../x"]}),
        ("/work/verify", {"names": [".partial-1"]}),
        ("/work/verify", {"names": ["a/b"]}),
        ("/work/measure/T09/1", {}),
        ("/work/measure/T01/0", {}),
        ("/work/measure/T01/99999", {}),
        ("/work/stop/nothing", {}),
    ):
        assert place.post(path, value).status in (404, 422), (path, value)
    assert place.works.begun == []
    assert place.post("/work/stop/w1", {}).json() == {"work": "w1"}
