"""A master put together from several passes says so wherever a person looks first."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from provpack.package.describe import build_coding_rows
from provpack.package.readfirst import build_readfirst

CASE = Path(__file__).parents[2] / "cases" / "records" / "valid" / "case-03-several-passes.json"


def texts(record: dict[str, Any]) -> tuple[str, str]:
    """The text of the last coding-history row, and READ-ME-FIRST.txt."""
    rows = build_coding_rows(record, received=(), header_rate=44100, word_length=16, channels=2)
    return rows[-1].text, " ".join(build_readfirst(record, files=record["files"], audio=None).split())


def test_the_coding_history_and_the_read_me_name_the_assembly() -> None:
    record = json.loads(CASE.read_text(encoding="utf-8"))
    row, page = texts(record)
    numbers = sorted({part["pass_n"] for part in record["processing"]["assembly"]})
    assert "assembled bit for bit from passes" in row and all(f"{n} (chain" in row for n in numbers)
    assert "put together from several playings bit for bit" in page
    assert "exactly as it was read from the carrier" not in page


def test_a_master_of_one_pass_says_nothing_of_the_kind() -> None:
    record = json.loads(CASE.read_text(encoding="utf-8"))
    record["processing"]["assembly"] = []
    row, page = texts(record)
    assert "assembled" not in row and "exactly as it was read from the carrier" in page
