"""build_dublin_core. Source: DCMI metadata terms and dcterms.xsd of 2008-02-11; the schema itself judges in
tests/interop/test_metadata_xsd.py."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from support.metadata import HOSTILE, RECORDS, hostile, load, rich

from provpack.package.dublincore import CONTAINER, TERMS, build_dublin_core
from provpack.xmldoc import parse_untrusted


def terms(record: dict[str, Any]) -> dict[str, list[str]]:
    root = parse_untrusted(build_dublin_core(record, record["files"]), where="dublin-core.xml")
    assert root.tag == f"{{{CONTAINER}}}metadata"
    out: dict[str, list[str]] = {}
    for element in root:
        assert element.tag.startswith(f"{{{TERMS}}}") and not len(element) and element.text
        out.setdefault(element.tag.removeprefix(f"{{{TERMS}}}"), []).append(element.text)
    return out


def test_a_full_record() -> None:
    record = rich()
    said = terms(record)
    assert said["title"] == [record["item"]["title"]]
    assert said["identifier"] == [
        record["item"]["client_item_id"],
        f"urn:uuid:{record['record_id']}",
        record["package_name"],
    ]
    assert said["type"] == ["Sound"]  # DCMI Type Vocabulary
    assert said["created"] == [record["item"]["recorded_date"]]
    # 38 500 000 x 1001 / 44 100 000 s = 873.888.. s, by hand
    assert said["extent"] == ["PT0H14M33.888889S", "38500000 sample frames at 44100000/1001 Hz"]
    assert said["source"] == ["B-00412"]
    assert said["hasFormat"] == ["data/derivatives/b-00412_deemphasised.wav"]
    assert said["rights"] == ["rights basis: owner"]
    assert said["accessRights"] == ["reading room only", "until 2040-12-31", "personal data: yes"]
    assert "isFormatOf" not in said, "a partial copy cannot stand for its carrier"
    assert not {"rightsHolder", "creator", "language", "license"} & set(said), "nobody declared them"


def test_a_whole_copy_is_a_format_of_its_carrier() -> None:
    record = rich() | {"outcome": "complete"}
    assert terms(record)["isFormatOf"] == ["B-00412"]


def test_without_audio_the_carrier_is_described() -> None:
    said = terms(load(next(p for p in RECORDS if p.stem == "case-10-blank-tape")))
    assert said["type"] == ["PhysicalObject"]
    assert not {"extent", "format", "isFormatOf", "hasFormat"} & set(said)


def test_a_copy_of_other_length_is_only_related() -> None:
    record = rich()
    for step in record["processing"]["processing_steps"]:
        step["type"] = "trim"
    said = terms(record)
    assert "hasFormat" not in said
    assert "data/derivatives/b-00412_deemphasised.wav" in said["relation"]


def test_what_is_not_known_stays_out() -> None:
    record = rich()
    del record["item"]["recorded_date"], record["signal"]["sampling_frequency"]
    del record["carrier"]["carrier_id"]
    said = terms(record)
    assert not {"created", "extent", "source"} & set(said)


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_no_term_is_empty_and_durations_have_the_iso_form(path: Path) -> None:
    said = terms(load(path))
    assert len(said["title"]) == 1
    for extent in said.get("extent", ())[:1]:
        assert re.fullmatch(r"PT[0-9]+H[0-9]{1,2}M[0-9]{1,2}(\.[0-9]{1,6})?S", extent)  # ISO 8601-1 5.5.2


@pytest.mark.parametrize("name", HOSTILE)
def test_hard_texts_do_not_break_the_document(name: str) -> None:
    assert terms(hostile(rich(), HOSTILE[name]))["title"][0]
