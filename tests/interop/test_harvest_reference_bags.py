"""Every reference bag is listed, whatever is wrong with it; a second reader agrees about the valid ones.

Sources: reference/bags/ORIGINS.md and expected.tsv (which bags are valid: conformance suite, test bags of
libraries, bags made byte by byte), and the Python library bagit (version, payload files with their digests,
elements of bag-info.txt) as the second reader.
"""

from __future__ import annotations

import csv
import logging
import tarfile
from pathlib import Path

import bagit
import pytest
from support.harvested import empty, fill

from provpack.catalogue.values import Package
from provpack.edge.place import FolderPlace
from provpack.jobs.harvestpackage import package_values


def table(reference: Path) -> list[dict[str, str]]:
    with (reference / "bags" / "expected.tsv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, delimiter="\t"))


def test_all_of_them_are_listed_where_they_lie(reference: Path) -> None:
    with empty() as catalogue:
        result = fill(catalogue, reference / "bags")
        archives = len(list((reference / "bags").rglob("*.tar")))
        assert archives > 100
        assert result.packages >= archives - 5, "a few archives hold no bag that could be seen"
        assert catalogue.ask.size() == {
            "packages": result.packages, "ours": 0, "files": catalogue.ask.size()["files"],
            "checks": 0, "ledgers": 0, "gone": 0,
        }  # fmt: skip
        assert not any("reading it failed" in f.what for f in result.findings)


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_valid_ones_tell_what_the_library_reads(reference: Path, tmp_path: Path) -> None:
    logging.getLogger("bagit").setLevel(logging.CRITICAL)
    compared = 0
    for n, row in enumerate(table(reference)):
        if row["feature"] == "serialisation":
            continue
        folder = tmp_path / str(n)
        with tarfile.open(reference / "bags" / row["file"]) as tar:
            tar.extractall(folder, filter="fully_trusted")
        (root,) = (p for p in sorted(folder.iterdir()) if p.is_dir() and not p.name.endswith("-evil"))
        mine = package_values(FolderPlace(root))
        assert "reading it failed" not in mine.problem, (row["file"], mine.problem)
        if row["expect"] == "valid" and row["bagit_1_9_0"] == "valid":
            compare(row, mine, root)
            compared += 1
    assert compared > 30


def compare(row: dict[str, str], mine: Package, root: Path) -> None:
    theirs = bagit.Bag(str(root))
    about = row["file"]
    assert mine.problem == "", about
    assert mine.version == row["bagit_version"], about
    assert mine.payload_files == len(list(theirs.payload_files())), about
    assert {f.path for f in mine.files} == set(theirs.payload_entries()), about
    entries = theirs.payload_entries()
    for file in mine.files:
        told = {name: digest.lower() for name, digest in entries[file.path].items()}
        assert (file.sha256, file.sha512) == (told.get("sha256"), told.get("sha512")), about
        assert file.bytes == (root / file.path).stat().st_size, about
    for label, value in (
        ("Source-Organization", mine.client), ("External-Description", mine.title),
        ("External-Identifier", mine.client_item_id),
    ):  # fmt: skip
        said = theirs.info.get(label)
        said = said[0] if isinstance(said, list) else said
        assert (" ".join(said.split()) if said else None) == value, (about, label)
