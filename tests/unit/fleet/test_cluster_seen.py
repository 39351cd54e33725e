"""A worker of a cluster on which the package's path holds something else than where the command runs has not
seen the package: that is could_not_check, with the worker's name, and never bad or missing."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from support.fleet import small_bags

from provpack.jobs import crewcluster
from provpack.jobs.crewcluster import _sent, check_on_worker
from provpack.jobs.unitcheck import CheckSpec
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify_find import find_units
from provpack.package import rules

SPEC = CheckSpec(depth="bytes", patience=5.0)


def bag(folder: Path, *, tags: bool = True) -> Path:
    small_bags(folder, 1)
    root = folder / "p00000"
    if not tags:
        for path in root.glob("tagmanifest-*.txt"):
            path.unlink()
    return root


def emptied(root: Path) -> None:
    shutil.rmtree(root)
    root.mkdir()


def without_tag_files(root: Path) -> None:
    for path in root.glob("*.txt"):
        path.unlink()


def other_package(root: Path) -> None:
    shutil.rmtree(root)
    small_bags(root.parent, 2)
    shutil.rmtree(root)
    (root.parent / "p00001").rename(root)


def gone(root: Path) -> None:
    shutil.rmtree(root)


def on_worker(root: Path, change: Callable[[Path], None]) -> UnitResult:
    """The path is sent from here as it is, and holds something else when the worker looks."""
    ((_, sent),) = _sent(enumerate(find_units([root])[0]))
    change(root)
    return check_on_worker("run", SPEC, sent, "worker blue, tcp://10.0.0.7:4000")


@pytest.mark.parametrize("tags", [True, False])
@pytest.mark.parametrize("change", [emptied, without_tag_files, other_package, gone])
def test_what_is_not_seen_there_is_neither_bad_nor_missing(
    change: Callable[[Path], None], tags: bool, tmp_path: Path
) -> None:
    unit = on_worker(bag(tmp_path / "srv", tags=tags), change)
    assert unit.outcome == "could_not_check"
    (finding,) = unit.findings
    assert finding.rule == rules.NOT_SEEN.id
    assert str(tmp_path) in finding.what and finding.what.endswith("on worker blue, tcp://10.0.0.7:4000.")


def test_the_same_package_is_checked_and_its_damage_told(tmp_path: Path) -> None:
    def hurt(root: Path) -> None:
        file = next(path for path in (root / "data").rglob("*") if path.is_file())
        file.write_bytes(b"\xff" * file.stat().st_size)

    assert on_worker(bag(tmp_path / "a"), lambda _root: None).outcome == "good"
    assert on_worker(bag(tmp_path / "b"), hurt).outcome == "bad"
    assert on_worker(bag(tmp_path / "c", tags=False), hurt).outcome == "bad"


def test_a_bag_damaged_in_its_tag_files_is_bad_there_too(tmp_path: Path) -> None:
    root = bag(tmp_path)
    (root / "bagit.txt").unlink()
    (root / "tagmanifest-sha512.txt").write_text("nonsense")
    assert on_worker(root, lambda _root: None).outcome == "bad"


def test_an_archive_is_compared_too(tmp_path: Path) -> None:
    root = bag(tmp_path / "srv")
    archive = Path(shutil.make_archive(str(tmp_path / "p00000"), "tar", root.parent, root.name))

    def other(path: Path) -> None:
        path.write_bytes(path.read_bytes() + b"\0" * 512)

    assert on_worker(archive, lambda _root: None).outcome == "good"
    unit = on_worker(archive, other)
    assert [f.rule for f in unit.findings] == [rules.NOT_SEEN.id]


def test_what_cannot_be_told_here_is_not_compared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = bag(tmp_path)
    monkeypatch.setattr(crewcluster, "_ANSWER", 0.1)
    monkeypatch.setattr(crewcluster, "_marks", lambda _path: time.sleep(1))
    ((_, sent),) = _sent(enumerate(find_units([root])[0]))
    assert sent[2] is None
    assert check_on_worker("run", SPEC, sent, "worker blue").outcome == "good"
