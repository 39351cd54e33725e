"""`provpack jot`: every kind of line can be typed, and is the line the page would write."""

from __future__ import annotations

import json
import os
import time
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cli.commandline import fits, no_traceback, run
from support.benchdesk import CHAINS
from support.benchsheets import columns_of, sample, told, write_job
from support.jobs import samples, wav

from provpack.edge import benchlog, clock
from provpack.errors import UsageProblem
from provpack.jobs.benchdesk import Desk
from provpack.jobs.jot import Hand, moment
from provpack.jobs.jot import write as jot_write
from provpack.jobs.load import load_job
from provpack.jobs.sheetfields import sheet_fields
from provpack.model.vocab import BENCH_SCOPE
from provpack.package.benchline import KINDS

PLACES: dict[str, list[dict[str, Any]]] = {
    "job": [{"job_id": "J1", "client": "Ambersund Archive", "transfer_organisation": "Grauwell Room"}],
    "defaults": [{}],
    "chain": [dict(chain) for chain in CHAINS],
    "transfer": [{"transfer_id": "T1"}],
    "equipment": [{"id": "DECK-1", "kind": "deck", "make_model": "Velkora B-70", "serial": "1"}],
}


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return write_job(tmp_path / "job", PLACES)


def jot(part: str, job: Path, *words: str | Path, codes: tuple[int, ...] = (0, 1)) -> dict[str, Any]:
    """One command with --json; what it printed fits its schema."""
    said = run("jot", part, job, *words, "--json")
    no_traceback(said.err)
    assert said.code in codes, said.err
    value = said.json()
    assert value["exit_code"] == said.code
    fits("jot" if said.code in (0, 1) else "error", value)
    return value


def refused(part: str, job: Path, *words: str | Path, code: int = 12) -> dict[str, str]:
    before = lines(job)
    error: dict[str, str] = jot(part, job, *words, codes=(code,))["error"]
    assert lines(job) == before
    return error


def lines(job: Path) -> list[dict[str, Any]]:
    read = benchlog.read(job / "bench-log.jsonl")
    assert not read.findings
    return list(read.entries)


def word(job: Path, chain: str) -> str:
    return str(jot("settings", job, chain)["settings"]["as_shown"])


def capture(job: Path, name: str, seconds: float) -> None:
    path = job / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(wav(samples(int(seconds * 44100))))
    then = time.time() - 5
    os.utime(path, (then, then))


def test_a_whole_evening_typed(job: Path) -> None:
    start = (clock.now() - timedelta(seconds=65)).isoformat()
    stop = (clock.now() - timedelta(seconds=5)).isoformat()
    assert jot("take-in", job, "T2", "--by", "Ilse Varrow")["line"]["by"] == "Ilse Varrow"
    jot("declare", job, "carrier_type", "betamax", "--transfer", "T2")
    begun = jot(
        "start", job, "T2", "A", "--as-shown", word(job, "A"), "--set", "decoder_id=DEC-9", "--at", start
    )
    assert begun["line"]["changed"] == ["decoder_id"]
    assert begun["line"]["settings"] == {
        "deck_id": "DECK-1", "decoder_id": "DEC-9", "capture_device_id": "CAP-1", "capture_input": "1"
    }  # fmt: skip
    jot("event", job, "T2", "mute", "--note", "short")
    shown = jot("show", job)["bench"]
    assert [(r["transfer_id"], r["pass"], r["chain_id"], r["events"]) for r in shown["running"]] == [
        ("T2", 1, "A", 1)
    ]
    assert 60 <= shown["running"][0]["seconds"] < 600
    assert shown["not_taken_in"] == ["T1"]
    jot("undo", job)
    jot("note", job, "label loose", "--transfer", "T2")
    jot("stop", job, "T2", "complete", "--at", stop)
    assert [p["transfer_id"] for p in jot("show", job)["bench"]["not_attached"]] == ["T2"]
    capture(job, "captures/one/x.wav", 60)
    capture(job, "captures/two/y.wav", 60)
    crossed = refused("attach", job, "T2", "captures/two/y.wav")
    assert crossed["code"] == "bench-file-does-not-fit"
    agreed = jot("attach", job, "T2", "captures/one/x.wav")
    assert agreed["line"]["attached_by"] == "agreement" and agreed["outcome"] == "good"
    jot("detach", job, "T2", "--reason", "to be sure")
    decided = jot("attach", job, "T2", "captures/two/y.wav", "--because", "the inputs were swapped")
    assert decided["line"]["attached_by"] == "person" and decided["outcome"] == "warnings"
    jot("judge", job, "T2", "accepted")
    assert {line["kind"] for line in lines(job)} == set(KINDS)
    assert {line["through"] for line in lines(job)} == {"command_line"}
    assert jot("show", job)["bench"]["not_judged"] == []


def test_text_says_what_was_done_and_what_runs(job: Path) -> None:
    assert run("jot", "take-in", job, "T2").out.endswith(
        "T2 taken in [line 1]\nOutcome: good (exit code 0)\n"
    )
    settings = run("jot", "settings", job, "A").out
    assert "  deck_id = DECK-1" in settings and f"--as-shown {word(job, 'A')}" in settings
    run("jot", "start", job, "T2", "A", "--as-shown", word(job, "A"))
    run("jot", "event", job, "T2", "error_lamp")
    text = run("jot", "show", job).out
    assert "RUNNING on chain A: pass 1 of T2 since" in text
    assert "1 event, last: error lamp" in text
    run("jot", "undo", job)
    assert "error lamp, pass 1 of T2 (taken back)" in run("jot", "show", job).out


def test_nothing_is_confirmed_unseen(job: Path) -> None:
    unseen = refused("start", job, "T1", "A")
    assert unseen["code"] == "bench-settings-unconfirmed"
    assert "provpack jot settings JOB 'A'" in unseen["todo"]
    seen = word(job, "A")
    jot("declare", job, "deck_id", "DECK-7", "--chain", "A")
    assert refused("start", job, "T1", "A", "--as-shown", seen)["code"] == "bench-changed-meanwhile"
    assert word(job, "A") != seen
    assert refused("start", job, "T1", "C", "--as-shown", seen)["code"] == "bench-chain-unknown"
    assert refused("settings", job, "C")["code"] == "bench-chain-unknown"
    whole = json.dumps(
        {"deck_id": "DECK-7", "decoder_id": "DEC-1", "capture_device_id": "CAP-1", "capture_input": "1"}
    )
    assert jot("start", job, "T1", "A", "--json-settings", whole)["line"]["changed"] == []


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["declare", "title", "x"], 2),
        (["declare", "title", "x", "--transfer", "T1", "--job"], 2),
        (["declare", "title", "--transfer", "T1"], 2),
        (["declare", "title", "x", "--take-away", "--transfer", "T1"], 2),
        (["declare", "title", "--json-value", "{", "--transfer", "T1"], 2),
        (["declare", "title", "--json-value", "NaN", "--transfer", "T1"], 2),
        (["declare", "title", "--json-value", "[" * 5000, "--transfer", "T1"], 2),
        (["declare", "title", "--json-value", "7", "--transfer", "T1"], 12),
        (["declare", "titel", "x", "--transfer", "T1"], 12),
        (["declare", "title", "x", "--transfer", "T1", "--seen", '"y"'], 12),
        (["start", "T1", "A", "--set", "deck_id"], 2),
        (["start", "T1", "A", "--json-settings", "[]"], 2),
        (["start", "T1", "A", "--as-shown", "000000"], 12),
        (["stop", "T1", "complete"], 12),
        (["stop", "T1", "complete", "--at", "yesterday"], 2),
        (["event", "T1", "noise"], 12),
        (["event", "T1", "mute", "--pass", "0"], 2),
        (["note", "x", "--pass", "1"], 2),
        (["note", "x", "--at", "2999-01-01T00:00:00Z"], 12),
        (["attach", "T1", "../x.wav"], 12),
        (["detach", "T1"], 12),
        (["judge", "T1", "fine"], 12),
        (["undo"], 12),
        (["undo", "7"], 12),
        (["take-in", " "], 12),
    ],
)
def test_a_wrong_word_is_refused_and_nothing_written(job: Path, words: list[str], code: int) -> None:
    refused(words[0], job, *words[1:], code=code)
    assert not (job / "bench-log.jsonl").exists()


def test_no_job_folder_is_refused(tmp_path: Path) -> None:
    assert refused("show", tmp_path / "none")["code"] == "job-folder-missing"
    assert refused("note", tmp_path / "none", "x")["code"] == "job-folder-missing"


def test_a_sealed_transfer_is_not_undone(job: Path, tmp_path: Path) -> None:
    jot("start", job, "T1", "A", "--as-shown", word(job, "A"))
    package = tmp_path / "out" / "j1_t1"
    package.mkdir(parents=True)
    (package / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    assert refused("undo", job, "1", "--to", tmp_path / "out")["code"] == "bench-sealed"
    jot("undo", job, "1")


def test_a_broken_log_is_told(job: Path) -> None:
    jot("take-in", job, "T2")
    jot("take-in", job, "T3")
    log = job / "bench-log.jsonl"
    log.write_bytes(log.read_bytes().replace(b'"T2"', b'"T9"'))
    shown = run("jot", "show", job, "--json")
    assert shown.code == 1 and [f["rule"] for f in shown.json()["findings"]] == ["bench-log-broken"]
    said = run("jot", "note", job, "x", "--json")
    assert said.code == 15


def given(value: Any) -> list[str]:
    """The words for a value: as in a cell where one can hold it, else as JSON."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict) and set(value) == {"num", "den"}:
        return [f"{value['num']}/{value['den']}"]
    if isinstance(value, bool):
        return ["yes" if value else "no"]
    if isinstance(value, int | float):
        return [str(value)]
    if isinstance(value, list) and value and all(isinstance(v, str) for v in value):
        return ["|".join(value)]
    return ["--json-value", json.dumps(value)]


def in_form(value: Any, name: str = "") -> Any:
    """A sample with what the schema wants of digests, identifiers and channel-status blocks."""
    if isinstance(value, dict):
        return {key: in_form(part, key) for key, part in value.items()}
    if isinstance(value, list):
        return [in_form(part, name) for part in value]
    if name.endswith(("sha256", "sha512")):
        return "0" * (64 if name.endswith("256") else 128)
    if name == "record_id":
        return "2f1c7a3e-5b64-4c1d-9a86-0d2f6b7e4c11"
    return "04" * 24 if name == "channel_status_raw" else value


OWN = {"chain": "id", "transfer": "transfer_id", "equipment": "id", "job": "schema_version"}
IDS = {"chain": "A", "transfer": "T1", "equipment": "DECK-1"}


def every_field(scope: str) -> dict[str, Any]:
    """A value for every field of the place but what names it."""
    wanted = {name: column for name, column in columns_of(scope).items() if name != OWN.get(scope)}
    values = {name: in_form(sample(column), name) for name, column in wanted.items()}
    if scope == "transfer":
        values["chain"] = "A"
    if scope == "job":
        values["equipment"] = "equipment.toml"
    return values


def test_every_kind_of_field_is_among_them() -> None:
    """Transfer, chain, equipment, companion tables, photographs, people: none is left out."""
    fields = {scope: every_field(scope) for scope in PLACES}
    assert set(fields) == set(BENCH_SCOPE)
    for scope, values in fields.items():
        assert set(values) == set(columns_of(scope)) - {OWN.get(scope)}
    assert sum(map(len, fields.values())) > 240
    assert set(sheet_fields().tables) <= set(fields["transfer"])
    named = {"photos", "condition_photos", "documents", "file", "operator", "qc_by", "waivers", "passes"}
    assert named <= set(fields["transfer"])


@pytest.mark.parametrize("scope", ["job", "defaults", "chain", "transfer", "equipment"])
def test_every_field_can_be_typed_and_be_stated_on_the_page(tmp_path: Path, scope: str) -> None:
    """Typed field by field, and posted as the page posts it, the job is the one whose sheets say the same."""
    values = every_field(scope)
    places = {name: [dict(table) for table in tables] for name, tables in PLACES.items()}
    typed = write_job(tmp_path / "typed" / "job", places)
    posted = write_job(tmp_path / "posted" / "job", places)
    places[scope][0] |= values
    wanted = told(load_job(write_job(tmp_path / "sheets" / "job", places)))
    desk = Desk(posted, now=clock.now, tool_version="1.0.0")
    where = [f"--{scope}", IDS[scope]] if scope in IDS else [f"--{scope}"]
    for name, value in values.items():
        line = jot("declare", typed, name, *given(value), *where)["line"]
        assert line["value"] == value, name
        body = {"scope": scope, "id": IDS.get(scope), "field": name, "value": value, "was": line["was"]}
        acted = desk.act("declared", json.loads(json.dumps(body)), by=None, through="page")
        assert {k: acted.entry[k] for k in body} == {k: line[k] for k in body}, name
    assert told(load_job(typed)) == wanted
    assert told(load_job(posted)) == wanted
    assert not [f for f in load_job(posted).all_findings() if f.rule == "row-two-values"]


@pytest.mark.parametrize("scope", ["job", "defaults", "chain", "transfer", "equipment"])
def test_every_field_can_be_taken_away_both_ways(tmp_path: Path, scope: str) -> None:
    """Stated by one way and taken away by the other, nothing is left of it."""
    places = {name: [dict(table) for table in tables] for name, tables in PLACES.items()}
    folder = write_job(tmp_path / "job", places)
    before = load_job(folder)
    desk = Desk(folder, now=clock.now, tool_version="1.0.0")
    hand = Hand(folder=folder, now=clock.now, tool_version="1.0.0")
    values = {n: v for n, v in every_field(scope).items() if n not in places[scope][0]}
    assert values
    for turn, (name, value) in enumerate(values.items()):
        place = {"scope": scope, "id": IDS.get(scope), "field": name}
        for stated in (value, None) if turn % 2 else (None, value, None):
            members = {**place, "value": stated}
            if stated is None:
                jot_write(hand, "declare", "declared", members)
            else:
                desk.act("declared", members, by=None, through="page")
    assert told(load_job(folder)) == told(before)


def test_a_typed_clock_time_is_the_last_one() -> None:
    now = datetime.fromisoformat("2026-06-03T00:10:00+00:00").astimezone()
    local = now.strftime("%H:%M:%S")
    assert moment(local, now) == now.isoformat()
    before = now - timedelta(minutes=20)
    assert moment(before.strftime("%H:%M"), now) == before.isoformat()
    later = now + timedelta(minutes=1)
    assert moment(later.strftime("%H:%M"), now) == (later - timedelta(days=1)).isoformat()
    assert moment("2031-05-04T21:03:12+02:00", now) == "2031-05-04T21:03:12+02:00"
    assert moment("2031-05-04 21:03:12+02:00", now) == "2031-05-04T21:03:12+02:00"
    assert moment(None, now) is None
    for wrong in ("", "24:00", "21.03", "2031-05-04", "now", "9" * 400):
        with pytest.raises(UsageProblem, match="no time"):
            moment(wrong, now)


def test_an_evening_is_not_acknowledged_in_a_folder_that_is_no_job(tmp_path: Path) -> None:
    for words in (("take-in", tmp_path, "T01"), ("show", tmp_path)):
        said = run("jot", *words)
        assert said.code == 12 and "job.toml" in said.err, said
    assert list(tmp_path.iterdir()) == []
