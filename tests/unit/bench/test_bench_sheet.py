"""The log over the sheets: new things, conflicts, bad values, and where everything stands."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from support.benchsheets import clock, declare, log, write_job

from provpack.edge.benchlog import read
from provpack.findings import Finding
from provpack.jobs.load import load_job
from provpack.jobs.loaded import LoadedJob
from provpack.package.benchfold import fold


def job(folder: Path, **more: Any) -> Path:
    places: dict[str, list[dict[str, Any]]] = {
        "job": [{"job_id": "J1", "client": "C", "transfer_organisation": "O"}],
        "defaults": [{"operator": "Ilse Varrow"}],
        "chain": [{"id": "A", "deck_id": "E1"}],
        "transfer": [{"transfer_id": "T1", "chain": "A", "title": "Evening"}],
        "equipment": [{"id": "E1", "kind": "deck", "make_model": "Velkora B-70", "serial": "1"}],
    }
    for name, tables in more.items():
        places[name] = tables
    return write_job(folder / "job", places)


def of_rule(loaded: LoadedJob, rule: str) -> list[Finding]:
    return [f for f in loaded.all_findings() if f.rule == rule]


def test_without_a_log_nothing_is_read_or_said(tmp_path: Path) -> None:
    loaded = load_job(job(tmp_path))
    assert loaded.bench.n == 0
    assert "bench-log.jsonl" not in loaded.sheets


def test_the_log_is_one_of_the_sheets_with_its_digest(tmp_path: Path) -> None:
    folder = job(tmp_path)
    log(folder, "taken_in", transfer_id="T1")
    loaded = load_job(folder)
    data = (folder / "bench-log.jsonl").read_bytes()
    sheet = next(s for s in loaded.declared_in if s.path == "bench-log.jsonl")
    assert (sheet.sha256, sheet.bytes) == (hashlib.sha256(data).hexdigest(), len(data))
    assert "bench-log.jsonl" in loaded.files
    assert loaded.bench.transfers["T1"].n == 1


def test_a_log_that_was_folded_before_is_taken_only_while_it_is_the_same(tmp_path: Path) -> None:
    folder = job(tmp_path)
    log(folder, "taken_in", transfer_id="T1")
    path = folder / "bench-log.jsonl"
    first = read(path)
    folded = first.head, fold(first.entries)
    again = load_job(folder, folded)
    assert again.bench is folded[1]
    assert again == load_job(folder)
    declare(folder, "transfer", "T1", "title", "Evening concert", "Evening")
    assert load_job(folder, folded).transfers[0].values["title"] == "Evening concert"
    path.unlink()
    log(folder, "taken_in", transfer_id="T2")  # as many lines, and others
    assert list(load_job(folder, folded).bench.transfers) == ["T2"]


def test_a_value_has_its_line_as_its_place(tmp_path: Path) -> None:
    folder = job(tmp_path)
    log(folder, "taken_in", transfer_id="T1")
    line = declare(folder, "transfer", "T1", "title", "Evening concert", "Evening")
    loaded = load_job(folder)
    place = loaded.transfers[0].origin_of("title")
    assert (place.level, place.file, place.row, place.column) == ("row", "bench-log.jsonl", line, "title")
    assert loaded.transfers[0].values["title"] == "Evening concert"
    assert not of_rule(loaded, "row-two-values")


def test_a_bad_value_is_a_finding_at_its_line(tmp_path: Path) -> None:
    folder = job(tmp_path)
    declare(folder, "transfer", "T1", "tape_emphasis", "perhaps")
    line = declare(folder, "transfer", "T1", "no_such_field", "x")
    loaded = load_job(folder)
    (found,) = of_rule(loaded, "row-vocabulary")
    assert found.position == {"file": "bench-log.jsonl", "row": 1, "column": "tape_emphasis"}
    assert "tape_emphasis" in loaded.transfers[0].refused
    assert of_rule(loaded, "job-key-unknown")[0].position["row"] == line


def test_a_transfer_chain_and_machine_that_only_the_log_knows(tmp_path: Path) -> None:
    folder = job(tmp_path)
    declare(folder, "chain", "B", "deck_id", "E2")
    declare(folder, "chain", "B", "capture_files", "captures/2/*.wav")
    declare(folder, "equipment", "E2", "kind", "deck")
    declare(folder, "equipment", "E2", "serial", "2")
    first = log(folder, "taken_in", transfer_id="T2")
    declare(folder, "transfer", "T2", "chain", "B")
    loaded = load_job(folder)
    assert [t.transfer_id for t in loaded.transfers] == ["T1", "T2"]
    new = loaded.transfers[1]
    assert (new.origin.file, new.origin.row) == ("bench-log.jsonl", first)
    assert new.values["deck_id"] == "E2"
    assert "capture_files" not in new.values
    assert loaded.chains["B"] == {"id": "B", "deck_id": "E2", "capture_files": "captures/2/*.wav"}
    assert (loaded.equipment["E2"].serial, loaded.equipment["E2"].origin.row) == ("2", 3)


def test_the_log_lies_over_the_register_and_leaves_the_rest_of_the_entry(tmp_path: Path) -> None:
    folder = job(tmp_path)
    services = [{"at": "2031-05-01", "what": "heads cleaned"}]
    declare(folder, "equipment", "E1", "service_log", services)
    item = load_job(folder).equipment["E1"]
    assert (item.make_model, item.services) == ("Velkora B-70", ("2031-05-01",))
    assert item.origin.file == "equipment.toml"


def test_what_nobody_saw_in_a_sheet_is_a_conflict_that_says_everything(tmp_path: Path) -> None:
    folder = job(tmp_path)
    log(folder, "taken_in", transfer_id="T1")
    declare(folder, "transfer", "T1", "title", "Evening concert", "Evening", at=clock(192))
    path = folder / "job.toml"
    path.write_text(path.read_text().replace('"Evening"', '"Morning"'))
    (found,) = of_rule(load_job(folder), "row-two-values")
    assert found.severity == "error"
    for part in ("Morning", "Evening concert", "'Evening'", "Ilse Varrow", clock(192), "line 2", "job.toml"):
        assert part in found.what
    path.write_text(path.read_text().replace('"Morning"', '"Evening concert"'))
    assert not of_rule(load_job(folder), "row-two-values")


def test_a_value_taken_out_of_the_sheet_since_is_a_conflict_too(tmp_path: Path) -> None:
    folder = job(tmp_path)
    declare(folder, "transfer", "T1", "title", "Evening concert", "Evening")
    path = folder / "job.toml"
    path.write_text(path.read_text().replace('title = "Evening"\n', ""))
    (found,) = of_rule(load_job(folder), "row-two-values")
    assert "stands in no sheet any more" in found.what


def test_conflicts_in_every_other_place(tmp_path: Path) -> None:
    folder = job(tmp_path)
    declare(folder, "job", None, "client", "D", "nobody")
    declare(folder, "defaults", None, "operator", "Bo Tarn", "nobody")
    declare(folder, "chain", "A", "deck_id", "E2", "nobody")
    declare(folder, "equipment", "E1", "serial", "2", "nobody")
    found = of_rule(load_job(folder), "row-two-values")
    assert sorted(f.what.split(" ")[0] for f in found) == ["'client'", "'deck_id'", "'operator'", "'serial'"]


def test_a_line_taken_back_leaves_no_conflict_behind(tmp_path: Path) -> None:
    """Line 1 saw the sheet, line 2 saw line 1; with line 1 gone, line 2 still follows from the sheet."""
    folder = job(tmp_path)
    first = declare(folder, "transfer", "T1", "title", "Evening concert", "Evening")
    declare(folder, "transfer", "T1", "title", "Night concert", "Evening concert")
    log(folder, "taken_back", entry=first)
    loaded = load_job(folder)
    assert loaded.transfers[0].values["title"] == "Night concert"
    assert not of_rule(loaded, "row-two-values")


def test_another_identifier_for_what_has_one_is_an_error(tmp_path: Path) -> None:
    folder = job(tmp_path)
    declare(folder, "transfer", "T1", "transfer_id", "T9", "T1")
    loaded = load_job(folder)
    assert [t.transfer_id for t in loaded.transfers] == ["T1"]
    assert len(of_rule(loaded, "row-id-changed")) == 1


def test_a_time_in_a_sheet_is_the_frame_the_person_saw(tmp_path: Path) -> None:
    segments = [{"start": "0:00:01", "end": "0:00:02", "client_item_id": "X"}]
    row = {"transfer_id": "T1", "sampling_frequency": 44100, "programme_segments": segments}
    folder = job(tmp_path, transfer=[row])
    seen = [{"start": 44100, "end": 88200, "client_item_id": "X"}]
    declare(folder, "transfer", "T1", "programme_segments", [{**seen[0], "end": 88000}], seen)
    loaded = load_job(folder)
    assert not of_rule(loaded, "row-two-values")
    assert loaded.transfers[0].values["programme_segments"][0]["end"] == 88000


def test_a_log_that_cannot_be_trusted_is_told_and_nothing_is_raised(tmp_path: Path) -> None:
    folder = job(tmp_path)
    declare(folder, "transfer", "T1", "title", "Evening concert", "Evening")
    declare(folder, "transfer", "T1", "operator", "Bo Tarn")
    path = folder / "bench-log.jsonl"
    lines = path.read_text().splitlines()
    entry = json.loads(lines[0])
    path.write_text("\n".join([json.dumps({**entry, "value": "Other"}), *lines[1:]]) + "\n")
    assert of_rule(load_job(folder), "bench-log-broken")


def test_unknown_is_null_where_a_cell_would_say_so(tmp_path: Path) -> None:
    folder = job(tmp_path)
    declare(folder, "transfer", "T1", "condition_assessed_at", "unknown")
    passes = [{"n": 1, "chain_id": None, "started_at": None, "stopped_at": None, "outcome": "failed"}]
    declare(folder, "transfer", "T1", "passes", passes)
    transfer = load_job(folder).transfers[0]
    assert not transfer.findings
    assert transfer.values["condition_assessed_at"] is None
    assert transfer.values["passes"] == passes
