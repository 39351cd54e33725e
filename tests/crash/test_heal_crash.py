"""Healing stopped anywhere: no package or a complete one, the copies untouched, and a second run completes
what is missing. (Counting stops; losing what was not synced; an error at any operation.)"""

from __future__ import annotations

import errno
import json
import random
from contextlib import suppress
from pathlib import Path

import pytest
from support.copies import NAME, Ledger, copied, make_package, run_heal, tree
from support.disks import LosingDisk, Meter, MeteredDisk, PowerCut, stopped

from provpack.edge.commit import PARTIAL_PREFIX, RealDisk
from provpack.edge.ledgerbirth import NEWBORN
from provpack.errors import EnvironmentProblem, ProvpackError
from provpack.jobs.healed import HealResult

RECORD = f"{NAME}.healing.json"


@pytest.fixture(scope="module")
def setting(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Path]]:
    """A package, and two copies of it of which neither is whole."""
    folder = tmp_path_factory.mktemp("setting")
    original = make_package(folder / NAME, blocks=4)
    copies = list(copied(original, folder, 2))
    (copies[0] / "READ-ME-FIRST.txt").write_bytes(b"gone")
    (copies[1] / "data/documents/log.txt").unlink()
    master = copies[1] / "data/master/tape-7.wav"
    master.write_bytes(master.read_bytes()[:900])
    return original, copies


def finish(copies: list[Path], destination: Path, lines: Ledger) -> HealResult:
    return run_heal(copies, destination, lines=lines)


def test_power_cut_at_every_operation(setting: tuple[Path, list[Path]], tmp_path: Path) -> None:
    original, copies = setting
    whole, before = tree(original), [tree(c) for c in copies]
    with stopped() as (disk, meter):
        assert run_heal(copies, tmp_path / "all", disk=disk).outcome == "healed"
    total = len(meter.log)
    assert total > 60
    outcomes = []
    for at in range(1, total + 1):
        destination, lines = tmp_path / f"out{at}", Ledger()
        with stopped(at=at) as (disk, _):
            run_heal(copies, destination, disk=disk, lines=lines)
        assert not lines.lines, "the line comes last"
        built = destination / NAME
        if built.exists():
            assert tree(built) == whole, f"half a package after a cut at operation {at}"
        leftover = destination.exists() and any(
            p.name.startswith(PARTIAL_PREFIX) for p in destination.iterdir()
        )
        again = finish(copies, destination, lines)
        outcomes.append(again.outcome)
        if again.outcome == "completed":
            assert "heal-completed" in {f.rule for f in again.findings} and again.exit_code == 1
        else:
            assert leftover == ("heal-leftover" in {f.rule for f in again.findings})
        assert tree(destination / NAME) == whole
        record = json.loads((destination / RECORD).read_bytes())
        assert record["package"] == NAME and len(lines.lines) == 1
        assert lines.lines[0]["document_sha512"] == again.document_sha512
        with pytest.raises(ProvpackError) as refused:
            finish(copies, destination, lines)
        assert refused.value.exit_code == 14
    assert [tree(c) for c in copies] == before
    # cuts after the package's rename: its folder's sync, the record's rename, the folder's sync
    assert outcomes == ["healed"] * (total - 3) + ["completed"] * 3


def test_what_was_changed_after_the_crash_is_not_vouched_for(
    setting: tuple[Path, list[Path]], tmp_path: Path
) -> None:
    _, copies = setting
    with stopped() as (disk, meter):
        run_heal(copies, tmp_path / "all", disk=disk)
    destination, lines = tmp_path / "out", Ledger()
    with stopped(at=len(meter.log) - 1) as (disk, _):
        run_heal(copies, destination, disk=disk, lines=lines)
    page = destination / NAME / "data/report/index.html"
    page.write_bytes(page.read_bytes().replace(b"<html>", b"<HTML>"))
    with pytest.raises(ProvpackError) as refused:
        finish(copies, destination, lines)
    assert refused.value.exit_code == 14 and not lines.lines and not (destination / RECORD).exists()


def test_what_is_finished_also_tells_of_a_ledger_that_was_never_born(
    setting: tuple[Path, list[Path]], tmp_path: Path
) -> None:
    """Killed while the ledger got its first line: the package stands, and beside it lies a staging folder."""
    _, copies = setting
    destination, lines = tmp_path / "out", Ledger()
    run_heal(copies, destination, lines=Ledger())
    (destination / f"{NEWBORN}0c5b569b").mkdir()
    again = finish(copies, destination, lines)
    assert again.outcome == "completed" and len(lines.lines) == 1
    (told,) = [f for f in again.findings if f.rule == "heal-leftover"]
    assert f"{NEWBORN}0c5b569b" in told.what


def test_full_disk_at_every_operation(setting: tuple[Path, list[Path]], tmp_path: Path) -> None:
    """An error is told, and our staging folder is taken away, or the package stands and is completed."""
    original, copies = setting
    with stopped() as (disk, meter):
        run_heal(copies, tmp_path / "all", disk=disk)
    for at in sorted({*range(3, len(meter.log), 5), len(meter.log) - 1, len(meter.log)}):
        destination, lines = tmp_path / f"out{at}", Ledger()
        with (
            stopped(at=at, error=OSError(errno.ENOSPC, "full")) as (disk, _),
            pytest.raises(EnvironmentProblem),
        ):
            run_heal(copies, destination, disk=disk, lines=lines)
        if not (destination / NAME).exists():
            assert list(destination.iterdir()) == []
        assert finish(copies, destination, lines).outcome in ("healed", "completed")
        assert tree(destination / NAME) == tree(original) and len(lines.lines) == 1


@pytest.mark.parametrize("seed", range(4))
def test_what_was_not_synced_may_be_lost(setting: tuple[Path, list[Path]], tmp_path: Path, seed: int) -> None:
    original, copies = setting
    dice = random.Random(seed)
    with stopped() as (disk, meter):
        run_heal(copies, tmp_path / "all", disk=disk)
    total = len(meter.log)
    for at in [*dice.sample(range(1, total), 10), total - 2, total - 1, total, total + 1]:
        root = tmp_path / "memory"
        memory = LosingDisk(root)
        with suppress(PowerCut):
            run_heal(copies, root / "out", disk=MeteredDisk(memory, Meter(at)))
        restored = tmp_path / f"restored-{at}"
        memory.after_power_cut(restored, dice)
        destination = restored / "out"
        if (destination / NAME).exists():
            assert tree(destination / NAME) == tree(original), f"half a package after operation {at}"
        lines = Ledger()
        with suppress(ProvpackError):
            finish(copies, destination, lines)
        assert tree(destination / NAME) == tree(original)


def test_who_comes_second_leaves_nothing(setting: tuple[Path, list[Path]], tmp_path: Path) -> None:
    """Two heal at once: at the rename the other's package stands there already."""
    original, copies = setting
    destination = tmp_path / "out"

    class Second(RealDisk):
        def rename(self, old: Path, new: Path) -> None:
            if new == destination / NAME and not new.exists():
                assert run_heal(copies, destination).outcome == "healed"
            super().rename(old, new)

    with pytest.raises(ProvpackError) as refused:
        run_heal(copies, destination, disk=Second())
    assert refused.value.exit_code == 14
    assert sorted(p.name for p in destination.iterdir()) == [NAME, RECORD], "nothing of it is left behind"
    assert tree(destination / NAME) == tree(original)
