"""Passes and events of the log in a loaded transfer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from support.benchsheets import clock, declare, log, write_job
from support.jobs import wav

from provpack.findings import Finding
from provpack.jobs.load import load_job
from provpack.jobs.loaded import LoadedTransfer

RATE = 44100
SETTINGS = {"deck_id": "E1", "capture_input": "1", "emphasis_indicator": "off"}


def job(folder: Path, **row: Any) -> Path:
    tables: dict[str, list[dict[str, Any]]] = {
        "job": [{"job_id": "J1", "client": "C", "transfer_organisation": "O"}],
        "defaults": [{"sampling_frequency": RATE}],
        "chain": [{"id": "A", "deck_id": "E1", "decoder_id": "P1"}, {"id": "B"}],
        "transfer": [{"transfer_id": "T1", **row}],
        "equipment": [{"id": "E1", "kind": "deck"}],
    }
    made = write_job(folder / "job", tables)
    for name in ("a.wav", "b.wav"):
        (made / name).write_bytes(wav(bytes(4 * RATE)))
    return made


def start(folder: Path, number: int = 1, at: int = 0, chain: str = "A", **more: Any) -> int:
    members: dict[str, Any] = {"settings": SETTINGS, "changed": [], **more}
    return log(
        folder,
        "pass_started",
        clock(at),
        **{"transfer_id": "T1", "pass": number, "chain_id": chain},
        **members,
    )


def stop(folder: Path, number: int = 1, at: int = 10, **more: Any) -> int:
    members = {"transfer_id": "T1", "pass": number, "outcome": "complete", **more}
    return log(folder, "pass_stopped", clock(at), **members)


def event(folder: Path, type_: str, at: int, number: int = 1, **more: Any) -> int:
    return log(folder, "event", clock(at), **{"transfer_id": "T1", "pass": number, "type": type_}, **more)


def attach(
    folder: Path, number: int = 1, file: str = "a.wav", at: int = 0, frames: int = 10 * RATE, **more: Any
) -> int:
    members: dict[str, Any] = {
        "transfer_id": "T1", "pass": number, "file": file, "bytes": 100, "modified_at": clock(at + 10),
        "frames": frames, "header_sampling_frequency_hz": RATE, "starts_at": clock(at),
        "starts_from": "modified_time", "agreement": dict.fromkeys(("time", "length", "input"), "agrees"),
        "attached_by": "agreement", **more,
    }  # fmt: skip
    return log(folder, "file_attached", clock(at + 11), **members)


def judge(folder: Path, verdict: str, number: int = 1, **more: Any) -> int:
    return log(folder, "judged", **{"transfer_id": "T1", "pass": number, "verdict": verdict}, **more)


def loaded(folder: Path) -> LoadedTransfer:
    return load_job(folder).transfers[0]


def of_rule(transfer: LoadedTransfer, rule: str) -> list[Finding]:
    return [f for f in transfer.findings if f.rule == rule]


def test_one_pass_makes_the_row(tmp_path: Path) -> None:
    folder = job(tmp_path)
    begun = start(folder, note="leader looks dry")
    log(folder, "noted", clock(3), **{"transfer_id": "T1", "pass": 1, "note": "hum from the left"})
    ended = stop(folder, note="ran to the end")
    there = attach(folder, reason="the clock of the recorder is wrong")
    transfer = loaded(folder)
    assert transfer.findings == ()
    assert (transfer.chain_id, transfer.started_at, transfer.stopped_at) == ("A", clock(0), clock(10))
    assert transfer.file is not None and transfer.file.relative == "a.wav"
    places = {name: transfer.origin_of(name) for name in ("deck_id", "stopped_at", "file")}
    assert [(p.file, p.row) for p in places.values()] == [
        ("bench-log.jsonl", begun), ("bench-log.jsonl", ended), ("bench-log.jsonl", there)
    ]  # fmt: skip
    assert transfer.values["passes"] == [
        {
            "n": 1, "chain_id": "A", "deck_id": "E1", "decoder_id": "P1", "capture_input": "1",
            "started_at": clock(0), "stopped_at": clock(10), "outcome": "complete", "file": "a.wav",
            "note": "leader looks dry\n21:00:03 hum from the left\nran to the end\n"
            "File attached by decision: the clock of the recorder is wrong",
        }
    ]  # fmt: skip


def test_a_running_pass_is_an_error_and_has_no_stop(tmp_path: Path) -> None:
    folder = job(tmp_path)
    start(folder, at=192)
    transfer = loaded(folder)
    (found,) = of_rule(transfer, "row-pass-running")
    assert (found.severity, found.what) == (
        "error", "Pass 1 still runs on chain A since 21:03:12; stop it first."
    )  # fmt: skip
    assert "stopped_at" not in transfer.values["passes"][0]
    assert transfer.stopped_at is None


def test_the_accepted_pass_counts_and_the_other_keeps_its_record(tmp_path: Path) -> None:
    folder = job(tmp_path)
    start(folder)
    event(folder, "mute", 2)
    stop(folder)
    attach(folder)
    judge(folder, "redo", note="mutes in the slow movement")
    start(folder, 2, at=600, chain="B", reason="mutes", settings={"deck_id": "E2"})
    event(folder, "hold", 604, 2)
    stop(folder, 2, at=610)
    attach(folder, 2, "b.wav", at=600)
    judge(folder, "accepted", 2)
    transfer = loaded(folder)
    assert transfer.file is not None and transfer.file.relative == "b.wav"
    assert {n: f.relative for n, f in transfer.pass_files.items()} == {1: "a.wav"}
    assert (transfer.chain_id, transfer.values["deck_id"], transfer.started_at) == ("B", "E2", clock(600))
    one, two = transfer.values["passes"]
    assert one["note"] == "To be made again: mutes in the slow movement"
    assert (one["deck_id"], two["deck_id"], two["reason"]) == ("E1", "E2", "mutes")
    first, second = transfer.values["transfer_events"]
    assert first == {"frame": None, "at": clock(2), "type": "mute", "origin": "seen", "note": "pass 1"}
    assert (second["frame"], second["type"], second.get("note")) == (4 * RATE, "hold", None)


def test_events_get_frames_that_say_how_they_were_found(tmp_path: Path) -> None:
    folder = job(tmp_path)
    start(folder)
    lines = [event(folder, "mute", 2, note="left side"), event(folder, "unlock", 30, happened_at=clock(4))]
    stop(folder)
    there = attach(folder, at=1, frames=9 * RATE)
    event(folder, "tracking_adjust", 40, happened_at=clock(0))
    transfer = loaded(folder)
    events = transfer.values["transfer_events"]
    assert [(e["frame"], e["type"], e.get("note")) for e in events] == [
        (None, "tracking_adjust", "before the file begins; written down at 21:00:40"),
        (RATE, "mute", "left side"),
        (3 * RATE, "unlock", "written down at 21:00:30"),
    ]
    assert all(e["origin"] == "seen" for e in events)
    entry = transfer.converted[0]
    assert entry["field"] == "/processing/transfer_events/1/frame"
    assert entry["from"][:2] == [f"bench-log.jsonl, row {lines[0]}", f"bench-log.jsonl, row {there}"]
    assert "/signal/sampling_frequency" in entry["from"]
    assert "44100 Hz" in entry["how"]
    assert transfer.origins["transfer_events/1"].row == lines[0]


def test_logged_events_stand_among_those_of_a_sheet(tmp_path: Path) -> None:
    listed = [
        {"frame": "0:00:01", "type": "mute", "origin": "measured"}, {"frame": 5 * RATE, "type": "silence"},
    ]  # fmt: skip
    folder = job(tmp_path, transfer_events=listed)
    start(folder)
    event(folder, "hold", 3)
    event(folder, "relock", 0)
    stop(folder)
    attach(folder)
    transfer = loaded(folder)
    events = transfer.values["transfer_events"]
    assert [(e["frame"] // RATE, e["type"]) for e in events] == [
        (0, "relock"), (1, "mute"), (3, "hold"), (5, "silence")
    ]  # fmt: skip
    assert {c["field"].split("/")[3]: "x 44100 Hz" in c["how"] for c in transfer.converted} == {
        "0": True, "1": True, "2": True
    }  # fmt: skip
    assert "0:00:01" in next(c for c in transfer.converted if "/1/" in c["field"])["how"]
    assert transfer.origins["transfer_events/3"].file == "job.toml"


def test_events_without_a_start_of_the_file_are_told(tmp_path: Path) -> None:
    folder = job(tmp_path)
    start(folder)
    event(folder, "mute", 2)
    stop(folder)
    attach(folder, starts_at=None, starts_from="not_known")
    transfer = loaded(folder)
    assert transfer.values["transfer_events"][0]["note"] == "its place in the file is not known"
    assert len(of_rule(transfer, "row-events-unplaced")) == 1


def test_emphasis_in_stretches_and_what_the_row_must_say_of_it(tmp_path: Path) -> None:
    folder = job(tmp_path, tape_emphasis="on")
    start(folder)
    event(folder, "emphasis_on", 2)
    stop(folder)
    attach(folder)
    transfer = loaded(folder)
    assert transfer.values["signal_state_ranges"] == [
        {"start": 0, "end": 2 * RATE, "emphasis": "off", "evidence": ["indicator"]},
        {"start": 2 * RATE, "end": 10 * RATE, "emphasis": "on", "evidence": ["indicator"]},
    ]
    assert transfer.values["tape_emphasis"] == "on"
    (found,) = of_rule(transfer, "row-emphasis-changes")
    assert found.severity == "error"
    declare(folder, "transfer", "T1", "tape_emphasis", "mixed", "on")
    assert not of_rule(loaded(folder), "row-emphasis-changes")


def test_declared_stretches_are_left_alone(tmp_path: Path) -> None:
    mine = [{"start": 0, "end": 5, "emphasis": "unknown"}]
    folder = job(tmp_path, signal_state_ranges=mine)
    start(folder)
    event(folder, "emphasis_on", 2)
    stop(folder)
    attach(folder)
    assert loaded(folder).values["signal_state_ranges"] == mine


def test_passes_of_a_sheet_are_merged_by_number(tmp_path: Path) -> None:
    sheet = [{"n": 1, "chain_id": "B", "outcome": "failed"}]
    folder = job(tmp_path, passes=sheet)
    start(folder, 2)
    stop(folder, 2)
    transfer = loaded(folder)
    assert [(p["n"], p["chain_id"]) for p in transfer.values["passes"]] == [(1, "B"), (2, "A")]
    assert transfer.origins["passes/0"].file == "job.toml"
    assert transfer.origins["passes/1"].row == 1
    assert not transfer.findings


def test_one_number_for_two_passes_is_an_error(tmp_path: Path) -> None:
    folder = job(tmp_path, passes=[{"n": 1, "chain_id": "B", "outcome": "failed"}])
    start(folder)
    stop(folder)
    assert len(of_rule(loaded(folder), "row-pass-twice")) == 1


def test_a_pass_of_passes_csv_is_merged_too(tmp_path: Path) -> None:
    folder = job(tmp_path)
    (folder / "passes.csv").write_text("transfer_id,n,chain_id,outcome\nT1,1,B,failed\n")
    start(folder, 2)
    stop(folder, 2)
    transfer = loaded(folder)
    assert [p["n"] for p in transfer.values["passes"]] == [1, 2]
    assert not transfer.findings


def test_a_row_that_says_something_else_than_the_pass_is_a_conflict(tmp_path: Path) -> None:
    folder = job(tmp_path, chain="B", started_at=clock(5), deck_id="E1")
    start(folder)
    stop(folder)
    found = of_rule(loaded(folder), "row-two-values")
    assert sorted(f.what.split(" ")[0] for f in found) == ["'chain'", "'started_at'"]
    assert all("state it for this transfer" in f.todo for f in found)
    declare(folder, "transfer", "T1", "chain", "A", "B")
    declare(folder, "transfer", "T1", "started_at", clock(0), clock(5))
    assert not of_rule(loaded(folder), "row-two-values")
    assert loaded(folder).chain_id == "A"


def test_a_setting_corrected_after_the_pass(tmp_path: Path) -> None:
    folder = job(tmp_path)
    start(folder)
    stop(folder)
    declare(folder, "transfer", "T1", "emphasis_indicator", "changed")
    assert loaded(folder).values["emphasis_indicator"] == "changed"
    start(folder, 2, at=600)
    stop(folder, 2, at=610)
    assert loaded(folder).values["emphasis_indicator"] == "off"


def test_a_note_on_the_transfer_is_an_event(tmp_path: Path) -> None:
    folder = job(tmp_path)
    log(folder, "noted", clock(7), transfer_id="T1", note="sleeve belongs to another tape")
    assert loaded(folder).values["transfer_events"] == [
        {
            "frame": None, "at": clock(7), "type": "operator_note", "origin": "seen",
            "note": "sleeve belongs to another tape",
        }
    ]  # fmt: skip


def test_an_assembly_takes_the_events_of_its_parts_with_it(tmp_path: Path) -> None:
    """Pass 1 to second 4, pass 2 from its second 3 on: 4 s are followed by what pass 2 has at 3 s."""
    parts = [
        {"pass_n": 1, "source_start": 0, "source_end": 4 * RATE, "target_start": 0, "target_end": 4 * RATE},
        {"pass_n": 2, "source_start": 3 * RATE, "source_end": 9 * RATE, "target_start": 4 * RATE,
         "target_end": 10 * RATE},
    ]  # fmt: skip
    folder = job(tmp_path, assembly=parts)
    start(folder)
    event(folder, "hold", 2)
    event(folder, "mute", 6)
    stop(folder)
    attach(folder)
    start(folder, 2, at=600)
    event(folder, "unlock", 605, 2)
    stop(folder, 2, at=610)
    attach(folder, 2, "b.wav", at=600)
    transfer = loaded(folder)
    assert transfer.file is None
    assert {n: f.relative for n, f in transfer.pass_files.items()} == {1: "a.wav", 2: "b.wav"}
    events = transfer.values["transfer_events"]
    assert [(e["frame"], e["type"], e["note"]) for e in events] == [
        (None, "mute", "pass 1, not in the assembled file"),
        (2 * RATE, "hold", "pass 1"),
        (6 * RATE, "unlock", "pass 2"),
    ]
    assert [c["field"] for c in transfer.converted] == [
        "/processing/transfer_events/1/frame", "/processing/transfer_events/2/frame"
    ]  # fmt: skip
    assert "moved with its part of the assembly" in transfer.converted[0]["how"]


def test_a_file_put_together_outside_has_no_frames_of_a_pass(tmp_path: Path) -> None:
    folder = job(tmp_path)
    start(folder)
    event(folder, "hold", 2)
    stop(folder)
    attach(folder)
    declare(folder, "transfer", "T1", "file", "b.wav", None)
    transfer = loaded(folder)
    assert transfer.file is not None and transfer.file.relative == "b.wav"
    assert [(e["frame"], e["note"]) for e in transfer.values["transfer_events"]] == [(None, "pass 1")]
