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

from provpack.findings import Finding
from provpack.package.premis import build_premis, check_premis

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


FOUND = [Finding(rule="rec-a", severity="warning", what="w", where="w", todo="t")]
HELD = {"label": "[person 1]", "roles": ["/people/operator"], "commitment_sha256": "0" * 64}
NASTY = "]]></premis:x>&#0;\x00\x1f\ud800\ufffe <!-- \t\né𝄞'\"&"


def documents(record: dict[str, Any]) -> list[bytes]:
    files = record["files"]
    signed = ("studio@lindmoor.example", "SHA256:abc")
    made = [
        build_premis(record, files=files),
        build_premis({**record, "held_back": [HELD]}, files=files, findings=FOUND, signed_by=signed),
        build_premis(hostile(record), files=files, findings=[], signed_by=(NASTY, NASTY)),
    ]
    if any(f["role"] == "master" for f in files):
        text = json.dumps(record, ensure_ascii=False)
        made += [
            build_premis(record, files=files, extension=text, merged=former) for former in FORMER.values()
        ]
    return made


def hostile(value: Any, key: str = "") -> Any:
    """The record with text that breaks careless writers wherever text is free."""
    free = ("title", "note", "label_transcription", "package_name", "client_item_id", "carrier_id", "agent",
            "operator", "client", "from", "to", "deck_id", "deck_make_model", "deck_serial", "decoder_id",
            "capture_software", "digital_output_revision", "access_restriction", "chain_id", "tool",
            "reason")  # fmt: skip
    if isinstance(value, dict):
        return {k: hostile(v, k) for k, v in value.items()}
    if isinstance(value, list):
        return [hostile(v, key) for v in value]
    return NASTY + value if isinstance(value, str) and key in free else value


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
        assert check_premis(document) == (), "what we make must pass our own judge too"


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
