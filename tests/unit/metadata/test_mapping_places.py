"""The mapping table against real documents, both ways: what the record says stands where the table says, and
what stands there is what the record says.

The documents are written to bytes and read back: XML through lxml, chunks through our own readers, which
tests/interop holds against outside readers. Loudness and whole packages: tests/interop/
test_mapping_packages.py.
"""

from __future__ import annotations

from collections import Counter

import pytest
from support.mapped import LEAVES, Study, explains, leaves
from support.mappedways import backwards, forwards
from support.metadata import RECORDS, load, rich, strange
from support.studies import study_of

from provpack.edge.schemas import validate
from provpack.package.mapping import FIELDS, Place

LATER = "bext Loudness", "bext Max"
"""Fields of bext that are known only when the audio was read."""


@pytest.fixture(scope="module")
def studies() -> list[Study]:
    return [*(study_of(path.stem, load(path)) for path in RECORDS), study_of("strange", strange())]


def test_the_made_up_record_is_valid() -> None:
    assert validate("transfer-record", strange()) == []


def test_leaves_are_found_with_their_entries() -> None:
    record = rich()
    found = {(leaf.path, leaf.n): leaf for leaf in leaves(record)}
    second = found["/processing/passes[]/n", 2]
    assert (second.entry["n"], second.key, second.value) == (2, "n", 2)
    assert found["/signal/sampling_frequency/num", 0].key == "sampling_frequency"
    assert found["/carrier/carrier_id", 0].entry is record["carrier"]
    assert {path for path, _ in found} <= LEAVES


def test_forwards_every_value_stands_where_the_table_says(studies: list[Study]) -> None:
    hits: Counter[tuple[str, Place]] = Counter()
    missing = [line for study in studies for line in forwards(study, hits)]
    assert not missing, "\n".join(missing)
    never = [
        f"{field.path}: {place}"
        for field in FIELDS
        for place in field.places
        if not hits[field.path, place] and not f"{place.target} {place.address}".startswith(LATER)
    ]
    assert not never, "no record here shows that these are true:\n" + "\n".join(never)


def test_backwards_what_stands_there_is_what_the_record_says(studies: list[Study]) -> None:
    strays = [line for study in studies for line in backwards(study)]
    assert not strays, "\n".join(strays[:40])


def test_every_term_of_dublin_core_and_every_property_of_premis_is_in_the_table(studies: list[Study]) -> None:
    listed = {(p.target, p.address) for f in FIELDS for p in f.places}
    for study in studies:
        for element in study.roots["dc"]:
            assert ("dc", element.tag.rpartition("}")[2]) in listed
        for element in study.roots["premis"].iter("{*}significantPropertiesType"):
            if element.text != "meaning":  # says what the object is, and comes from no field
                assert any(f"[{element.text}]" in address for _, address in listed), element.text


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("/item/title", "another title"),
        ("/carrier/carrier_id", "another shelf"),
        ("/signal/header_sampling_frequency_hz", 48000),
        ("/processing/passes[]/started_at", "2001-01-01T00:00:00+00:00"),
        ("/files[]/sha256", "0" * 64),
        ("/item/programme_segments[]/end", 12345),
    ],
)
def test_a_value_that_is_not_there_would_be_missed(path: str, value: object) -> None:
    study = study_of("rich", rich())
    leaf = next(leaf for leaf in leaves(study.record) if leaf.path == path)
    wrong = type(leaf)(
        path=leaf.path, value=value, n=leaf.n, entry={**leaf.entry, leaf.key: value}, key=leaf.key
    )
    field = next(f for f in FIELDS if f.path == path)
    for place in field.places:
        found = study.find(place.target, study.concrete(place, leaf))
        assert not any(explains(study, place, wrong, f) for f in found), place
