"""One package in the place of another, links, shelves that moved, ledgers that are none: `verify` says so."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from cli.test_verify_gone import DUE, catalogue, id_of, sealed
from cli.test_verify_habit import Capture, checked, names, packages, said, verified
from support.remoteserver import web_server

from provpack.edge.ledger import LEDGER_NAME, append, read_entries
from provpack.edge.schemas import validate

RULE_MISSING, RULE_UNTOLD = "bag-ledger-missing", "bag-ledger-untold"


def rules_of(result: dict[str, object]) -> list[str]:
    found = [*result["findings"], *(f for u in result["units"] for f in u["findings"])]  # type: ignore[attr-defined,misc]
    return [f["rule"] for f in found if f["severity"] != "note"]


def plain_bag(package: Path) -> Path:
    """The package without its tag manifests: still a valid bag."""
    for file in package.glob("tagmanifest-*.txt"):
        file.unlink()
    return package


def outcomes(ledger: Path) -> list[tuple[str, str]]:
    return [(e["package"], e["outcome"]) for e in read_entries(ledger) if e["kind"] == "fixity_checked"]


# --- another package in the place of a sealed one ---


@pytest.mark.parametrize("more", [(), DUE, ("--depth", "meaning")])
def test_any_bag_in_the_place_of_a_sealed_one_is_bad(
    more: tuple[str, ...], tmp_path: Path, capsys: Capture
) -> None:
    root = sealed(tmp_path / "out", 2)
    plain_bag(root / "pkg-001")
    code, result = verified(capsys, root, *more)
    assert code == 10 and "bag-ledger-differs" in rules_of(result)
    assert ("pkg-001", "bad") in outcomes(root / LEDGER_NAME)


def test_a_tag_manifest_that_cannot_be_read_accuses_nobody_of_another_bag(
    tmp_path: Path, capsys: Capture
) -> None:
    root = sealed(tmp_path / "out", 1)
    manifest = root / "pkg-000/tagmanifest-sha512.txt"
    manifest.unlink()
    os.mkfifo(manifest)
    assert "bag-ledger-differs" not in rules_of(verified(capsys, root)[1])


def test_a_plain_bag_that_nobody_sealed_is_good(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 1)
    plain_bag(root / "pkg-000")
    for _ in range(2):
        assert verified(capsys, root)[0] == 0


@pytest.mark.parametrize("kind", ["beside", "place", "archive"])
def test_what_was_found_good_and_is_another_package_now_is_told_once(
    kind: str, tmp_path: Path, capsys: Capture
) -> None:
    root = packages(tmp_path / "out", 2)
    ledger: tuple[str | Path, ...] = ()
    if kind == "place":
        (root / LEDGER_NAME).unlink()
        ledger = ("--ledger", tmp_path / "checks.jsonl")
    first, second = root / "pkg-000", root / "pkg-001"
    if kind == "archive":
        for one in (first, second):
            shutil.make_archive(str(one), "tar", root, one.name)
            shutil.rmtree(one)
        first, second = root / "pkg-000.tar", root / "pkg-001.tar"
    for _ in range(2):
        assert verified(capsys, root, *ledger)[0] == 0
    shutil.rmtree(first) if first.is_dir() else first.unlink()
    shutil.copytree(second, first) if second.is_dir() else shutil.copy(second, first)
    code, lines = said(capsys, root, *ledger, "--brief", "--no-ledger")
    assert code == 1 and "1 package is not the one found good there before; " in lines[0]
    code, result = verified(capsys, root, *ledger)
    renamed = ["bag-archive-file-name"] if kind == "archive" else []
    assert code == 1 and rules_of(result) == [*renamed, "bag-ledger-other-since"]
    assert rules_of(verified(capsys, root, *ledger)[1]) == renamed


def test_after_it_was_moved_another_may_take_its_place(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 2)
    assert verified(capsys, root)[0] == 0
    append(root / LEDGER_NAME, {"kind": "moved", "package": "pkg-000"})
    shutil.rmtree(root / "pkg-000")
    shutil.copytree(root / "pkg-001", root / "pkg-000")
    assert verified(capsys, root)[0] == 0


# --- bags without tag manifests ---


def bare_shelf(root: Path, kind: str) -> tuple[tuple[str | Path, ...], Path, Path]:
    """(options of the ledger, one plain bag, another), good as they stand."""
    packages(root, 2)
    ledger: tuple[str | Path, ...] = ()
    if kind == "place":
        (root / LEDGER_NAME).unlink()
        ledger = ("--ledger", root.parent / "checks.jsonl")
    first, second = plain_bag(root / "pkg-000"), plain_bag(root / "pkg-001")
    if kind == "archive":
        for one in (first, second):
            shutil.make_archive(str(one), "tar", root, one.name)
            shutil.rmtree(one)
        return ledger, root / "pkg-000.tar", root / "pkg-001.tar"
    return ledger, first, second


def replaced(first: Path, second: Path) -> None:
    shutil.rmtree(first) if first.is_dir() else first.unlink()
    shutil.copytree(second, first) if second.is_dir() else shutil.copy(second, first)


@pytest.mark.parametrize("due", [(), DUE])
@pytest.mark.parametrize("kind", ["beside", "place", "archive"])
def test_a_plain_bag_in_the_place_of_another_is_told_once(
    kind: str, due: tuple[str, ...], tmp_path: Path, capsys: Capture
) -> None:
    root = tmp_path / "out"
    ledger, first, second = bare_shelf(root, kind)
    for _ in range(2):
        assert verified(capsys, root, *ledger)[0] == 0
    replaced(first, second)
    code, lines = said(capsys, root, *ledger, *due, "--brief", "--no-ledger")
    assert code == 1 and "1 package is not the one found good there before; " in lines[0]
    code, result = verified(capsys, root, *ledger, *due)
    renamed = ["bag-archive-file-name"] if kind == "archive" else []
    assert code == 1 and rules_of(result) == [*renamed, "bag-ledger-other-since"]
    assert len(result["units"]) == (1 if due else 2)
    assert rules_of(verified(capsys, root, *ledger)[1]) == renamed


def test_a_line_holds_what_coreutils_say_of_the_payload_manifests(tmp_path: Path, capsys: Capture) -> None:
    """Judge: sha512sum of GNU coreutils."""
    root = packages(tmp_path / "out", 1)
    package = root / "pkg-000"
    assert verified(capsys, root)[0] == 0
    assert "manifests_sha512" not in list(read_entries(root / LEDGER_NAME))[-1], "its tag manifest names it"
    plain_bag(package)
    other = "".join(
        f"{hashlib.sha256(f.read_bytes()).hexdigest()}  {f.relative_to(package).as_posix()}\n"
        for f in sorted((package / "data").rglob("*"))
        if f.is_file()
    )
    (package / "manifest-sha256.txt").write_text(other)
    verified(capsys, root)
    line = list(read_entries(root / LEDGER_NAME))[-1]
    assert line["outcome"] == "good" and line["tagmanifest_sha512"] is None
    told = subprocess.run(
        "LC_ALL=C sha512sum manifest-*.txt | sha512sum",
        shell=True,
        cwd=package,
        capture_output=True,
        check=True,
    )
    assert line["manifests_sha512"] == told.stdout.decode().split()[0]
    assert validate("ledger-entry", line) == []


def test_a_plain_bag_that_got_tag_manifests_is_the_same(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 1)
    package = root / "pkg-000"
    kept = {file: file.read_bytes() for file in package.glob("tagmanifest-*.txt")}
    plain_bag(package)
    assert verified(capsys, root)[0] == 0
    for file, data in kept.items():
        file.write_bytes(data)
    assert verified(capsys, root)[0] == 0


def test_a_line_of_an_older_version_tells_nothing_of_a_plain_bag(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 1)
    plain_bag(root / "pkg-000")
    seen = str((root / "pkg-000").resolve())
    append(root / LEDGER_NAME, checked("pkg-000", "2031-05-01T10:00:00+00:00", seen_path=seen))
    assert verified(capsys, root)[0] == 0


# --- links ---


def linked(root: Path) -> Path:
    """pkg-001 is a link to pkg-000."""
    shutil.rmtree(root / "pkg-001")
    (root / "pkg-001").symlink_to("pkg-000")
    return root / "pkg-001"


def test_a_link_in_the_catalogue_is_missing_itself(tmp_path: Path, capsys: Capture) -> None:
    root = sealed(tmp_path / "out", 2)
    listed = catalogue(capsys, root)
    linked(root)
    code, result = verified(capsys, *listed)
    assert code == 10 and result["counts"] == {"good": 1, "bad": 0, "missing": 1, "could_not_check": 0}
    assert sorted(outcomes(root / LEDGER_NAME)) == [("pkg-000", "good"), ("pkg-001", "missing")]
    assert rules_of(result) == ["bag-none-here"]


def test_a_named_link_to_another_package_is_not_the_sealed_one(tmp_path: Path, capsys: Capture) -> None:
    root = sealed(tmp_path / "out", 2)
    link = linked(root)
    for paths in ([link], [root / "pkg-000", link]):
        code, result = verified(capsys, *paths)
        assert code == 10 and rules_of(result) == ["bag-ledger-link"]
    assert [one for one in outcomes(root / LEDGER_NAME) if one[0] == "pkg-000"] == [("pkg-000", "good")]
    assert ("pkg-001", "missing") in outcomes(root / LEDGER_NAME)


def test_a_link_to_where_the_sealed_package_went_is_good(tmp_path: Path, capsys: Capture) -> None:
    root = sealed(tmp_path / "out", 2)
    (root / "pkg-001").rename(tmp_path / "pkg-001")
    (root / "pkg-001").symlink_to(tmp_path / "pkg-001")
    assert verified(capsys, root / "pkg-001", "--no-ledger")[0] == 0


# --- what cannot be told, and what is not there ---


def test_a_server_that_does_not_answer_took_nothing_away(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "web", 3)
    ledger = ("--ledger", tmp_path / "checks.jsonl")
    with web_server(root, tmp_path / "log") as server:
        assert verified(capsys, server.url, *ledger)[0] == 0
        shutil.rmtree(root / "pkg-002")
        code, result = verified(capsys, server.url, *ledger)
        assert code == 1 and rules_of(result) == [RULE_MISSING]
        address = server.url
    code, result = verified(capsys, address, *ledger)
    assert code == 11 and RULE_MISSING not in rules_of(result)
    assert rules_of(result).count(RULE_UNTOLD) == 3
    code, lines = said(capsys, address, *ledger, "--brief")
    assert lines[0].startswith("provpack: whether 3 others are still there cannot be told; 1 of 1 ")


def test_a_plain_bag_at_an_address_does_not_vanish_unseen(tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "web", 2)
    for package in root.glob("pkg-*"):
        plain_bag(package)
    (root / LEDGER_NAME).unlink()
    where = ["--catalogue", str(tmp_path / "c.sqlite")]
    ledger = ("--ledger", tmp_path / "checks.jsonl")
    from provpack.cli.main import main

    with web_server(root, tmp_path / "log") as server:
        assert main(["catalogue", "rebuild", server.url, *where]) in (0, 1)
        night = ("--from-catalogue", *where, *ledger)
        assert verified(capsys, *night)[1]["counts"]["good"] == 2
        assert verified(capsys, *night, *DUE)[1]["units"] == []
        shutil.rmtree(root / "pkg-001")
        code, result = verified(capsys, *night, *DUE, "--no-ledger")
        assert (code, result["counts"]["missing"], len(result["units"])) == (10, 1, 1)
    code, result = verified(capsys, *night, *DUE, "--no-ledger")
    assert (code, result["counts"]["could_not_check"]) == (11, 2)


# --- shelves and ledgers ---


def test_a_shelf_at_a_new_path_still_misses_what_it_lost(tmp_path: Path, capsys: Capture) -> None:
    old, new = packages(tmp_path / "mb", 3), tmp_path / "mb2"
    assert verified(capsys, old)[0] == 0
    old.rename(new)
    assert verified(capsys, new, "--no-ledger")[0] == 0
    shutil.rmtree(new / "pkg-002")
    for _ in range(2):  # also once the others were met here
        code, result = verified(capsys, new)
        assert code == 1 and rules_of(result) == ["bag-ledger-not-all-here"]
        assert f"saw 3 packages in {old}; 2 of them are here" in result["findings"][0]["what"]
        assert result["findings"][0]["what"].endswith("Neither here nor there: pkg-002.")
    append(new / LEDGER_NAME, {"kind": "moved", "package": "pkg-002"})
    assert verified(capsys, new)[0] == 0


def test_a_part_copied_from_a_shelf_that_still_stands_misses_nothing(tmp_path: Path, capsys: Capture) -> None:
    old, new = packages(tmp_path / "mb", 3), tmp_path / "mb2"
    assert verified(capsys, old)[0] == 0
    shutil.copytree(old, new)
    shutil.rmtree(new / "pkg-002")
    assert verified(capsys, new)[0] == 0


@pytest.mark.parametrize("name", ["pkg-000", "pkg-000.tar"])
def test_what_is_known_by_its_place_can_be_entered_as_moved(
    name: str, tmp_path: Path, capsys: Capture
) -> None:
    root = packages(tmp_path / "tk", 2)
    for one in ("pkg-000", "pkg-001"):
        shutil.make_archive(str(root / one), "tar", root, one)
        shutil.rmtree(root / one)
    assert verified(capsys, root)[0] == 0
    (root / "pkg-000.tar").unlink()
    assert rules_of(verified(capsys, root)[1]) == [RULE_MISSING]
    append(root / LEDGER_NAME, {"kind": "moved", "package": name})
    assert verified(capsys, root)[0] == 0


def test_a_name_that_two_places_have_ends_neither(tmp_path: Path, capsys: Capture) -> None:
    ledger = tmp_path / "checks.jsonl"
    for shelf in ("a", "b"):
        (packages(tmp_path / "all" / shelf, 1) / LEDGER_NAME).unlink()
    assert verified(capsys, tmp_path / "all", "--ledger", ledger)[0] == 0
    shutil.rmtree(tmp_path / "all/a/pkg-000")
    append(ledger, {"kind": "moved", "package": "pkg-000"})
    assert rules_of(verified(capsys, tmp_path / "all", "--ledger", ledger)[1]) == [RULE_MISSING]


@pytest.mark.parametrize("kind", ["link", "folder", "special file"])
def test_a_ledger_that_is_no_file_is_not_passed_over(kind: str, tmp_path: Path, capsys: Capture) -> None:
    root = packages(tmp_path / "out", 2)
    ledger = root / LEDGER_NAME
    ledger.rename(tmp_path / "real.jsonl")
    if kind == "link":
        ledger.symlink_to(tmp_path / "real.jsonl")
    elif kind == "folder":
        ledger.mkdir()
    else:
        os.mkfifo(ledger)
    before = (tmp_path / "real.jsonl").read_bytes()
    code, result = verified(capsys, root)
    assert code == 1 and rules_of(result) == ["bag-ledger-broken", "bag-check-not-recorded"]
    assert result["ledgers"]["without_ledger"] == [] and kind in result["findings"][0]["what"]
    code, lines = said(capsys, root, "--brief")
    assert lines[0].startswith("provpack: NOT recorded in the ledger; ")
    assert not any("lies beside" in line for line in lines)
    assert (tmp_path / "real.jsonl").read_bytes() == before


@pytest.mark.parametrize("member", ["depth", "kind", "outcome", "package", "place", "seen_path", "at"])
@pytest.mark.parametrize("value", [["x"], {"x": 1}, 7, True])
def test_a_member_of_a_wrong_type_stops_no_night(
    member: str, value: object, tmp_path: Path, capsys: Capture
) -> None:
    root = packages(tmp_path / "out", 1)
    append(root / LEDGER_NAME, {**checked("pkg-000", "2031-05-06T09:00:00Z"), member: value})
    assert verified(capsys, root, *DUE, "--no-ledger")[0] in (0, 1)
    assert names(verified(capsys, root)[1]) == ["pkg-000"] and id_of(root / "pkg-000")
