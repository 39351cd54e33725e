"""What `heal` says: which copy gave what, what nothing had to be done about, and what is lost."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from support.copies import IDENTITY, MASTER, NAME, copied, hurt, make_package, run_heal

from provpack.jobs.healed import HealResult
from provpack.report.heal_text import heal_lines

LOG = "data/documents/log.txt"


@pytest.fixture
def copies(tmp_path: Path) -> list[Path]:
    original = make_package(tmp_path / "original" / NAME, blocks=6)
    return list(copied(original, tmp_path, 2))


def told(result: HealResult) -> str:
    return "\n".join(heal_lines(result))


def test_a_whole_copy_is_named_and_nothing_written(copies: list[Path], tmp_path: Path) -> None:
    hurt(copies[0] / LOG)
    said = told(run_heal(copies, tmp_path / "out"))
    assert "Copy 1: damaged" in said and "Copy 2: whole" in said
    assert f"Nothing needs healing and nothing was written: copy 2 is whole ({copies[1]})." in said
    assert "Built:" not in said


def test_what_was_joined_and_what_was_written_anew(copies: list[Path], tmp_path: Path) -> None:
    one, two = copies
    hurt(one / MASTER, 900)
    hurt(two / MASTER, 2000)
    hurt(one / "manifest-sha256.txt")
    hurt(two / "manifest-sha256.txt", 200)
    result = run_heal(copies, tmp_path / "out")
    said = told(result)
    assert f"Built: {tmp_path / 'out' / NAME}" in said and "Which copy gave what: " in said
    assert f"{MASTER} was joined from blocks:" in said
    for copy in (1, 2):
        assert f"from copy {copy} (" in said
    assert "  head from copy" in said and "  blocks " in said
    assert "manifest-sha256.txt was whole in no copy: written anew, and proven." in said
    assert (
        f"The package {NAME}: {result.identity} (nothing outside is known; it agrees with every file" in said
    )
    assert "No copy was changed." in said


def test_what_is_lost_is_told_block_by_block(copies: list[Path], tmp_path: Path) -> None:
    for copy in copies:
        for at in (20, 900, -10):
            data = bytearray((copy / MASTER).read_bytes())
            data[at] ^= 4
            (copy / MASTER).write_bytes(data)
        hurt(copy / LOG)
    result = run_heal(copies, tmp_path / "out")
    assert result.outcome not in ("healed", "completed", "nothing_to_heal")
    said = told(result)
    assert "Nothing was built: 2 of " in said and "files are lost." in said
    assert f"  {LOG}" in said and "    copy 1: " in said and "    copy 2: " in said
    assert "bytes before the audio are in no copy" in said and "bytes after the audio are in no copy" in said
    assert "1 of 6 blocks of the audio are in no copy" in said
    assert re.search(r"^    blocks (\d)-\1, frames \d+-\d+, 0:00:0", said, re.MULTILINE)
    assert "bytes are needed from elsewhere)" in said
    assert said.endswith("Another copy that has these, in whatever state, can be added to the command.")


def test_a_root_that_is_nowhere_leaves_the_package_unnamed(copies: list[Path], tmp_path: Path) -> None:
    for copy in copies:
        hurt(copy / IDENTITY, 20)
        (copy / "bag-info.txt").unlink()
    result = run_heal(copies, tmp_path / "out")
    said = told(result)
    assert result.identity is None and f"The package {NAME}" not in said
    assert f"  {IDENTITY}" in said and "files are lost." in said


def test_what_was_healed_before_is_told_without_its_copies(copies: list[Path], tmp_path: Path) -> None:
    result = run_heal([*copies], tmp_path / "out")
    done = replace(
        result, outcome="completed", assessment=None, package="/out/t", record="/out/t.healing.json"
    )
    assert list(heal_lines(done))[:2] == ["Built: /out/t", "Which copy gave what: /out/t.healing.json"]
    assert list(heal_lines(replace(done, outcome="lost"))) == []
