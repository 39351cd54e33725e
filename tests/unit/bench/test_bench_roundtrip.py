"""Every field of every place: stated by a line of the log, it is what it would be stated by a sheet."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest
from support.benchsheets import columns_of, declare, sample, told, write_job

from provpack.jobs.load import load_job
from provpack.jobs.sheetfields import NOT_IN_CELLS

SCOPES = ("job", "defaults", "chain", "transfer", "equipment")
IDS = {"chain": ("id", "A"), "transfer": ("transfer_id", "T1"), "equipment": ("id", "E1")}
FIELDS = [(scope, name) for scope in SCOPES for name in columns_of(scope)]


def value_of(scope: str, name: str) -> Any:
    if (scope, name) == ("job", "equipment"):
        return "equipment.toml"
    if name == "chain":
        return "A"
    if scope in IDS and name == IDS[scope][0]:
        return IDS[scope][1]
    return sample(columns_of(scope)[name])


def places(scope: str, name: str, given: bool) -> dict[str, list[dict[str, Any]]]:
    """A job whose sheets give the field, or do not; without its id a thing is in no sheet."""
    out: dict[str, list[dict[str, Any]]] = {
        "job": [{"job_id": "J1", "client": "C", "transfer_organisation": "O"}], "defaults": [{}],
        **{of: [{key: value}] for of, (key, value) in IDS.items()},
    }  # fmt: skip
    if given:
        out[scope][0][name] = value_of(scope, name)
    elif scope in IDS and name == IDS[scope][0]:
        out[scope] = []
    else:
        out[scope][0].pop(name, None)
    return out


def test_there_are_fields_to_test() -> None:
    assert len(FIELDS) > 240
    assert {scope for scope, _ in FIELDS} == set(SCOPES)


@pytest.mark.parametrize(("scope", "name"), FIELDS)
def test_a_line_says_what_a_sheet_would(tmp_path: Path, scope: str, name: str) -> None:
    by_sheet = write_job(tmp_path / "sheet" / "job", places(scope, name, True))
    by_log = write_job(tmp_path / "log" / "job", places(scope, name, False))
    declare(by_log, scope, IDS[scope][1] if scope in IDS else None, name, value_of(scope, name))
    wanted, got = load_job(by_sheet), load_job(by_log)
    assert told(got) == told(wanted)
    assert told(got) != told(load_job(write_job(tmp_path / "neither", places(scope, name, False))))
    assert not [f for f in got.all_findings() if f.rule in ("job-key-type", "job-key-unknown")]


@pytest.mark.parametrize(("scope", "name"), [(s, n) for s, n in FIELDS if s not in IDS or n != IDS[s][0]])
def test_a_value_of_a_sheet_taken_away_is_absent(tmp_path: Path, scope: str, name: str) -> None:
    with_it = write_job(tmp_path / "with" / "job", places(scope, name, True))
    without = write_job(tmp_path / "without" / "job", places(scope, name, False))
    was = value_of(scope, name)
    declare(with_it, scope, IDS[scope][1] if scope in IDS else None, name, None, was)
    assert told(load_job(with_it)) == told(load_job(without))


def cell(value: Any) -> str:
    if isinstance(value, dict):
        return f"{value['num']}/{value['den']}"
    if isinstance(value, list):
        return "|".join(cell(part) for part in value)
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


@pytest.mark.parametrize(
    "name",
    [
        name
        for name, column in columns_of("transfer").items()
        if column.kind != "table" and name not in (*NOT_IN_CELLS, "transfer_id")
    ],
)
def test_a_line_says_what_a_cell_of_a_spreadsheet_would(tmp_path: Path, name: str) -> None:
    jobs = []
    for way in ("sheet", "log"):
        base = places("transfer", "title", False)
        base["transfer"] = []
        folder = write_job(tmp_path / way / "job", base)
        row = {"transfer_id": "T1"} | ({name: cell(value_of("transfer", name))} if way == "sheet" else {})
        with (folder / "transfers.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([list(row), list(row.values())])
        if way == "log":
            declare(folder, "transfer", "T1", name, value_of("transfer", name))
        jobs.append(load_job(folder))
    assert told(jobs[1]) == told(jobs[0])
    assert jobs[1].transfers[0].origin_of(name).file == "bench-log.jsonl"


@pytest.mark.parametrize(
    "name", [name for name, column in columns_of("transfer").items() if column.kind == "table"]
)
def test_a_line_beats_the_companion_sheet_it_saw(tmp_path: Path, name: str) -> None:
    """The list stands in a sheet of its own; the log states the same list with one entry more."""
    column = columns_of("transfer")[name]
    simple = {k: v for k, v in column.fields.items() if v.kind not in ("table", "object")}
    entry = {k: sample(v) for k, v in simple.items()}
    folder = write_job(tmp_path / "job", places("transfer", "title", False))
    with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
        rows = [["transfer_id", *entry], ["T1", *(cell(part) for part in entry.values())]]
        csv.writer(file).writerows(rows)
    before = load_job(folder).transfers[0]
    assert len(before.values[name]) == 1
    declare(folder, "transfer", "T1", name, [entry, entry], [entry])
    after = load_job(folder).transfers[0]
    assert {f.rule for f in after.findings} == {f.rule for f in before.findings}
    assert after.values[name] == [*before.values[name], *before.values[name]]
