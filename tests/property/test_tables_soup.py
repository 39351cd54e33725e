"""Whatever stands in a sheet, reading it gives a table and findings, never an exception."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from provpack.edge.schemas import validate
from provpack.edge.tables import read_table
from provpack.edge.tomlfile import read_toml
from provpack.jobs.cells import read_cell
from provpack.jobs.check import check_job
from provpack.jobs.columns import Column
from provpack.jobs.load import build_record_draft, load_job
from provpack.jobs.progress import Silent
from provpack.jobs.sheetfields import sheet_fields

COLUMNS = sorted(sheet_fields().transfer)
HORRORS = st.sampled_from(
    (Path(__file__).parents[1] / "cases" / "sheets" / "horrors.txt").read_text(encoding="utf-8").splitlines()
)
CELLS = st.one_of(HORRORS, st.text(max_size=30))


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes(data: bytes) -> None:
    table = read_table(data, "x.csv", known=COLUMNS)
    assert all(set(row.cells) <= set(COLUMNS) for row in table.rows)
    document, findings = read_toml(data, "x.toml")
    assert document is not None or findings
    json.dumps(document, allow_nan=False)


@settings(max_examples=400, deadline=None)
@given(st.sampled_from(COLUMNS), CELLS)
def test_any_cell(name: str, text: str) -> None:
    column: Column = sheet_fields().transfer[name]
    reading = read_cell(column, text)
    json.dumps(reading.value if not reading.faults else None, allow_nan=False)
    assert all(fault.what for fault in reading.faults)


def judged(folder: Path) -> None:
    """Everything the program does with a job folder before it writes anything."""
    job = load_job(folder)
    for transfer in job.transfers:
        json.dumps(build_record_draft(job, transfer, record_id="id"), allow_nan=False)
    result = check_job(folder, now=datetime(2031, 7, 1, tzinfo=UTC), progress=Silent(), validate=validate)
    json.dumps(result.as_json(), allow_nan=False)


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.sampled_from(COLUMNS), min_size=1, max_size=8),
    st.lists(st.lists(CELLS, max_size=9), max_size=4),
)
def test_any_sheet(
    tmp_path_factory: pytest.TempPathFactory, header: list[str], rows: list[list[str]]
) -> None:
    folder = tmp_path_factory.mktemp("soup")
    lines = [header, *rows]
    text = "\n".join(";".join('"' + cell.replace('"', '""') + '"' for cell in line) for line in lines)
    (folder / "job.toml").write_text('job_id = "J"\n[[chain]]\nid = "A"\n', encoding="utf-8")
    (folder / "transfers.csv").write_text(text, encoding="utf-8", errors="replace", newline="")
    (folder / "passes.csv").write_text(text, encoding="utf-8", errors="replace", newline="")
    judged(folder)


def inline(value: object) -> str:
    """A JSON value as TOML."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {inline(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(inline(v) for v in value) + "]"
    return json.dumps(value)


FIELDS = sheet_fields()
ENTRY_KEYS = sorted({k for c in (*FIELDS.transfer.values(), *FIELDS.equipment.values()) for k in c.fields})
SCALARS = st.one_of(
    HORRORS, st.booleans(), st.integers(-5, 2**53), st.floats(-9, 9), st.text("ab\u00e9", max_size=4)
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(ENTRY_KEYS), inner, max_size=4)
    ),
    max_leaves=6,
)


def documents(keys: list[str]) -> st.SearchStrategy[dict[str, object]]:
    """Documents with these keys and anything at all in them."""
    tables = st.dictionaries(st.sampled_from(keys), VALUES, max_size=6)
    return st.fixed_dictionaries({}, optional={k: st.one_of(VALUES, tables, st.lists(tables)) for k in TOP})


TOP = ["job_id", "client", "defaults", "chain", "transfer", "custody_events", "documents", "equipment"]


@settings(max_examples=80, deadline=None)
@given(documents([*COLUMNS, "id"]), documents(sorted(FIELDS.equipment)))
def test_any_toml(
    tmp_path_factory: pytest.TempPathFactory, job: dict[str, object], register: dict[str, object]
) -> None:
    folder = tmp_path_factory.mktemp("soup")
    job.pop("equipment", None)
    for name, document in (("job.toml", job), ("equipment.toml", register)):
        text = "\n".join(f"{key} = {inline(value)}" for key, value in document.items())
        (folder / name).write_text(text, encoding="utf-8", errors="replace")
    judged(folder)
