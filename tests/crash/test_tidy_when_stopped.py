"""A signal at the moments that random trials met: whatever was begun is taken away, also where the taking
away itself was interrupted. What must stay, stays."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import run
from support.copies import NAME, copied, make_package
from support.handover import studio

from provpack.edge.commit import PARTIAL_PREFIX, RealDisk
from provpack.jobs.newfile import NewFile


def left_in(folder: Path) -> list[str]:
    return [one.name for one in folder.iterdir() if one.name.startswith(PARTIAL_PREFIX)]


def stopping(real: Callable[..., Any], at: int, *, after: bool) -> Callable[..., Any]:
    """The same, but a signal comes in call number `at`: before it is done, or just after."""
    calls = 0

    def call(*words: Any, **named: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == at and not after:
            raise KeyboardInterrupt
        done = real(*words, **named)
        if calls == at:
            raise KeyboardInterrupt
        return done

    return call


def test_what_is_being_taken_away_is_gone_before_the_signal_is_obeyed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage = tmp_path / f"{PARTIAL_PREFIX}x"
    stage.mkdir()
    (stage / "a").touch()
    monkeypatch.setattr(shutil, "rmtree", stopping(shutil.rmtree, 1, after=False))
    with pytest.raises(KeyboardInterrupt):
        RealDisk().discard(stage)
    assert left_in(tmp_path) == []


@pytest.mark.parametrize("moment", ["expect", "_sizes", "read_papers", "_check"])
def test_receive(moment: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shelf = studio(tmp_path / "studio", ids=("T01",), frames=3000)
    assert run("deliver", shelf, "--to", tmp_path / "to", "--name", "d1").code in (0, 1)
    (tmp_path / "mine").mkdir()
    name = f"provpack.jobs.receive.{moment}"
    from provpack.jobs import receive

    monkeypatch.setattr(name, stopping(getattr(receive, moment), 1, after=False))
    assert run("receive", tmp_path / "to/d1", "--to", tmp_path / "mine").code == 130
    assert list((tmp_path / "mine").iterdir()) == []


@pytest.mark.parametrize(
    ("act", "at", "after", "left"),
    [
        ("rename", 1, False, 0), ("rename", 1, True, 1), ("rename", 2, False, 1), ("rename", 2, True, 0),
        ("discard", 1, False, 0), ("discard", 1, True, 0),
    ],
)  # fmt: skip
def test_heal(
    act: str, at: int, after: bool, left: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """rename 1 puts the package in place, rename 2 its record: between them the record waits."""
    original = make_package(tmp_path / "original" / NAME, blocks=20)
    copies = list(copied(original, tmp_path, 2))
    (copies[0] / "READ-ME-FIRST.txt").write_bytes(b"gone")
    (copies[1] / "data/documents/log.txt").unlink()
    with monkeypatch.context() as patch:
        patch.setattr(RealDisk, act, stopping(getattr(RealDisk, act), at, after=after))
        assert run("heal", *copies, "--to", tmp_path / "out").code == 130
    assert len(left_in(tmp_path / "out")) == left
    again = run("heal", *copies, "--to", tmp_path / "out")
    there = {one.name for one in (tmp_path / "out").iterdir()}
    assert (
        again.code in (0, 1, 14)
        and {NAME, f"{NAME}.healing.json"} <= there
        and left_in(tmp_path / "out") == []
    )


@pytest.mark.parametrize(
    ("act", "after", "left"),
    [("rename", False, 1), ("rename", True, 0), ("discard", False, 0), ("sync_folder", True, 0)],
)
def test_heal_that_completes_an_earlier_run(
    act: str, after: bool, left: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The package is in place, its record waits: where the record is still the only one, it stays."""
    original = make_package(tmp_path / "original" / NAME, blocks=20)
    copies = list(copied(original, tmp_path, 2))
    (copies[0] / "READ-ME-FIRST.txt").write_bytes(b"gone")
    (copies[1] / "data/documents/log.txt").unlink()
    for which, when in (("rename", True), (act, after)):
        with monkeypatch.context() as patch:
            patch.setattr(RealDisk, which, stopping(getattr(RealDisk, which), 1, after=when))
            assert run("heal", *copies, "--to", tmp_path / "out").code == 130
    assert len(left_in(tmp_path / "out")) == left
    assert run("heal", *copies, "--to", tmp_path / "out").code in (0, 1)
    assert (tmp_path / "out" / f"{NAME}.healing.json").exists() and left_in(tmp_path / "out") == []


def test_a_new_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(RealDisk, "make_folder", stopping(RealDisk.make_folder, 1, after=True))
    with pytest.raises(KeyboardInterrupt):
        NewFile(target=tmp_path / "page", disk=RealDisk(), mark="m", option="--page").write(["x"])
    assert list(tmp_path.iterdir()) == []
