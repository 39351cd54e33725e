"""What is gone, replaced, copied or not recorded is never passed over by `verify` as a habit."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cli.test_verify_habit import Capture, checked, names, packages, said, verified

from provpack.cli.main import main
from provpack.edge import schemas
from provpack.edge.ledger import LEDGER_NAME, append, read_entries
from provpack.errors import EnvironmentProblem
from provpack.jobs import ledgered

DUE = ("--older-than", "365d")


def emptied(package: Path) -> None:
    shutil.rmtree(package)
    package.mkdir()


def only_payload_left(package: Path) -> None:
    for file in package.iterdir():
        if file.is_file():
            file.unlink()


def a_file(package: Path) -> None:
    shutil.rmtree(package)
    package.write_bytes(b"")


def a_link(package: Path) -> None:
    package.rename(package.parent.parent / "moved")
    package.symlink_to(package.parent.parent / "moved")


GOINGS = [shutil.rmtree, emptied, only_payload_left, a_file, a_link]
Going = Callable[[Path], Any]


def sealed(root: Path, count: int) -> Path:
    """Packages that the ledger beside them saw sealed."""
    for package in sorted(packages(root, count).glob("pkg-*")):
        line = {"kind": "wrapped", "package": package.name, "tagmanifest_sha512": id_of(package)}
        append(root / LEDGER_NAME, line)
    return root


def id_of(package: Path) -> str:
    from provpack.jobs.verify_find import Found, identity_of

    identity = identity_of(Found(path=package))
    assert identity is not None
    return identity


def catalogue(capsys: Capture, root: Path) -> list[str]:
    where = ["--catalogue", str(root.parent / "c.sqlite")]
    assert main(["catalogue", "rebuild", str(root), *where]) == 0
    capsys.readouterr()
    return ["--from-catalogue", *where]


@pytest.mark.parametrize("going", GOINGS)
def test_what_the_catalogue_names_and_is_not_there_is_missing(
    going: Going, tmp_path: Path, capsys: Capture
) -> None:
    root = packages(tmp_path / "out", 3)
    assert verified(capsys, root)[0] == 0
    listed = catalogue(capsys, root)
    assert verified(capsys, *listed, *DUE)[1]["units"] == []
    going(root / "pkg-001")
    for more in ((), ("--sample", "1")):
        code, result = verified(capsys, *listed, *DUE, *more)
        assert (code, names(result)) == (10, ["pkg-001"]) and result["counts"]["missing"] == 1
        assert result["selection"]["known"] == 3 and result["findings"] == []
    code, lines = said(capsys, *listed, *DUE, "--brief")
    assert code == 10 and lines[0] == "provpack: 1 of 1 package is not good (1 missing)"


def test_a_vanished_archive_is_not_found_good(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 3)
    assert verified(capsys, root)[0] == 0
    listed = catalogue(capsys, root)
    shutil.rmtree(root)
    code, result = verified(capsys, *listed, *DUE)
    assert code == 10 and result["counts"] == {"good": 0, "bad": 0, "missing": 3, "could_not_check": 0}


def test_what_the_catalogue_knows_to_be_gone_is_told(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 2)
    listed = catalogue(capsys, root)
    shutil.rmtree(root / "pkg-001")
    assert main(["catalogue", "add", str(root), *listed[1:]]) in (0, 1)
    (root / LEDGER_NAME).unlink()
    code, lines = said(capsys, *listed)
    assert code == 0 and any(line.startswith("Not looked for: 1 package that was gone") for line in lines)


def test_an_archive_file_that_is_gone_is_missing(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 2)
    shutil.make_archive(str(root / "pkg-001"), "tar", root, "pkg-001")
    shutil.rmtree(root / "pkg-001")
    assert verified(capsys, root)[0] == 0
    listed = catalogue(capsys, root)
    assert verified(capsys, *listed, *DUE)[1]["units"] == []
    (root / "pkg-001.tar").unlink()
    assert names(verified(capsys, *listed, *DUE)[1]) == ["pkg-001.tar"]
    code, result = verified(capsys, root, *DUE)
    assert code == 1 and [f["where"] for f in result["findings"]] == [str(root / "pkg-001.tar")]


@pytest.mark.parametrize("going", GOINGS)
@pytest.mark.parametrize("more", [(), DUE, ("--no-ledger",)])
def test_a_sealed_package_that_is_gone_stands_in_the_first_line(
    going: Going, more: tuple[str, ...], tmp_path: Path, capsys: Capture
) -> None:
    root = sealed(tmp_path / "out", 3)
    going(root / "pkg-001")
    code, result = verified(capsys, root, *more)
    told = [f for f in result["findings"] if f["severity"] != "note"]
    assert code == 1 and [f["where"] for f in told] == [str(root / "pkg-001")]
    assert told[0]["what"].startswith("pkg-001 was sealed here (line 3 of the ledger); it is gone. ")
    code, lines = said(capsys, root, *more, "--brief")
    assert code == 1
    assert lines[0].startswith("provpack: 1 package of the ledgers is not there any more; ")


@pytest.mark.parametrize("spelt", ["{0}", "file://{0}"])
def test_once_bad_and_then_gone_is_told_by_a_ledger_elsewhere(
    spelt: str, tmp_path: Path, capsys: Capture
) -> None:
    root = packages(tmp_path / "out", 3)
    (root / LEDGER_NAME).unlink()
    (root / "pkg-001/data/a.bin").write_bytes(b"?" * 50)
    ledger = ("--ledger", tmp_path / "checks.jsonl")
    assert verified(capsys, root, *ledger)[0] == 10
    shutil.rmtree(root / "pkg-001")
    code, result = verified(capsys, spelt.format(root), *ledger, *DUE)
    assert code == 1 and [f["rule"] for f in result["findings"]] == ["bag-ledger-missing"]
    assert verified(capsys, root / "pkg-000", *ledger, *DUE)[0] == 0  # nobody asked for what lies beside
    append(ledger[1], {"kind": "destroyed", "package": "pkg-001", "place": str(root / "pkg-001")})
    assert verified(capsys, root, *ledger, *DUE)[0] == 0


def test_what_lies_beneath_is_told_by_its_own_ledger(tmp_path: Path, capsys: Capture) -> None:
    for year in ("2030", "2031"):
        sealed(tmp_path / "out" / year, 2)
    shutil.rmtree(tmp_path / "out/2031/pkg-001")
    code, result = verified(capsys, tmp_path / "out")
    assert code == 1 and [f["where"] for f in result["findings"]] == [str(tmp_path / "out/2031/pkg-001")]


def test_a_link_that_was_named_is_followed(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 2)
    (tmp_path / "to").symlink_to(root / "pkg-001")
    (tmp_path / "shelf").symlink_to(root)
    assert verified(capsys, tmp_path / "to")[1]["counts"]["good"] == 1
    assert verified(capsys, tmp_path / "to", *DUE)[0] == 0
    code, result = verified(capsys, tmp_path / "shelf", *DUE)
    assert (code, names(result), result["findings"]) == (0, ["pkg-000"], [])


# --- copies, and packages put in the place of others ---


def test_a_copied_archive_is_read(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 3)
    assert verified(capsys, root)[0] == 0
    copy = tmp_path / "newdisk"
    shutil.copytree(root, copy)
    (copy / "pkg-001/data/a.bin").write_bytes(b"?" * 50)
    listed = catalogue(capsys, copy)
    for spelt in ([copy], [*listed, copy]):
        code, result = verified(capsys, *spelt, *DUE, "--no-ledger")
        assert (code, sorted(names(result))) == (10, ["pkg-000", "pkg-001", "pkg-002"])
    assert len(verified(capsys, copy, *DUE)[1]["units"]) == 3
    assert names(verified(capsys, copy, *DUE)[1]) == ["pkg-001"]
    assert verified(capsys, root, *DUE)[1]["units"] == []


def test_the_catalogue_does_not_take_the_checks_of_another_folder(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 2)
    (root / "pkg-001/data/a.bin").write_bytes(b"?" * 50)
    assert verified(capsys, root)[0] == 10
    copy = tmp_path / "newdisk"
    shutil.copytree(root, copy)
    listed = catalogue(capsys, copy)
    (copy / LEDGER_NAME).unlink()  # now only the catalogue tells
    code, result = verified(capsys, *listed, *DUE)
    assert (code, sorted(names(result))) == (10, ["pkg-000", "pkg-001"])
    assert result["selection"]["once_bad"] == [str(copy / "pkg-001")]


def test_a_package_put_in_the_place_of_another_is_read(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 3)
    assert verified(capsys, root)[0] == 0
    listed = catalogue(capsys, root)
    shutil.rmtree(root / "pkg-001")
    shutil.copytree(root / "pkg-002", root / "pkg-001")
    for spelt in ([root], listed):
        assert names(verified(capsys, *spelt, *DUE, "--no-ledger")[1]) == ["pkg-001"]
    (root / LEDGER_NAME).unlink()
    assert names(verified(capsys, *listed, *DUE)[1]) == ["pkg-001"]


def test_a_line_says_where_the_package_was_seen(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 1)
    verified(capsys, root)
    (line,) = [entry for entry in read_entries(root / LEDGER_NAME) if entry["kind"] == "fixity_checked"]
    assert line["seen_path"] == str(root / "pkg-000") and "place" not in line
    assert schemas.validate("ledger-entry", line) == []


def test_a_line_that_does_not_say_where_counts(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 1)
    append(root / LEDGER_NAME, checked("pkg-000", "2026-11-01T00:00:00Z"))
    assert verified(capsys, root, "--older-than", "36500d")[1]["units"] == []


# --- the ledger ---


@pytest.mark.parametrize("name", ["pkg-000/data/L.jsonl", "pkg-000/L.jsonl", "link/L.jsonl"])
def test_no_ledger_is_made_in_a_package(name: str, tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 1)
    (root / "link").symlink_to(root / "pkg-000/data")
    assert main(["verify", str(root), "--ledger", str(root / name)]) == 2
    assert "sealed package is never written into" in capsys.readouterr().err
    assert not (root / name).exists()


def test_what_is_not_recorded_stands_in_the_first_line(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = packages(tmp_path / "out", 3)

    def full(*_: object) -> None:
        raise EnvironmentProblem("disk-full", "The disk is full.", where="L", todo="Free some space.")

    monkeypatch.setattr(ledgered, "append", full)
    code, lines = said(capsys, root, "--brief")
    assert code == 1
    assert lines[0] == "provpack: NOT recorded in the ledger; all 3 packages checked are good"
    code, result = verified(capsys, root)
    told = [f["what"] for f in result["findings"]]
    assert code == 1 and told == ["3 checks are NOT recorded: The disk is full."]


def test_a_ledger_that_takes_nothing_is_a_warning(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 1)
    (root / LEDGER_NAME).unlink()
    (tmp_path / "ledger").mkdir()  # a folder in its place
    code, result = verified(capsys, root, "--ledger", tmp_path / "ledger")
    assert code == 1 and [f["rule"] for f in result["findings"]][-1] == "bag-check-not-recorded"


def test_an_empty_folder_is_no_package(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "empty").mkdir()
    code, lines = said(capsys, tmp_path / "empty", "--brief")
    assert code == 10
    assert lines[0] == f"provpack: no package was found at {tmp_path / 'empty'}, so nothing was checked"
    assert not any("every one" in line for line in said(capsys, tmp_path / "empty", *DUE)[1])


def test_what_only_tells_of_a_sample_needs_one(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path, 1)
    for option in (("--seed", "3"), ("--confidence", "95%")):
        assert main(["verify", str(root), *option]) == 2
        assert f"where: {option[0]}" in capsys.readouterr().err
        assert main(["verify", str(root), "--sample", "1", *option, "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["selection"]["sample"]["drawn"] == 1
