"""The published schema judges our PREMIS: xmllint and lxml, with premis-v3-0.xsd of the Library of Congress
(PREMIS 3.0, January 2016) and no network."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from provpack.package.premis import build_premis

ROOT = Path(__file__).resolve().parents[1]
RECORDS = sorted((ROOT / "unit" / "report" / "records").glob("*.json")) + sorted(
    (ROOT / "cases" / "records" / "valid").glob("*.json")
)
FORMER = {
    "none": None,
    "plain": b"<notes xmlns='urn:example:a'><n>x</n></notes>",
    "typed": (
        b"<n:a xmlns:n='urn:example:a' xmlns:xsi='http://www.w3.org/2001/XMLSchema-instance'>"
        b"<n:b xsi:type='n:c'>x</n:b></n:a>"
    ),
    "premis": b"<premis xmlns='http://www.loc.gov/premis/v3' version='3.0'/>",
}


def documents(record: dict[str, Any]) -> list[bytes]:
    files = record["files"]
    made = [build_premis(record, files=files)]
    if any(f["role"] == "master" for f in files):
        text = json.dumps(record, ensure_ascii=False)
        made += [
            build_premis(record, files=files, extension=text, merged=former) for former in FORMER.values()
        ]
    return made


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_xmllint_accepts(path: Path, reference: Path, tool: Callable[[str], str], tmp_path: Path) -> None:
    record = json.loads(path.read_text(encoding="utf-8"))
    names = []
    for number, document in enumerate(documents(record)):
        name = tmp_path / f"{number}.xml"
        name.write_bytes(document)
        names.append(str(name))
    schema = reference / "xsd" / "premis" / "premis-v3-0.xsd"
    done = subprocess.run(
        [tool("xmllint"), "--noout", "--nonet", "--schema", str(schema), *names],
        env={**os.environ, "XML_CATALOG_FILES": str(reference / "xsd" / "catalog.xml")},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr.count(" validates") == len(names)


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_lxml_accepts(path: Path, reference: Path) -> None:
    etree = pytest.importorskip("lxml.etree")
    schema = etree.XMLSchema(file=str(reference / "xsd" / "premis" / "premis-v3-0.xsd"))
    for document in documents(json.loads(path.read_text(encoding="utf-8"))):
        assert schema.validate(etree.fromstring(document)), schema.error_log


def test_the_schema_does_reject(reference: Path, tool: Callable[[str], str], tmp_path: Path) -> None:
    record = json.loads(RECORDS[0].read_text(encoding="utf-8"))
    bad = build_premis(record, files=record["files"]).replace(b"eventDateTime", b"eventMoment")
    (tmp_path / "bad.xml").write_bytes(bad)
    schema = reference / "xsd" / "premis" / "premis-v3-0.xsd"
    done = subprocess.run(
        [tool("xmllint"), "--noout", "--nonet", "--schema", str(schema), str(tmp_path / "bad.xml")],
        env={**os.environ, "XML_CATALOG_FILES": str(reference / "xsd" / "catalog.xml")},
        capture_output=True,
        timeout=60,
    )
    assert done.returncode != 0
