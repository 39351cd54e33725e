"""Records that are valid but odd: fields taken away or swapped with those of other records, seeded. Whatever
the schema of the record lets through must give documents that agree with it and pass our own judge."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from provpack.edge.schemas import validate
from provpack.package import layout
from provpack.package.audio_object import build_audio_object, carrier_object_node
from provpack.package.metadata_check import check_metadata
from provpack.package.premis import build_premis

HERE = Path(__file__).resolve()
RECORDS = [
    json.loads(path.read_text(encoding="utf-8"))
    for path in sorted((HERE.parents[2] / "cases" / "records" / "valid").glob("*.json"))
    + sorted((HERE.parents[1] / "report" / "records").glob("*.json"))
]
Path_ = tuple[str | int, ...]


def paths(value: Any, so_far: Path_ = ()) -> Iterator[Path_]:
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in pairs:
        yield (*so_far, key)
        yield from paths(inner, (*so_far, key))


def fetch(value: Any, path: Path_) -> Any:
    for key in path:
        value = value[key]
    return value


def changed(record: dict[str, Any], dice: random.Random) -> dict[str, Any]:
    """One value deleted, or taken from the same key of another record; nothing where that is unlawful."""
    made, path = copy.deepcopy(record), dice.choice(list(paths(record)))
    other = dice.choice(RECORDS)
    alike = [p for p in paths(other) if p[-1] == path[-1]]
    holder = fetch(made, path[:-1])
    if alike and dice.random() < 0.5:
        holder[path[-1]] = copy.deepcopy(fetch(other, dice.choice(alike)))
    else:
        del holder[path[-1]]
    return record if list(validate("transfer-record", made)) else made


@pytest.mark.parametrize("seed", range(60))
def test_odd_records_give_sound_documents(seed: int) -> None:
    dice = random.Random(seed)
    record = dice.choice(RECORDS)
    for _ in range(dice.randrange(1, 8)):
        record = changed(record, dice)
    documents = {layout.PREMIS: build_premis(record, files=record["files"], findings=())}
    audio = build_audio_object(record, record["files"])
    if audio is not None:
        documents[layout.AUDIO_OBJECT] = audio
    found = check_metadata(documents, record=record)
    assert [f.what for f in found] == []
    assert carrier_object_node(record) is None or record["measured"] is not None
