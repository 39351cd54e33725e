"""Files and passes, and lines taken back."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from support.benchdesk import Evening

from provpack.jobs.benchundo import clashes
from provpack.package.benchstate import Pass


@pytest.fixture
def evening(tmp_path: Path) -> Evening:
    """Two passes that overlap on two chains, both stopped, each with its capture; T1 on A, T2 on B."""
    out = Evening(tmp_path / "job")
    out.act("taken_in", transfer_id="T2")
    out.start("T1", "A")
    out.start("T2", "B")
    out.act("pass_stopped", after=60, transfer_id="T1", outcome="complete")
    out.capture("captures/one/x.wav", 61)
    out.act("pass_stopped", after=30, transfer_id="T2", outcome="complete")
    out.capture("captures/two/y.wav", 90)
    out.at = out.at.replace(minute=5)
    return out


def one_pass(evening: Evening, transfer_id: str = "T1", number: int = 1) -> Pass:
    found = evening.desk.state.pass_of(transfer_id, number)
    assert found is not None
    return found


def test_a_file_is_attached_where_time_length_and_input_agree(evening: Evening) -> None:
    acted = evening.act("file_attached", transfer_id="T1", file="captures/one/x.wav")
    assert not acted.warnings
    held = one_pass(evening).attached
    assert held is not None
    assert held.agreement == {"time": "agrees", "length": "agrees", "input": "agrees"}
    assert (held.attached_by, held.frames, held.header_hz) == ("agreement", 61 * 44100, 44100)
    assert held.bytes == (evening.folder / held.file).stat().st_size
    assert held.starts_from == "modified_time"
    evening.act("file_attached", transfer_id="T2", file="captures/two/y.wav")


def test_a_crossed_file_is_caught_and_told_where_it_would_fit(evening: Evening) -> None:
    said = evening.refused("file-does-not-fit", "file_attached", transfer_id="T2", file="captures/one/x.wav")
    assert "captures/two/*.wav" in said.what
    assert "pass 1 of T1 on chain A" in said.todo
    evening.refused(
        "reason-missing", "file_attached", transfer_id="T2", file="captures/one/x.wav", attached_by="person"
    )
    acted = evening.act(
        "file_attached", transfer_id="T2", file="captures/one/x.wav", attached_by="person",
        reason="the inputs were swapped by hand", starts_at="2026-06-02T21:00:04+02:00",
    )  # fmt: skip
    held = one_pass(evening, "T2").attached
    assert held is not None
    assert (held.attached_by, held.agreement["input"]) == ("person", "disagrees")
    assert (held.starts_from, held.starts_at) == ("stated", "2026-06-02T21:00:04+02:00")
    assert acted.warnings


def test_without_capture_files_a_person_is_asked(evening: Evening) -> None:
    evening.act("declared", scope="chain", id="A", field="capture_files", value=None)
    said = evening.refused("file-does-not-fit", "file_attached", transfer_id="T1", file="captures/one/x.wav")
    assert "which input" in said.what


def test_one_file_is_of_one_pass(evening: Evening) -> None:
    evening.act("file_attached", transfer_id="T1", file="captures/one/x.wav")
    decided = {"attached_by": "person", "reason": "heard it"}
    said = evening.refused(
        "file-taken", "file_attached", transfer_id="T2", file="captures//one/./x.wav", **decided
    )  # fmt: skip
    assert "pass 1 of T1 on chain A" in said.what
    named = {"transfer_id": "T1", "pass": 1, "file": "captures/two/y.wav"}
    evening.refused("has-a-file", "file_attached", **named, **decided)
    evening.refused("which-pass", "file_attached", transfer_id="T1", file="captures/two/y.wav")


def test_a_file_that_a_sheet_names_for_another_transfer_is_not_free(tmp_path: Path) -> None:
    rows = [{"transfer_id": "T1"}, {"transfer_id": "T3", "file": "captures/one/x.wav"}]
    evening = Evening(tmp_path / "job", transfer=rows)
    evening.start("T1", "A")
    evening.act("pass_stopped", after=60, transfer_id="T1", outcome="complete")
    evening.capture("captures/one/x.wav", 61)
    evening.at = evening.at.replace(minute=5)
    said = evening.refused("file-taken", "file_attached", transfer_id="T1", file="captures/one/x.wav")
    assert "T3" in said.what


@pytest.mark.parametrize(
    ("file", "code"),
    [
        ("captures/one/none.wav", "no-such-file"),
        ("../outside.wav", "no-such-file"),
        ("/etc/passwd", "no-such-file"),
        ("captures", "no-such-file"),
        ("link.wav", "no-such-file"),
        ("paper.txt", "not-audio"),
        ("captures/one/fresh.wav", "file-not-finished"),
        ("captures/one/cut.wav", "file-not-finished"),
    ],
)
def test_what_is_no_finished_file_of_the_job_is_refused(evening: Evening, file: str, code: str) -> None:
    (evening.folder / "link.wav").symlink_to("/etc/passwd")
    whole = (evening.folder / "captures/one/x.wav").read_bytes()
    (evening.folder / "captures/one/cut.wav").write_bytes(whole[:4000])
    if file.endswith("fresh.wav"):
        evening.at = evening.at.replace(minute=1, second=3)
        (evening.folder / "captures/one/x.wav").unlink()
        evening.capture(file, 61)
    evening.refused(code, "file_attached", transfer_id="T1", file=file)


def test_a_running_pass_gets_no_file(evening: Evening) -> None:
    settings = evening.desk.settings("A")
    again = {"transfer_id": "T1", "chain_id": "A", "settings": settings, "reason": "hum"}
    evening.act("pass_started", **again)
    named = {"transfer_id": "T1", "pass": 2, "file": "captures/one/x.wav"}
    evening.refused("pass-runs", "file_attached", **named)


def test_a_time_that_is_none_is_no_start(evening: Evening) -> None:
    for wrong in ("21:00", "2026-06-02T21:59:00+02:00"):
        evening.refused(
            "not-a-time", "file_attached", transfer_id="T1", file="captures/one/x.wav", starts_at=wrong
        )


def test_a_file_is_taken_off_again_and_lies_where_it_was(evening: Evening) -> None:
    evening.refused("which-pass", "file_detached", transfer_id="T1")
    evening.act("file_attached", transfer_id="T1", file="captures/one/x.wav")
    evening.refused("changed-meanwhile", "file_detached", transfer_id="T1", file="captures/two/y.wav")
    acted = evening.act("file_detached", transfer_id="T1", reason="wrong tape")
    assert acted.entry["file"] == "captures/one/x.wav"
    assert one_pass(evening).attached is None
    assert (evening.folder / "captures/one/x.wav").is_file()
    evening.refused("has-no-file", "file_detached", transfer_id="T1", **{"pass": 1})


# --- taking back ---


def undo(evening: Evening, line: int) -> str:
    return evening.act("taken_back", entry=line).words


def test_a_line_taken_back_stays_and_counts_no_more(evening: Evening) -> None:
    attached = evening.act("file_attached", transfer_id="T1", file="captures/one/x.wav")
    words = undo(evening, attached.entry["n"])
    assert words.endswith("taken back: captures/one/x.wav attached to pass 1 of T1")
    assert one_pass(evening).attached is None
    evening.refused("taken-back-already", "taken_back", entry=attached.entry["n"])
    undo(evening, evening.desk.state.n)
    assert one_pass(evening).attached is not None


def test_what_was_stated_before_is_there_again(evening: Evening) -> None:
    for title in ("two", "three"):
        evening.act("declared", scope="transfer", id="T1", field="title", value=title)
    undo(evening, evening.desk.state.n)
    assert evening.desk.in_force("transfer", "T1", "title") == "two"
    undo(evening, evening.desk.state.n - 2)
    assert evening.desk.in_force("transfer", "T1", "title") == "Evening one"
    assert evening.desk.job().transfers[0].values["title"] == "Evening one"


def test_nothing_is_lost_with_another_line(evening: Evening) -> None:
    """Line 1: T2 taken in; 2, 3: started; 4: T1 stopped; 5: T2 stopped."""
    said = evening.refused("others-rest-on-it", "taken_back", entry=2)
    assert "line 2: 4" in said.what
    said = evening.refused("others-rest-on-it", "taken_back", entry=1)
    assert "line 1: 5, 3" in said.what
    for line in (5, 3, 1, 4, 2):
        undo(evening, line)
    assert not evening.desk.state.transfers


def test_a_chain_with_passes_is_not_taken_away(evening: Evening) -> None:
    evening.act("declared", scope="chain", id="C", field="deck_id", value="DECK-3")
    line = evening.desk.state.n
    evening.start("T1", "C")
    assert str(line + 1) in evening.refused("others-rest-on-it", "taken_back", entry=line).what


@pytest.mark.parametrize("line", [0, -1, "1", 1.0, True])
def test_a_line_is_named_by_its_number(evening: Evening, line: object) -> None:
    evening.refused("not-a-number", "taken_back", entry=line)


def test_a_line_that_is_none_cannot_be_taken_back(evening: Evening) -> None:
    evening.refused("line-unknown", "taken_back", entry=99)
    evening.refused("member-missing", "taken_back")


def test_a_stop_is_not_taken_back_when_the_chain_is_in_use_again(evening: Evening) -> None:
    evening.act("taken_in", transfer_id="T3")
    evening.start("T3", "A")
    said = evening.refused("cannot-be-taken-back", "taken_back", entry=4)
    assert "Chain A is in use" in said.what
    evening.act("pass_stopped", transfer_id="T3", outcome="failed")
    undo(evening, 4)
    assert one_pass(evening).running


def test_a_stop_is_not_taken_back_from_a_pass_that_went_on(evening: Evening) -> None:
    evening.act("file_attached", transfer_id="T1", file="captures/one/x.wav")
    assert "it has the file" in evening.refused("cannot-be-taken-back", "taken_back", entry=4).what
    evening.act("file_detached", transfer_id="T1")
    evening.act("judged", transfer_id="T1", verdict="redo")
    assert "it was judged" in evening.refused("cannot-be-taken-back", "taken_back", entry=4).what
    undo(evening, evening.desk.state.n)
    evening.start("T1", "A")
    evening.act("pass_stopped", transfer_id="T1", outcome="failed")
    assert "came after it" in evening.refused("cannot-be-taken-back", "taken_back", entry=4).what


def test_a_detached_file_does_not_come_back_where_it_is_taken(evening: Evening) -> None:
    evening.act("file_attached", transfer_id="T1", file="captures/one/x.wav")
    evening.act("file_detached", transfer_id="T1")
    off = evening.desk.state.n
    evening.act(
        "file_attached", transfer_id="T2", file="captures/one/x.wav", attached_by="person", reason="heard it"
    )
    said = evening.refused("cannot-be-taken-back", "taken_back", entry=off)
    assert "would be the file of" in said.what
    undo(evening, off + 1)
    undo(evening, off)
    assert not list(clashes(evening.desk.state))


def sealed(evening: Evening, name: str, made_at: str | None) -> None:
    package = evening.folder.parent / f"{evening.folder.name}-packages" / name
    (package / "data/metadata").mkdir(parents=True)
    (package / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    if made_at is not None:
        record = {"made_by": {"at": made_at}}
        (package / "data/metadata/record.json").write_text(json.dumps(record))


def test_what_is_sealed_is_not_taken_back(evening: Evening) -> None:
    evening.act("file_attached", transfer_id="T1", file="captures/one/x.wav")
    held = evening.desk.state.n
    sealed(evening, "j1_t1", evening.at.isoformat())
    assert evening.desk.sealed("T1") == "j1_t1" and evening.desk.sealed("T2") is None
    said = evening.refused("sealed", "taken_back", entry=held)
    assert "a sealed package is never patched" in said.what and "j1_t1" in said.what
    evening.refused("sealed", "taken_back", entry=4)
    evening.refused("sealed", "file_detached", transfer_id="T1")
    undo(evening, 5)  # of T2, which is not sealed


def test_what_was_written_since_the_sealing_may_be_taken_back(evening: Evening) -> None:
    sealed(evening, "j1_t1", evening.at.isoformat())
    evening.start("T1", "A")
    evening.act("event", transfer_id="T1", type="mute")
    undo(evening, evening.desk.state.n)
    evening.refused("sealed", "taken_back", entry=4)


def test_a_package_that_does_not_say_when_holds_every_line(evening: Evening) -> None:
    sealed(evening, "j1_t1", None)
    evening.start("T1", "A")
    evening.refused("sealed", "taken_back", entry=evening.desk.state.n)
