"""The mapping table against whole packages of the real wrap: the demo, and a small job of 525 lines.

What stands in the WAV is read from the finished master by our own readers, which
tests/interop/test_reference_wav.py holds against files of others (EBU Tech 3285 v2, RIFF-1991); XML is that
of the package where the package has it, else built from its record.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from support.jobs import make_job, wrap
from support.mapped import Study
from support.mappedways import backwards, forwards
from support.metadata import load
from support.studies import named_rows, roots_of

from provpack.chunks.embedded import read_embedded
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import read_layout
from provpack.cli.ports import wrap_ports
from provpack.edge.demodata import read_demo_data
from provpack.jobs.demo import make_demo_job
from provpack.jobs.progress import Silent
from provpack.jobs.wrap import wrap_job
from provpack.package import layout
from provpack.package.mapping import Place
from provpack.xmldoc import parse_untrusted

DOCUMENTS = {
    "premis": layout.PREMIS,
    "mets": layout.METS,
    "aes57": layout.AUDIO_OBJECT,
    "dc": layout.DUBLIN_CORE,
}


def study_of_package(package: Path) -> Study:
    """The record of a package with its documents and the chunks of its master."""
    record = load(package / layout.RECORD)
    roots: dict[str, Any] = roots_of(record)
    for target, place in DOCUMENTS.items():
        if (package / place).is_file():
            roots[target] = parse_untrusted((package / place).read_bytes(), where=place)
    master = next((f["path"] for f in record["files"] if f["role"] == "master"), None)
    if master is None:
        return Study(name=package.name, record=record, roots=roots)
    source = BytesSource((package / master).read_bytes())
    found = read_embedded(source, read_layout(source))
    return Study(
        name=package.name,
        record=record,
        roots=roots,
        bext=found.bext,
        info=dict(found.info_lists[0]),
        history=named_rows(record, found.history),
        markers=found.markers,
    )


@pytest.fixture(scope="module")
def studies(tmp_path_factory: pytest.TempPathFactory) -> list[Study]:
    top = tmp_path_factory.mktemp("mapping")

    def write(name: str, parts: Any) -> None:
        path = top / "job" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"".join(parts))

    make_demo_job(write, read_demo_data())
    with wrap_ports(top / "packages", Silent()) as ports:
        wrap_job(top / "job", top / "packages", ports)
    wrap(make_job(top / "small", frames=200_000, standard="525"), top / "packages")
    packages = sorted(p for p in (top / "packages").iterdir() if (p / layout.RECORD).is_file())
    assert len(packages) >= 12
    return [study_of_package(package) for package in packages]


def test_forwards(studies: list[Study]) -> None:
    hits: Counter[tuple[str, Place]] = Counter()
    missing = [line for study in studies for line in forwards(study, hits)]
    assert not missing, "\n".join(missing[:40])
    loud = {path for path, place in hits if place.address.startswith(("Loudness", "Max"))}
    assert len(loud) == 5, "all five loudness fields of bext (EBU Tech 3285 v2 section 2.3)"


def test_backwards(studies: list[Study]) -> None:
    strays = [line for study in studies for line in backwards(study)]
    assert not strays, "\n".join(strays[:40])
