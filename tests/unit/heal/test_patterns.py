"""Random damage, in two copies and in three: healed exactly when everything survives somewhere, else nothing
is built and the loss is told exactly. The oracle (support/copies.py) searches the original's bytes by itself;
second opinions on what was built: diff and sha512sum of GNU diffutils and coreutils, the bagit library."""

from __future__ import annotations

import random
import subprocess
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from support.copies import (
    BLOCKS,
    MASTER,
    NAME,
    OTHER_ROOT,
    Oracle,
    copied,
    damage,
    look,
    make_package,
    run_heal,
    tree,
)

from provpack.jobs.healed import HealResult, losses

SEEDS_PER_BATCH = 25
BATCHES = 8


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_package(tmp_path_factory.mktemp("original") / NAME)


def second_opinions(built: Path, original: Path, tool: Callable[[str], str]) -> None:
    import bagit

    subprocess.run([tool("diff"), "-r", built, original], check=True, timeout=60)
    for name in ("manifest-sha512.txt", "manifest-sha256.txt", "tagmanifest-sha512.txt"):
        program = tool("sha256sum" if "256" in name else "sha512sum")
        subprocess.run([program, "--quiet", "-c", name], cwd=built, check=True, timeout=60)
    assert bagit.Bag(str(built)).validate()


def same_loss(result: HealResult, expected: Oracle) -> None:
    assert result.assessment is not None
    told = {one["path"]: one for one in losses(result.assessment)}
    if not expected.exact:  # which files there should be is itself lost in part
        assert expected.lost - {OTHER_ROOT} <= set(told) | {MASTER}, (expected, set(told))
        return
    assert set(told) == expected.lost
    if MASTER in told and BLOCKS not in told:
        master = told[MASTER]["master"]
        gone = [n for r in master["ranges"] for n in range(r["first_block"], r["last_block"] + 1)]
        assert tuple(gone) == expected.blocks and master["lost_blocks"] == len(gone)
        assert (master["head_lost"], master["tail_lost"]) == (expected.head, expected.tail)


def one_pattern(
    seed: int, original: Path, folder: Path, many: int, tool: Callable[[str], str], worst: int = 6
) -> str:
    dice = random.Random(seed)
    copies = list(copied(original, folder, many))
    for copy in copies:
        damage(dice, copy, dice.randint(1, worst))
    before = [tree(copy) for copy in copies]
    expected = look(tree(original), before)
    result = run_heal(copies, folder / "healed")
    assert [tree(copy) for copy in copies] == before, "a copy was written to"
    built = folder / "healed" / NAME
    if any(t == tree(original) for t in before):
        assert result.outcome == "nothing_to_heal" and not built.exists()
    elif expected.healable:
        assert result.outcome == "healed", (seed, losses(result.assessment))  # type: ignore[arg-type]
        second_opinions(built, original, tool)
    else:
        assert result.outcome == "lost" and result.exit_code == 10, (seed, expected.lost)
        assert not (folder / "healed").exists()
        same_loss(result, expected)
    return result.outcome


@pytest.mark.parametrize("batch", range(BATCHES))
def test_two_copies(batch: int, original: Path, tmp_path: Path, tool: Callable[[str], str]) -> None:
    counted: Counter[str] = Counter()
    for seed in range(batch * SEEDS_PER_BATCH, (batch + 1) * SEEDS_PER_BATCH):
        counted[one_pattern(seed, original, tmp_path / str(seed), 2, tool)] += 1
    assert counted["healed"] >= 5 and counted["lost"] >= 2, counted


def test_three_copies(original: Path, tmp_path: Path, tool: Callable[[str], str]) -> None:
    counted: Counter[str] = Counter()
    for seed in range(1000, 1040):
        counted[one_pattern(seed, original, tmp_path / str(seed), 3, tool, worst=9)] += 1
    assert counted["healed"] >= 10 and counted["lost"] >= 3, counted
