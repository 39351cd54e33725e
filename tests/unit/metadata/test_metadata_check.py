"""check_metadata: premis.xml and audio-object.xml against the package they lie in.

What must agree: PREMIS Data Dictionary 3.0, 1.5 (fixity, size); AES57-2011 edit units (aes60-2011.xsd).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from provpack.package import layout
from provpack.package.audio_object import build_audio_object
from provpack.package.metadata_check import DOCUMENTS, check_metadata
from provpack.package.premis import build_premis

HERE = Path(__file__).resolve()
RECORDS = sorted((HERE.parents[2] / "cases" / "records" / "valid").glob("*.json")) + sorted(
    (HERE.parents[1] / "report" / "records").glob("*.json")
)


@pytest.fixture
def full() -> dict[str, Any]:
    path = next(p for p in RECORDS if p.stem == "pcm-14-bit")
    data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return data


def package(record: dict[str, Any]) -> dict[str, Any]:
    """The arguments of check_metadata for a package that is as its record says."""
    files = record["files"]
    documents = {layout.PREMIS: build_premis(record, files=files)}
    audio = build_audio_object(record, files)
    if audio is not None:
        documents[layout.AUDIO_OBJECT] = audio
    return {
        "documents": documents,
        "record": record,
        "digests": {f["path"]: {k: f[k] for k in ("sha256", "sha512") if k in f} for f in files},
        "sizes": {f["path"]: f["bytes"] for f in files},
    }


def found(case: dict[str, Any]) -> list[str]:
    return [f.rule for f in check_metadata(case.pop("documents"), **case)]


def changed(case: dict[str, Any], path: str, old: str, new: str) -> dict[str, Any]:
    text = case["documents"][path].decode("utf-8")
    assert old in text
    case["documents"][path] = text.replace(old, new, 1).encode("utf-8")
    return case


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_what_we_make_agrees_with_itself(path: Path) -> None:
    case = package(json.loads(path.read_text(encoding="utf-8")))
    assert set(case["documents"]) <= set(DOCUMENTS)
    assert found(case) == []


def test_a_file_that_is_described_must_be_there(full: dict[str, Any]) -> None:
    case = package(full)
    del case["sizes"]["data/documents/b-00412-open.png"]
    assert found(case) == ["meta-file-missing"]


def test_digests_and_sizes_are_those_of_the_file(full: dict[str, Any]) -> None:
    case, path = package(full), "data/master/b-00412.wav"
    case["digests"][path] = {"sha256": "0" * 64, "sha512": full["files"][0]["sha512"].upper()}
    case["sizes"][path] += 1
    assert found(case) == ["meta-digest-differs", "meta-size-differs"]


def test_what_was_not_read_is_not_compared(full: dict[str, Any]) -> None:
    case = package(full)
    assert check_metadata(case["documents"]) == ()
    assert check_metadata({"data/metadata/other.xml": b"<"}) == ()
    case["digests"] = {}
    assert found(case) == []


def test_a_document_of_another_record(full: dict[str, Any]) -> None:
    case = package(full)
    case["record"] = {**full, "record_id": "00000000-0000-4000-8000-000000000000"}
    rules = found(case)
    assert set(rules) == {"meta-other-record"} and len(rules) > 2


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('factorDenominator="1001">38500000', 'factorDenominator="1000">38500000', "44100 Hz"),
        ('factorDenominator="1001">38500000', 'factorDenominator="x">38500000', "cannot be read"),
        ('factorDenominator="1001">38500000', 'factorDenominator="0">38500000', "cannot be read"),
        ('factorDenominator="1001">38500000', 'factorDenominator="1001">38500001', "38500000 frames"),
        ("aes57:timeline", "aes57:timeLine", "no timeline"),
    ],
)
def test_rate_and_length_are_the_records(full: dict[str, Any], old: str, new: str, words: str) -> None:
    case = package(full)
    text = case["documents"][layout.AUDIO_OBJECT].decode("utf-8")
    assert old in text
    if "timeLine" in new:
        case["documents"][layout.AUDIO_OBJECT] = text.replace(old, new).encode("utf-8")
    else:
        case = changed(case, layout.AUDIO_OBJECT, old, new)
    (finding,) = check_metadata(case.pop("documents"), **case)
    assert finding.rule == "meta-audio-object-disagrees" and words in finding.what


@pytest.mark.parametrize("bad", [b"", b"<a/>", b"<!DOCTYPE a [<!ENTITY x 'y'>]><a>&x;</a>", b"\xff\xfe\x00"])
def test_unreadable_documents_are_findings(full: dict[str, Any], bad: bytes) -> None:
    found = check_metadata({layout.AUDIO_OBJECT: bad, layout.PREMIS: bad}, record=full)
    assert [f.rule.partition("-")[0] for f in found] == ["premis", "meta"]


def test_dates_and_terms_of_premis_are_judged_too(full: dict[str, Any]) -> None:
    case = changed(package(full), layout.PREMIS, ">2031-05-06T16:38:00+02:00<", ">yesterday<")
    assert found(case) == ["premis-date"]


def test_a_document_full_of_lies_gives_a_bounded_answer(full: dict[str, Any]) -> None:
    entry = (
        '<premis:object xsi:type="premis:file"><premis:objectIdentifier><premis:objectIdentifierType>path in '
        "package</premis:objectIdentifierType><premis:objectIdentifierValue>data/x{}"
        "</premis:objectIdentifierValue></premis:objectIdentifier><premis:objectCharacteristics>"
        "<premis:format/></premis:objectCharacteristics></premis:object>"
    )
    many = "".join(entry.format(i) for i in range(5000))
    case = changed(package(full), layout.PREMIS, "<premis:event>", f"{many}<premis:event>")
    assert len(found(case)) == 200
