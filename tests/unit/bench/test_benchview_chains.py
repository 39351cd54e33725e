"""What the chains page is told: where each setting comes from, what the last test says, what runs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from support.benchjob import World, evening, world

from provpack.jobs.benchview_chains import EVENT_GROUPS, chains_view
from provpack.model.vocab import TRANSFER_EVENT_TYPE
from provpack.report.bench_pages import Frame, page


def lanes(made: World) -> dict[str, dict[str, Any]]:
    return {lane["id"]: lane for lane in chains_view(made.desk, made.info)["lanes"]}


def setting(lane: dict[str, Any], name: str) -> dict[str, Any]:
    found = [one for group in lane["rest"]["groups"] for one in group["settings"] if one["field"] == name]
    assert len(found) == 1, name
    return dict(found[0])


def test_every_event_type_has_one_button_and_one_key_of_its_own() -> None:
    buttons = [event for _, events in EVENT_GROUPS for event in events]
    assert {kind for kind, _, _ in buttons} == set(TRANSFER_EVENT_TYPE) - {"operator_note"}
    keys = [key for _, _, key in buttons]
    # digits choose the chain, n the note, z the stop, - and 0 the time
    assert len(set(keys)) == len(keys) and not set(keys) & set("0123456789nz-")


def test_settings_say_where_they_come_from(tmp_path: Path) -> None:
    made = world(tmp_path)
    made.act("declared", scope="chain", id="A", field="decoder_mode", value="14")
    lane = lanes(made)["A"]
    assert setting(lane, "deck_id")["origin"] == "job.toml, chain A"
    assert setting(lane, "capture_software")["origin"] == "job.toml, defaults"
    assert setting(lane, "decoder_mode")["origin"] == "stated at the bench 20:31:20 by Ilse Varrow"
    assert setting(lane, "deck_id")["register"] == "DECK-1: Ostrane MV-9, serial 9-204117"
    unsaid = setting(lanes(made)["C"], "dropout_compensator")
    assert unsaid["unsaid"] and unsaid["origin"] == ""


def test_last_time_beats_the_sheet_and_says_what_the_sheet_says(tmp_path: Path) -> None:
    made = world(tmp_path)
    made.start("T01", "A", decoder_mode="16")
    made.act("pass_stopped", transfer_id="T01", outcome="complete")
    lane = lanes(made)["A"]
    mode = setting(lane, "decoder_mode")
    assert (mode["value"], mode["sheet_says"]) == ("16", "auto")
    assert mode["origin"] == "last pass here: T01, pass 1, 20:31:20"
    made.act("declared", scope="chain", id="A", field="decoder_mode", value="14")
    mode = setting(lanes(made)["A"], "decoder_mode")
    assert (mode["value"], mode["was"]) == ("14", "16")


@pytest.mark.parametrize("seen", ["emphasis_indicator", "copy_indicator", "error_indication"])
def test_what_was_seen_on_one_tape_is_not_carried_to_the_next(seen: str, tmp_path: Path) -> None:
    made = world(tmp_path)
    made.start("T01", "A", **{seen: "none_seen" if seen == "error_indication" else "on"})
    made.act("pass_stopped", transfer_id="T01", outcome="complete")
    fields = [one["field"] for group in lanes(made)["A"]["rest"]["groups"] for one in group["settings"]]
    assert seen not in fields


def test_an_old_test_tape_and_one_before_a_service_warn_in_the_rules_words(tmp_path: Path) -> None:
    made = world(tmp_path)
    fresh, old = lanes(made)["A"]["rest"]["test"], lanes(made)["B"]["rest"]["test"]
    assert (fresh["id"], fresh["days"], fresh["findings"]) == ("CHK-2026-031", 3, [])  # begun days count
    assert {f["rule"] for f in old["findings"]} == {"rec-chain-check-old", "rec-chain-check-before-service"}
    none = lanes(made)["C"]["rest"]["test"]
    assert none["id"] is None and [f["rule"] for f in none["findings"]] == ["rec-chain-check-missing"]


def test_what_is_in_use_is_said_before_anybody_starts(tmp_path: Path) -> None:
    made = world(tmp_path)
    made.start("T01", "B")
    assert lanes(made)["C"]["rest"]["in_use"] == [
        "DECK-2 plays T01 on chain B now.",
        "CAP-1, input digital 2, captures T01 on chain B now.",
    ]
    assert lanes(made)["A"]["rest"]["in_use"] == []


def test_carriers_that_run_are_not_offered_and_played_ones_come_last(tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    offered = chains_view(made.desk, made.info)["carriers"]
    assert [(one["id"], one["passes"]) for one in offered] == [("T03", 0), ("T04", 0), ("T01", 1)]
    assert offered[0]["words"] == "T03 / K-0413: Three harbour songs, copy for radio"


def test_a_running_chain_says_what_is_on_and_what_nobody_has_said(tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    run = lanes(made)["A"]["running"]
    assert (run["transfer_id"], run["started"], run["clock"]) == ("T02", "21:18:12", "0:10:43")
    assert run["changed"] == ["decoder_mode"]
    emphasis, mode = run["states"]
    assert (emphasis["words"], emphasis["since"]) == ("on", "21:18:43")
    assert mode["words"] == "nobody has said"
    assert run["events"]["shown"][0]["words"] == "Silence" and len(run["events"]["more"]) == 2


def test_an_event_written_down_later_says_when_it_was_written(tmp_path: Path) -> None:
    made = evening(world(tmp_path))
    made.act("event", transfer_id="T02", type="hold", happened_at="2026-06-12T21:28:45+02:00")
    line = lanes(made)["A"]["running"]["events"]["shown"][0]
    assert (line["at"], line["words"], line["late"]) == ("21:28:45", "Sound held", "21:28:55")


def test_no_chain_and_hostile_words_still_make_a_page(tmp_path: Path) -> None:
    made = world(tmp_path, carriers=False)
    made.act("taken_in", transfer_id="T9")
    made.act("declared", scope="transfer", id="T9", field="title", value="<script>alert(1)</script>")
    frame = Frame(
        token="t", title="Chains", path="/chains", by="", job="<b>", n=0, now=made.now[0].isoformat()
    )
    text = page("chains", chains_view(made.desk, made.info), frame=frame)
    assert "<script>alert" not in text and "&lt;script&gt;alert" in text
    assert " style=" not in text and "onclick" not in text  # the content security policy allows neither
    assert "Times are local, UTC+02:00." in text


@pytest.mark.parametrize(
    ("now", "zone"),
    [
        ("2026-06-12T21:00:00.250+02:00", "UTC+02:00"),
        ("2026-06-12T21:00:00-09:30", "UTC-09:30"),
        ("2026-06-12T21:00:00+00:00", "UTC+00:00"),
        ("1885-06-12T21:00:00+00:53:28", "UTC+00:53"),
    ],
)
def test_the_clock_of_the_page_is_told_by_its_offset(now: str, zone: str) -> None:
    """The forms of datetime.isoformat() with an offset (Python library reference, datetime)."""
    assert Frame(token="t", title="x", path="/", by="", job="J", n=0, now=now).zone == zone
