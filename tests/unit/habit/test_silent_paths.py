"""A path that does not answer is told, and keeps the run from nothing else."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from support.bagmaking import seal

from provpack.jobs import reverify, silence
from provpack.jobs.fleet import local_crew
from provpack.jobs.progress import Silent
from provpack.jobs.unitcheck import CheckSpec


def now() -> datetime:
    return datetime(2031, 5, 5, tzinfo=UTC)


@pytest.mark.parametrize("alone", [True, False])
def test_a_silent_path_is_could_not_check_and_the_rest_is_read(
    alone: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "there/data").mkdir(parents=True)
    (tmp_path / "there/data/a.txt").write_bytes(b"a")
    seal(tmp_path / "there")
    dead = tmp_path / "dead"
    monkeypatch.setattr(silence, "answers", lambda path, _seconds: path != dead)
    monkeypatch.setattr(
        reverify, "find_units", lambda paths, find=reverify.find_units: _not_the_dead(paths, dead, find)
    )
    request = reverify.Request(
        paths=(dead,) if alone else (dead, tmp_path / "there"), spec=CheckSpec(depth="bytes")
    )
    result, selection = reverify.reverify(request, local_crew(1), progress=Silent(), clock=now)
    outcomes = [unit.outcome for unit in result.units]
    assert outcomes == (["could_not_check"] if alone else ["could_not_check", "good"])
    assert result.units[0].findings[0].rule == "bag-check-hung"
    assert selection.known == (0 if alone else 1)


def _not_the_dead(paths: list[Path], dead: Path, find: Any) -> Any:
    assert dead not in paths
    return find(paths)
