"""Published schemas judge mets.xml and dublin-core.xml: xmllint and lxml, offline through the XML catalogue
of the reference files, with mets.xsd 1.12.1, premis-v3-0.xsd and dcterms.xsd of 2008-02-11.

AES57 inside METS is judged by the REPAIRED copy of aes57-2011-08-27.xsd: the copy at the source lost its
namespace declarations, which were put back (reference/xsd/ORIGINS.md). A fault of that repair would show here
as ours, or hide one of ours.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.metadata import HOSTILE, OTHERS, RECORDS, hostile, load, rich, strange

from provpack.package.dublincore import CONTAINER, TERMS, build_dublin_core
from provpack.package.mets import build_mets
from provpack.xmldoc import parse_untrusted

COMBINED = ("xsd", "combined", "mets1-premis3-aes57-audiomd.xsd")
# A root for a file that stands alone, of the type dcterms.xsd offers for the purpose.
WRAPPER = f"""<?xml version="1.0" encoding="UTF-8"?>
<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" xmlns:t="{TERMS}" targetNamespace="{CONTAINER}">
  <xs:import namespace="{TERMS}" schemaLocation="%s"/>
  <xs:element name="metadata" type="t:elementOrRefinementContainer"/>
</xs:schema>
"""
# In a process of its own, since libxml2 reads the catalogue's place only once.
LXML = """
import sys
from lxml import etree
schema = etree.XMLSchema(file=sys.argv[1])
for name in sys.argv[2:]:
    if not schema.validate(etree.parse(name, etree.XMLParser(no_network=True))):
        print(name, schema.error_log)
        sys.exit(1)
print(len(sys.argv) - 2)
"""


def variants() -> dict[str, dict[str, Any]]:
    """Every record at hand, and awkward ones made of the fullest."""
    found = {path.stem: load(path) for path in RECORDS}
    found["strange"] = strange()
    for name, text in HOSTILE.items():
        found[f"hostile {name}"] = hostile(rich(), text)
    two = rich()
    master = two["files"][0]
    two["files"] += [
        {**master, "role": "pass", "path": f"data/passes/{n}.wav", "pass_n": n, "sha256": f"{n:064x}"}
        for n in (1, 2)
    ]
    part = {"source_start": 0, "source_end": 9, "target_start": 0, "target_end": 9}
    for n, entry in enumerate(two["processing"]["passes"], start=1):
        entry["file"] = f"data/passes/{n}.wav"
    two["processing"]["assembly"] = [{"pass_n": 1, **part}, {"pass_n": 2, **part}]
    bare = {**rich(), "files": [], "audio_sha256": None, "measured": None}
    return {**found, "two passes and an assembly": two, "no file at all": bare}


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Path], list[Path]]:
    """All METS documents, and all Dublin Core ones with those that stand inside METS."""
    folder = tmp_path_factory.mktemp("documents")
    mets: list[Path] = []
    dublin: list[Path] = []
    for number, record in enumerate(variants().values()):
        others = () if not record["files"] else OTHERS
        document = build_mets(record, record["files"], others=others)
        mets.append(folder / f"mets-{number}.xml")
        mets[-1].write_bytes(document)
        dublin.append(folder / f"dc-{number}.xml")
        dublin[-1].write_bytes(build_dublin_core(record, record["files"]))
        etree = pytest.importorskip("lxml.etree")
        root = parse_untrusted(document, where="mets.xml")
        for n, inner in enumerate(root.iter(f"{{{CONTAINER}}}metadata")):
            dublin.append(folder / f"dc-{number}-{n}.xml")
            dublin[-1].write_bytes(etree.tostring(inner))
    return mets, dublin


@pytest.fixture
def wrapper(reference: Path, tmp_path: Path) -> Path:
    place = tmp_path / "wrapper.xsd"
    place.write_text(WRAPPER % (reference / "xsd" / "dc" / "dcterms.xsd").as_uri())
    return place


def environment(reference: Path) -> dict[str, str]:
    return {**os.environ, "XML_CATALOG_FILES": str(reference / "xsd" / "catalog.xml")}


def xmllint(program: str, reference: Path, schema: Path, names: list[Path]) -> Any:
    command = [program, "--noout", "--nonet", "--huge", "--schema", str(schema), *map(str, names)]
    return subprocess.run(
        command, env=environment(reference), capture_output=True, text=True, timeout=120, check=False
    )


def lxml(reference: Path, schema: Path, names: list[Path]) -> Any:
    command = [sys.executable, "-c", LXML, str(schema), *map(str, names)]
    return subprocess.run(
        command, env=environment(reference), capture_output=True, text=True, timeout=120, check=False
    )


def test_xmllint_accepts_every_mets_document(
    written: tuple[list[Path], list[Path]], reference: Path, tool: Callable[[str], str]
) -> None:
    names = written[0]
    done = xmllint(tool("xmllint"), reference, reference.joinpath(*COMBINED), names)
    assert done.returncode == 0, done.stderr[:2000]
    assert done.stderr.count(" validates") == len(names) > 20


def test_lxml_accepts_every_mets_document(written: tuple[list[Path], list[Path]], reference: Path) -> None:
    done = lxml(reference, reference.joinpath(*COMBINED), written[0])
    assert done.returncode == 0, (done.stdout + done.stderr)[:2000]
    assert int(done.stdout) == len(written[0])


def test_both_accept_every_dublin_core_description(
    written: tuple[list[Path], list[Path]], reference: Path, wrapper: Path, tool: Callable[[str], str]
) -> None:
    names = written[1]
    done = xmllint(tool("xmllint"), reference, wrapper, names)
    assert done.returncode == 0, done.stderr[:2000]
    assert done.stderr.count(" validates") == len(names) > 2 * len(written[0]) - 2
    done = lxml(reference, wrapper, names)
    assert done.returncode == 0, (done.stdout + done.stderr)[:2000]


# libxml2 does not check that an IDREF leads anywhere; tests/unit/metadata/test_mets.py does.
FAULTS = {
    "an ID twice": (b'ID="div-carrier"', b'ID="div-item"'),
    "an unknown kind of time": (b'BETYPE="TIME"', b'BETYPE="FRAMES"'),
    "an unknown digest": (b'CHECKSUMTYPE="SHA-512"', b'CHECKSUMTYPE="SHA-3"'),
    "PREMIS inside": (b"premis:eventDateTime", b"premis:eventMoment"),
    "AES57 inside": (b"aes57:numChannels", b"aes57:channels"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_the_schemas_do_refuse(
    fault: str, reference: Path, tmp_path: Path, tool: Callable[[str], str]
) -> None:
    record = rich()
    document = build_mets(record, record["files"], others=OTHERS)
    before, after = FAULTS[fault]
    assert before in document
    place = tmp_path / "bad.xml"
    place.write_bytes(document.replace(before, after))
    schema = reference.joinpath(*COMBINED)
    assert xmllint(tool("xmllint"), reference, schema, [place]).returncode != 0
    assert lxml(reference, schema, [place]).returncode != 0


def test_the_wrapper_refuses_a_term_dublin_core_does_not_have(
    reference: Path, wrapper: Path, tmp_path: Path, tool: Callable[[str], str]
) -> None:
    record = rich()
    place = tmp_path / "bad.xml"
    made = build_dublin_core(record, record["files"])
    place.write_bytes(made.replace(b"dcterms:medium", b"dcterms:carrier"))
    assert xmllint(tool("xmllint"), reference, wrapper, [place]).returncode != 0
