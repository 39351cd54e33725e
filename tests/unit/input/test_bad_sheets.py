"""Every bad job of tests/cases/sheets/bad-input.json gets exactly the findings listed there.

A case spoils the clean job of tests/cases/sheets/base: `rows` sets cells by spreadsheet row, `text` replaces
text in a sheet, `files` writes sheets, `remove` deletes them.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from unit.input.jobs_made import BASE, checked, edit_rows, make_job, replace_text, told

CASES: list[dict[str, Any]] = json.loads((BASE.parent / "bad-input.json").read_text(encoding="utf-8"))


def test_there_are_enough_cases() -> None:
    assert len({case["name"] for case in CASES}) == len(CASES) >= 60


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_bad_input(case: dict[str, Any], tmp_path: Path) -> None:
    folder = make_job(tmp_path / "job")
    replace_text(folder, case.get("text", []))
    if "rows" in case:
        edit_rows(folder, case["rows"])
    for name, text in case.get("files", {}).items():
        (folder / name).write_text(text, encoding="utf-8")
    for name in case.get("remove", []):
        (folder / name).unlink()
    result = checked(folder)
    assert told(result) == case["expect"]
    for finding in result.findings:
        assert finding.what and finding.where and finding.todo
        assert finding.position.get("file"), finding


def test_a_pass_without_a_time_is_told(tmp_path: Path) -> None:
    """Domain note 5 step 8: crossed files can only be found where the clock was read."""
    folder = make_job(tmp_path / "job")
    edit_rows(folder, {"2": {"started_at": "", "stopped_at": ""}})
    assert "row-pass-untimed" in told(checked(folder))
