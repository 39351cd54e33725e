"""Our walk along a schema finds what the library's own finds, error by error, in the same order."""

from __future__ import annotations

import itertools
import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from provpack.edge import schemas
from provpack.errors import Bug

RECORDS = sorted((Path(__file__).parents[2] / "cases" / "records").rglob("*.json"))
ODD: tuple[Any, ...] = (
    None, True, 0, -1, 1.0, 1.5, 10**30, "", "x", "2026-06-01", "\n", [], [None], ["a", "a"], {}, {"x": 1},
    [[[]]], [{}, {}],
)  # fmt: skip


def told(errors: Iterator[Any]) -> list[tuple[Any, ...]]:
    """All an error says that `validate` makes use of, the contexts of anyOf included."""
    return [
        (
            e.validator, e.message, list(e.absolute_path), list(e.absolute_schema_path), e.validator_value,
            e.instance, e.schema, told(iter(e.context or ())),
        )
        for e in itertools.islice(errors, 500)
    ]  # fmt: skip


def places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every place of a document that can be given another value: (what holds it, its key)."""
    keys = list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        yield value, key
        yield from places(value[key])


def spoilt(document: Any, dice: random.Random) -> Any:
    """A copy with one to three places overwritten, removed or added to."""
    copy = json.loads(json.dumps(document))
    for _ in range(dice.randint(1, 3)):
        there = list(places(copy))
        if not there:
            break
        holder, key = dice.choice(there)
        way = dice.random()
        if way < 0.6:
            holder[key] = dice.choice(ODD)
        elif way < 0.8 or isinstance(holder, list):
            del holder[key]
        else:
            holder[dice.choice(["", "nobody knows", "file", "schema_version"])] = dice.choice(ODD)
    return copy


@pytest.mark.parametrize("name", ["transfer-record", "job-sheet", "ledger-entry"])
def test_it_finds_what_the_library_finds(name: str) -> None:
    # against: jsonschema 4.26, Validator.iter_errors of the class our keywords extend
    library = schemas._machine()(schemas.bundled(name), format_checker=schemas._formats())
    walk = schemas._validator(name)
    dice = random.Random(name)
    documents = [json.loads(p.read_text(encoding="utf-8")) for p in RECORDS]
    wrong = 0
    for n in range(250):
        value = spoilt(documents[n % len(documents)], dice) if n >= len(ODD) else ODD[n]
        expected = told(library.iter_errors(value))
        assert told(walk.iter_errors(value)) == expected
        wrong += bool(expected)
    assert wrong > 200
    assert len(RECORDS) > 10


def test_the_sheets_of_a_job_too() -> None:
    library = schemas._machine()(schemas.bundled("job-sheet"), format_checker=schemas._formats())
    dice = random.Random(2)
    sheet = {
        "schema_version": "1.0.0", "job_id": "J", "client": "C", "transfer_organisation": "O",
        "defaults": {"operator": "A", "condition_terms": ["good"]}, "chain": [{"id": "A", "deck_id": "D"}],
        "transfer": [{"transfer_id": "T1", "file": "a.wav", "outcome": "complete", "tape_emphasis": "on"}],
    }  # fmt: skip
    for _ in range(200):
        value = spoilt(sheet, dice)
        assert told(schemas._validator("job-sheet").iter_errors(value)) == told(library.iter_errors(value))


def test_a_keyword_it_does_not_know_is_refused() -> None:
    walk = schemas.Walk(
        {"unevaluatedProperties": False}, keywords={}, is_kind=lambda value, kind: False, checker=None,
        format_checker=None, error=ValueError,
    )  # fmt: skip
    with pytest.raises(Bug):
        list(walk.iter_errors({}))


@pytest.mark.parametrize("name", schemas.names())
def test_no_schema_of_ours_needs_more(name: str) -> None:
    """Each part of each bundle can be walked; references are pointers that lead somewhere."""
    walk = schemas._validator(name)
    waiting: list[Any] = [schemas.bundled(name)]
    while waiting:
        one = waiting.pop()
        if isinstance(one, dict):
            assert {"unevaluatedItems", "unevaluatedProperties", "$dynamicRef", "$anchor"}.isdisjoint(one)
            if isinstance(one.get("$ref"), str):
                assert isinstance(walk.target(one["$ref"]), dict)
            waiting += one.values()
        elif isinstance(one, list):
            waiting += one
