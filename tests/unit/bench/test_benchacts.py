"""The acts: what may be written down when, and what a refusal says. All rules are this project's own."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from support.benchdesk import CHAINS, Evening
from support.benchsheets import columns_of, sample

from provpack.model.vocab import PASS_OUTCOME, TRANSFER_EVENT_TYPE
from provpack.package.benchstate import Pass


@pytest.fixture
def evening(tmp_path: Path) -> Evening:
    return Evening(tmp_path / "job")


def one_pass(evening: Evening, transfer_id: str = "T1", number: int = 1) -> Pass:
    found = evening.desk.state.pass_of(transfer_id, number)
    assert found is not None
    return found


# --- carriers ---


def test_a_carrier_of_a_sheet_is_taken_in_once(evening: Evening) -> None:
    evening.act("taken_in", transfer_id="T1")
    evening.refused("taken-in-already", "taken_in", transfer_id="T1")
    evening.act("taken_in", transfer_id="T2")
    assert [t.transfer_id for t in evening.desk.job().transfers] == ["T1", "T2"]


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("t1", "id-too-like"),
        ("T\u20111", "id-too-like"),  # a hyphen that no package name holds: T1 and T‑1 stay apart, see below
        ("T 1\u200b", "not-an-id"),
        ("T\u00a01", "no-such-value"),
        ("1,5E+11", "no-such-value"),
        ("#REF!", "no-such-value"),
        ("a\nb", "no-such-value"),
        ("T\x071", "not-an-id"),
    ],
)
def test_an_identifier_is_held_to_the_rules_of_its_column(evening: Evening, name: str, code: str) -> None:
    if code == "id-too-like" and name != "t1":
        evening.act("taken_in", transfer_id="T_1")
    evening.refused(code, "taken_in", transfer_id=name)


# --- values ---


def declare(evening: Evening, name: str, value: Any, **more: Any) -> Any:
    return evening.act("declared", scope="transfer", id="T1", field=name, value=value, **more)


def test_a_value_is_typed_as_in_a_cell_or_given_as_json(evening: Evening) -> None:
    first = declare(evening, "sampling_frequency", {"cell": "44100000/1001"})
    assert first.entry["value"] == {"num": 44100000, "den": 1001}
    assert first.entry["was"] is None
    second = declare(evening, "sampling_frequency", {"num": 44100, "den": 1})
    assert second.entry["was"] == first.entry["value"]
    assert second.words.endswith("transfer T1: Exact sampling frequency = 44100")
    third = declare(evening, "sampling_frequency", {"cell": " "})
    assert third.entry["value"] is None and third.words.endswith("taken away")
    assert evening.desk.in_force("transfer", "T1", "sampling_frequency") is None


def test_unknown_is_a_value_and_no_taking_away(evening: Evening) -> None:
    acted = declare(evening, "condition_assessed_at", {"cell": "unknown"})
    assert acted.entry["value"] == "unknown"
    transfer = evening.desk.job().transfers[0]
    assert "condition_assessed_at" in transfer.values
    assert transfer.values["condition_assessed_at"] is None


@pytest.mark.parametrize(
    ("name", "value", "word"),
    [
        ("carrier_type", "betamx", "betamax"),
        ("carrier_type", {"cell": "betamx"}, "betamax"),
        ("carrier_nominal_minutes", {"cell": "1,5"}, "more than one way"),
        ("carrier_nominal_minutes", "60", "not what belongs there"),
        ("condition_assessed_at", {"cell": "3/4/84"}, "means"),
        ("title", "", "empty"),
        ("title", 7, "not what belongs there"),
        ("title", {"cell": 7}, "no text"),
        ("treatments", {"cell": "baked"}, "several parts"),
        ("treatments", [{"colour": "red"}], "not known here"),
        ("treatments", "baked", "not what belongs there"),
        ("passes", [{"n": 0}], "below"),
        ("passes", [{"outcome": "complete"}], "n"),
        ("channel_status_raw", ["ff"], "form"),
    ],
)
def test_a_value_that_a_sheet_would_not_take_is_refused(
    evening: Evening, name: str, value: Any, word: str
) -> None:
    said = evening.refused(
        "not-a-text" if value == {"cell": 7} else "no-such-value",
        "declared", scope="transfer", id="T1", field=name, value=value,
    )  # fmt: skip
    assert word in said.what + said.todo


def test_what_a_sheet_would_only_warn_of_is_written_with_the_warning(evening: Evening) -> None:
    acted = declare(evening, "title", {"cell": "\u00a0Evening"})
    assert len(acted.warnings) == 0, "a title is prose and kept as typed"
    acted = declare(evening, "carrier_stock", {"cell": "\u00a0Marlund 60"})
    assert acted.entry["value"] == "Marlund 60"
    assert "Special spaces" in acted.warnings[0]


def test_a_table_is_stated_whole(evening: Evening) -> None:
    rows = [{"type": "mute", "frame": 5, "origin": "seen"}]
    assert declare(evening, "transfer_events", rows).entry["value"] == rows
    assert declare(evening, "transfer_events", []).entry["was"] == rows


@pytest.mark.parametrize("scope", ["job", "defaults", "chain", "transfer", "equipment"])
def test_every_field_can_be_stated(evening: Evening, scope: str) -> None:
    ids = {"chain": "A", "transfer": "T1", "equipment": "DECK-1"}
    digests = (
        "channel_status_raw",
        "processing_steps",
        "source_items",
        "passes",
        "supersedes",
        "derived_from",
    )
    own = {"chain": "id", "transfer": "transfer_id", "equipment": "id", "job": "schema_version"}
    for name, column in columns_of(scope).items():
        if name in digests or name == own.get(scope):
            continue  # their samples are no digests; the id is what the line names the thing by
        value = "A" if name == "chain" else sample(column)
        acted = evening.act("declared", scope=scope, id=ids.get(scope), field=name, value=value)
        assert acted.entry["value"] == value
        assert evening.desk.in_force(scope, ids.get(scope), name) == value
    if scope in own:
        said = evening.refused(
            "no-such-field", "declared", scope=scope, id=ids.get(scope), field=own[scope], value="x"
        )
        assert own[scope] in said.what


def test_was_must_be_what_is_in_force(evening: Evening) -> None:
    declare(evening, "title", "Evening two", was="Evening one")
    said = evening.refused(
        "changed-meanwhile",
        "declared",
        scope="transfer",
        id="T1",
        field="title",
        value="x",
        was="Evening one",
    )
    assert "Evening two" in said.what and "Ilse Varrow stated it at 21:00:01 (line 1)" in said.what
    assert declare(evening, "title", "Evening three").entry["was"] == "Evening two"
    evening.refused(
        "changed-meanwhile",
        "declared",
        scope="transfer",
        id="T1",
        field="carrier_type",
        value="vhs",
        was="betamax",
    )


def test_was_may_be_what_the_chain_said_for_the_transfer(evening: Evening) -> None:
    declare(evening, "chain", "A")
    acted = declare(evening, "deck_id", "DECK-7", was="DECK-1")
    assert acted.entry["was"] is None, "in its own place nothing stood"


@pytest.mark.parametrize(
    ("members", "code"),
    [
        ({"scope": "tape", "id": "T1", "field": "title", "value": "x"}, "not-a-word"),
        ({"scope": "transfer", "field": "title", "value": "x"}, "member-missing"),
        ({"scope": "transfer", "id": "T9", "field": "title", "value": "x"}, "transfer-unknown"),
        ({"scope": "transfer", "id": "t1", "field": "title", "value": "x"}, "id-too-like"),
        ({"scope": "chain", "id": "a", "field": "deck_id", "value": "x"}, "id-too-like"),
        ({"scope": "chain", "id": "A\x07", "field": "deck_id", "value": "x"}, "not-an-id"),
        ({"scope": "job", "id": "J1", "field": "client", "value": "x"}, "id-too-much"),
        ({"scope": "transfer", "id": "T1", "field": "titel", "value": "x"}, "no-such-field"),
        ({"scope": "chain", "id": "A", "field": "title", "value": "x"}, "no-such-field"),
        ({"scope": "transfer", "id": "T1", "field": "file", "value": "../x.wav"}, "file-outside"),
        ({"scope": "transfer", "id": "T1", "field": "photos", "value": ["/etc/passwd"]}, "file-outside"),
        ({"scope": "transfer", "id": "T1", "field": "documents", "value": ["a\\b"]}, "file-outside"),
        ({"scope": "job", "field": "equipment", "value": "../equipment.toml"}, "file-outside"),
        ({"scope": "job", "field": "client_profiles", "value": ["~/x"]}, "file-outside"),
        (
            {"scope": "transfer", "id": "T1", "field": "passes", "value": [{"n": 1, "file": "../x"}]},
            "file-outside",
        ),
    ],
)  # fmt: skip
def test_a_place_that_is_none_is_refused(evening: Evening, members: dict[str, Any], code: str) -> None:
    evening.refused(code, "declared", **members)


def test_a_link_is_not_followed(evening: Evening) -> None:
    (evening.folder / "paper").symlink_to("/etc/passwd")
    evening.refused("file-outside", "declared", scope="job", field="documents", value=["paper"])


def test_a_file_that_is_not_there_yet_is_a_warning(evening: Evening) -> None:
    acted = declare(evening, "documents", ["later.txt", "paper.txt"])
    assert len(acted.warnings) == 1 and "later.txt" in acted.warnings[0]


# --- passes ---


def test_a_pass_starts_with_every_setting_confirmed(evening: Evening) -> None:
    said = evening.refused(
        "settings-unconfirmed", "pass_started", transfer_id="T1", chain_id="A",
        settings={"deck_id": "DECK-1", "capture_input": "1"},
    )  # fmt: skip
    assert said.what == "Not confirmed for chain A: 'Decoder' and 'Capture device'."
    acted = evening.start("T1", "A", decoder_id="DEC-9", clock_source={"cell": "source"}, interface_type=None)
    one = one_pass(evening)
    assert one.changed == ("clock_source", "decoder_id") == tuple(acted.entry["changed"])
    assert one.settings == {
        "deck_id": "DECK-1", "decoder_id": "DEC-9", "capture_device_id": "CAP-1", "capture_input": "1",
        "clock_source": "source",
    }  # fmt: skip
    assert one.running and one.number == 1
    assert acted.words.endswith("pass 1 of T1 started on chain A; changed: 'Clock' and 'Decoder'")


def test_a_setting_taken_away_is_a_change_and_a_default_is_none(tmp_path: Path) -> None:
    evening = Evening(tmp_path / "job", defaults=[{"clock_source": "source", "capture_word_length": 16}])
    acted = evening.start("T1", "A", decoder_id=None, clock_source="source", capture_word_length=24)
    assert acted.entry["changed"] == ["capture_word_length", "decoder_id"]
    assert acted.entry["settings"]["decoder_id"] is None


def test_the_date_of_a_check_goes_with_the_check(tmp_path: Path) -> None:
    checked = {**CHAINS[0], "chain_check_id": "CHK-1", "chain_check_at": "2026-06-01T08:00:00+02:00"}
    evening = Evening(tmp_path / "job", chain=[checked, CHAINS[1]])
    given = evening.desk.settings("A")
    without = {k: v for k, v in given.items() if k != "chain_check_at"}
    evening.refused(
        "settings-unconfirmed", "pass_started", transfer_id="T1", chain_id="A",
        settings={**without, "chain_check_id": "CHK-2"},
    )  # fmt: skip
    evening.act("pass_started", transfer_id="T1", chain_id="A", settings=without)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "T1 is being played already, on chain A"),
        ({"transfer_id": "T2", "chain_id": "A"}, "Chain A is in use by pass 1 of T1"),
        ({"transfer_id": "T2", "deck_id": "DECK-1"}, "Deck DECK-1 is in use"),
        ({"transfer_id": "T2", "capture_input": "1"}, "Capture device CAP-1, input 1 is in use"),
    ],
)
def test_nothing_is_used_twice_at_once(evening: Evening, changes: dict[str, Any], words: str) -> None:
    evening.act("taken_in", transfer_id="T2")
    evening.start("T1", "A")
    at = {"transfer_id": "T1", "chain_id": "B", **{k: v for k, v in changes.items() if k.endswith("r_id")}}
    chain_id = changes.get("chain_id", "B")
    settings = {**evening.desk.settings(chain_id)}
    settings |= {k: v for k, v in changes.items() if k in ("deck_id", "capture_input")}
    said = evening.refused(
        "in-use", "pass_started", transfer_id=at["transfer_id"], chain_id=chain_id, settings=settings
    )
    assert words in said.what
    evening.act("pass_stopped", transfer_id="T1", outcome="partial")
    evening.act("pass_started", transfer_id=at["transfer_id"], chain_id=chain_id, settings=settings)


def test_two_passes_overlap_on_two_chains(evening: Evening) -> None:
    evening.act("taken_in", transfer_id="T2")
    evening.start("T1", "A")
    evening.start("T2", "B")
    for transfer_id, kind in [("T1", "mute"), ("T2", "hold"), ("T1", "relock")]:
        evening.act("event", transfer_id=transfer_id, type=kind)
    assert [e.type for e in one_pass(evening).events] == ["mute", "relock"]
    assert [e.type for e in one_pass(evening, "T2").events] == ["hold"]


def test_the_next_pass_has_the_next_number(tmp_path: Path) -> None:
    evening = Evening(
        tmp_path / "job", transfer=[{"transfer_id": "T1", "passes": [{"n": 3, "outcome": "failed"}]}]
    )
    acted = evening.start("T1", "A")
    assert acted.entry["pass"] == 4
    assert "has no reason" in acted.warnings[0]
    evening.act("pass_stopped", transfer_id="T1", outcome="failed")
    settings = evening.desk.settings("A")
    more = {"transfer_id": "T1", "chain_id": "A", "settings": settings, "reason": "heads cleaned"}
    evening.refused("changed-meanwhile", "pass_started", **more, **{"pass": 4})
    evening.refused("changed-meanwhile", "pass_started", **more, changed=["deck_id"])
    ended = one_pass(evening, "T1", 4).stopped_at
    early = (evening.at - timedelta(minutes=5)).isoformat()
    said = evening.refused("before-the-pass", "pass_started", **more, happened_at=early)
    assert str(ended)[11:19] in said.what and "T21" not in said.what
    acted = evening.act("pass_started", **more, changed=[], **{"pass": 5})
    assert not acted.warnings


@pytest.mark.parametrize(
    ("members", "code"),
    [
        ({"chain_id": "C"}, "chain-unknown"),
        ({"settings": None}, "settings-missing"),
        ({"settings": {"colour": "red"}}, "no-such-field"),
        ({"settings": {"capture_files": "x"}}, "no-such-field"),
        ({"settings": {"decoder_mode": "blue"}}, "no-such-value"),
        ({"transfer_id": "T8"}, "transfer-unknown"),
    ],
)
def test_a_start_that_makes_no_sense_is_refused(evening: Evening, members: dict[str, Any], code: str) -> None:
    given = {"transfer_id": "T1", "chain_id": "A", "settings": evening.desk.settings("A"), **members}
    evening.refused(code, "pass_started", **given)


def test_a_stop_needs_an_outcome_and_lies_behind_the_events(evening: Evening) -> None:
    evening.refused("no-pass-runs", "pass_stopped", transfer_id="T1", outcome="complete")
    evening.start("T1", "A")
    evening.act("event", after=60, transfer_id="T1", type="mute")
    evening.refused("member-missing", "pass_stopped", transfer_id="T1")
    assert "complete" in evening.refused("not-a-word", "pass_stopped", transfer_id="T1", outcome="done").todo
    before = (evening.at - timedelta(seconds=85)).isoformat()
    evening.refused(
        "before-the-pass", "pass_stopped", transfer_id="T1", outcome="complete", happened_at=before
    )
    between = (evening.at - timedelta(seconds=30)).isoformat()
    said = evening.refused(
        "events-after-stop", "pass_stopped", transfer_id="T1", outcome="complete", happened_at=between
    )
    assert "mute" in said.what
    late = (evening.at - timedelta(seconds=1)).isoformat()
    acted = evening.act(
        "pass_stopped", transfer_id="T1", outcome="complete", happened_at=late, note="tape ran out"
    )
    assert one_pass(evening).stopped_at == late == acted.entry["happened_at"]
    assert one_pass(evening).stop_note == "tape ran out"
    evening.refused("stopped-already", "pass_stopped", transfer_id="T1", outcome="failed", **{"pass": 1})


@pytest.mark.parametrize("outcome", PASS_OUTCOME)
def test_every_outcome_can_be_said(evening: Evening, outcome: str) -> None:
    evening.start("T1", "A")
    evening.act("pass_stopped", transfer_id="T1", outcome=outcome)
    assert one_pass(evening).outcome == outcome


def test_every_event_can_be_logged(evening: Evening) -> None:
    evening.start("T1", "A")
    for kind in TRANSFER_EVENT_TYPE:
        evening.act("event", transfer_id="T1", type=kind, note="in words")
    assert [e.type for e in one_pass(evening).events] == list(TRANSFER_EVENT_TYPE)
    evening.refused("member-missing", "event", transfer_id="T1", type="operator_note")
    evening.refused("not-a-word", "event", transfer_id="T1", type="noise")


def test_an_event_after_the_pass_is_one_inside_it_or_none(evening: Evening) -> None:
    evening.start("T1", "A")
    inside = (evening.at + timedelta(seconds=20)).isoformat()
    evening.act("pass_stopped", after=60, transfer_id="T1", outcome="complete")
    evening.refused("no-pass-runs", "event", transfer_id="T1", type="mute")
    evening.refused("no-pass-runs", "event", transfer_id="T1", type="mute", **{"pass": 1})
    named = {"transfer_id": "T1", "type": "mute", "pass": 1}
    late, early = ((evening.at + timedelta(seconds=s)).isoformat() for s in (1, -90))
    evening.refused("after-the-pass", "event", **named, happened_at=late)
    evening.refused("before-the-pass", "event", **named, happened_at=early)
    acted = evening.act("event", **named, happened_at=inside)
    assert [e.at for e in one_pass(evening).events] == [inside]
    assert acted.words.startswith("21:00:21 ")


def test_notes_hang_where_they_belong(evening: Evening) -> None:
    evening.start("T1", "A")
    evening.act("noted", note="quiet evening")
    evening.act("noted", note="label loose", transfer_id="T1")
    evening.act("noted", note="hum", transfer_id="T1", **{"pass": 1})
    state = evening.desk.state
    assert [n.text for n in state.notes] == ["quiet evening"]
    assert [n.text for n in state.transfers["T1"].notes] == ["label loose"]
    assert [n.text for n in one_pass(evening).notes] == ["hum"]


def test_a_verdict_is_said_of_a_stopped_pass_and_may_be_changed(evening: Evening) -> None:
    evening.start("T1", "A")
    evening.refused("pass-runs", "judged", transfer_id="T1", verdict="accepted")
    evening.refused("pass-runs", "judged", transfer_id="T1", verdict="accepted", **{"pass": 1})
    evening.act("pass_stopped", transfer_id="T1", outcome="complete")
    evening.refused("not-a-word", "judged", transfer_id="T1", verdict="fine")
    acted = evening.act("judged", transfer_id="T1", verdict="accepted")
    assert "no file attached" in acted.warnings[0]
    evening.refused("which-pass", "judged", transfer_id="T1", verdict="redo")
    evening.act("judged", transfer_id="T1", verdict="redo", note="hum", **{"pass": 1})
    assert (one_pass(evening).verdict, one_pass(evening).verdict_note) == ("redo", "hum")
