"""`provpack report`: a sealed package in words, and its page drawn anew outside it. Nothing is ever written
into a package, and no report is made from a record that is not the one that was sealed."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tarfile
import zipfile
from pathlib import Path

import pytest
from cli.commandline import fits, no_traceback, run
from support.jobs import make_job
from support.pages import check_structure, words_of

RECORD = "data/metadata/record.json"


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    top = tmp_path_factory.mktemp("made")
    make_job(top / "job", ids=("T01",), frames=30_000)
    assert run("wrap", top / "job", "--to", top / "out").code in (0, 1)
    (found,) = (top / "out").glob("*t01")
    return found


@pytest.fixture
def copy(package: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(package, tmp_path / package.name))


def tree_of(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_it_tells_in_words_what_the_package_holds(package: Path) -> None:
    said = run("report", package)
    assert (said.code, said.err) == (0, "")
    lines = said.out.splitlines()
    assert lines[0].endswith(f"({package.name})") and lines[1].startswith("  The sound of a ")
    assert any(line.endswith("data/report/index.html") for line in lines)
    assert lines[-1] == "Outcome: good (exit code 0)"
    value = run("report", package, "--json").json()
    fits("report", value)
    assert value["written"] is None and Path(value["page"]).is_file()
    record = json.loads((package / RECORD).read_bytes())
    assert (value["record_id"], value["package_name"]) == (record["record_id"], package.name)


def test_the_page_is_drawn_anew_outside_the_package(package: Path, tmp_path: Path) -> None:
    before = tree_of(package)
    target = tmp_path / "again.html"
    value = run("report", package, "--to", target, "--json").json()
    fits("report", value)
    assert value["written"] == str(target)
    assert tree_of(package) == before, "read-only"
    assert [p.name for p in tmp_path.iterdir()] == ["again.html"], "nothing is left beside it"
    page = check_structure(target.read_text(encoding="utf-8"))
    assert "A new page from an old record." in words_of(page)
    assert all(link.startswith("#") for link in page.xpath("//a/@href"))


def test_nothing_is_overwritten_or_written_into_a_package(package: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.html"
    there.write_text("mine")
    for target, code in (
        (there, "file-exists"),
        (package / "again.html", "destination-in-package"),
        (package / "data" / "report" / "again.html", "destination-in-package"),
        (package / "data" / "report" / "index.html", "file-exists"),
        (tmp_path / "no" / "again.html", "no-such-folder"),
        (tmp_path, "file-exists"),
    ):
        said = run("report", package, "--to", target, "--json")
        assert (said.code, said.json()["error"]["code"]) == (14, code), target
        assert "to do:" in said.err
    assert there.read_text() == "mine" and not (package / "again.html").exists()


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_does_not_lead_into_a_package(copy: Path, tmp_path: Path) -> None:
    (tmp_path / "way").symlink_to(copy / "data", target_is_directory=True)
    said = run("report", copy, "--to", tmp_path / "way" / "x.html", "--json")
    assert said.json()["error"]["code"] == "destination-in-package"


def test_no_report_from_a_record_that_was_changed(copy: Path, tmp_path: Path) -> None:
    place = copy / RECORD
    place.write_bytes(place.read_bytes().replace(b"Evening", b"Morning"))
    said = run("report", copy, "--to", tmp_path / "x.html", "--json")
    assert (said.code, said.json()["error"]["code"]) == (10, "not-as-sealed")
    assert "verify" in said.err and not (tmp_path / "x.html").exists()


def test_no_report_from_measurements_that_were_changed(copy: Path) -> None:
    place = copy / "data/metadata/measurements.json"
    place.write_bytes(place.read_bytes().replace(b"1", b"2", 1))
    assert run("report", copy).code == 10


def test_without_a_manifest_nothing_can_be_said(copy: Path) -> None:
    for manifest in copy.glob("manifest-*"):
        manifest.unlink()
    said = run("report", copy, "--json")
    assert (said.code, said.json()["error"]["code"]) == (11, "no-manifest")


def test_a_page_that_was_lost_is_said_to_be_lost(copy: Path) -> None:
    (copy / "data/report/index.html").unlink()
    said = run("report", copy)
    assert said.code == 0 and "The package holds no page of its own." in said.out


def test_what_is_no_package_is_refused(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "text.txt").write_text("hello")
    for name, code in (("empty", "no-package"), ("text.txt", "no-package"), ("nothing", "package-missing")):
        said = run("report", tmp_path / name, "--json")
        assert (said.code, said.json()["error"]["code"]) == (12, code)
        no_traceback(said.err)


def test_an_archive_need_not_be_unpacked(package: Path, tmp_path: Path) -> None:
    with tarfile.open(tmp_path / f"{package.name}.tar", "w") as tar:
        tar.add(package, arcname=package.name)
    with zipfile.ZipFile(tmp_path / f"{package.name}.zip", "w", zipfile.ZIP_STORED) as archive:
        for name, data in tree_of(package).items():
            archive.writestr(f"{package.name}/{name}", data)
    plain = run("report", package, "--json").json()
    for kind in ("tar", "zip"):
        value = run("report", tmp_path / f"{package.name}.{kind}", "--json").json()
        fits("report", value)
        assert value["page"] == "data/report/index.html" and "archive" not in plain["page"]
        assert {k: value[k] for k in ("summary", "listen", "cautions")} == {
            k: plain[k] for k in ("summary", "listen", "cautions")
        }


def test_a_newer_record_is_left_to_a_newer_program(copy: Path) -> None:
    place = copy / RECORD
    record = json.loads(place.read_bytes())
    record["schema_version"] = "9.0.0"
    place.write_text(json.dumps(record))
    manifests = sorted(copy.glob("manifest-*"))
    for manifest in manifests:
        tool = manifest.stem.removeprefix("manifest-") + "sum"
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed")
        done = subprocess.run(
            [tool, RECORD], cwd=copy, capture_output=True, text=True, check=True, timeout=30
        )
        kept = [line for line in manifest.read_text().splitlines() if not line.endswith(f"  {RECORD}")]
        manifest.write_text("\n".join([*kept, done.stdout.strip(), ""]))
    said = run("report", copy, "--json")
    assert (said.code, said.json()["error"]["code"]) == (13, "schema-version-newer")
