"""Three packages of an invented job with their custody ledger, made once; tests work on copies."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from support.jobs import make_job

from provpack.cli.main import main

IDS = ("T01", "T02", "T03")


@pytest.fixture(scope="session")
def sealed_shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A destination as `wrap` leaves it; never changed."""
    folder = tmp_path_factory.mktemp("harvest")
    job = make_job(folder / "job", ids=IDS, frames=4000)
    assert main(["wrap", str(job), "--to", str(folder / "shelf")]) in (0, 1)
    return folder / "shelf"


@pytest.fixture
def shelf(sealed_shelf: Path, tmp_path: Path) -> Path:
    """A copy that the test may spoil."""
    return Path(shutil.copytree(sealed_shelf, tmp_path / "shelf"))


@pytest.fixture(scope="session")
def sealed_record(sealed_shelf: Path) -> dict[str, Any]:
    """The record of the first package."""
    path = sealed_shelf / "job-1_t01" / "data" / "metadata" / "record.json"
    record: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return record
