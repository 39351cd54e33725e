"""What the pages after a pass and of the packages are told: which file agrees and why, what was found, what
can be wrapped."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from support.benchafter import RATE, SECONDS, A, B, Finished
from support.jobs import wrap

from provpack.edge.ledger import LEDGER_NAME, append
from provpack.jobs.benchview_after import after_view, packages_view
from provpack.package.ledgerline import FIXITY_CHECKED, WRAPPED, ledger_line
from provpack.report.bench_after import after_parts
from provpack.report.bench_pages import Frame, page

PACKAGE = "job-1_t01"


@pytest.fixture
def made(tmp_path: Path) -> Finished:
    return Finished(tmp_path)


def after(made: Finished, transfer_id: str = "T01", number: int = 1) -> dict[str, Any]:
    return after_view(made.desk, made.info, transfer_id, number)


def packages(made: Finished) -> dict[str, Any]:
    return packages_view(made.desk, made.info)


def html(made: Finished, name: str, view: dict[str, Any]) -> str:
    frame = Frame(token="t", title="x", path="/", by="", job="J", n=0, now=made.at.isoformat())
    return page(name, view, frame=frame)


def by_file(view: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {one["file"]: one for one in [*view["files"]["shown"], *view["files"]["more"]]}


# --- the file ---


def test_two_files_alike_in_time_and_length_are_told_apart_by_their_input(made: Finished) -> None:
    view = after(made)
    assert [one["file"] for one in view["files"]["shown"]] == [A, B]
    mine, other = by_file(view)[A], by_file(view)[B]
    assert mine["plain"] and [row["words"] for row in mine["rows"]] == ["agrees"] * 3
    assert [row["words"] for row in other["rows"]] == ["not known", "agrees", "does not agree"]
    assert not other["plain"]
    assert other["better"] == {"words": "T02, pass 1, on chain B", "address": "/after/T02/1"}
    assert any("not where chain A captures to" in said for said in other["why"])
    assert other["title"] == "It does not look like the file of T01, pass 1"


def test_what_the_page_offers_is_what_the_desk_takes(made: Finished) -> None:
    offered = by_file(after(made))
    made.act("file_attached", **offered[A]["members"])
    view = after(made)
    assert view["attached"]["file"] == A and view["files"]["shown"] == []
    held = by_file(after(made, "T02"))[A]
    assert held["held"]["words"] == "T01, pass 1, on chain A" and not held["plain"]
    made.act("file_detached", **view["attached"]["detach"])
    made.act("file_attached", **{**offered[B]["by_person"], "reason": "cables were crossed"})
    attached = after(made)["attached"]
    assert attached["by"] == "Attached by decision: cables were crossed"
    assert attached["rows"][2]["words"] == "does not agree"


def test_a_file_that_is_not_finished_is_not_offered_without_a_question(made: Finished) -> None:
    whole = (made.folder / A).read_bytes()
    (made.folder / A).write_bytes(whole[: len(whole) // 2])
    made.watch.look()
    one = by_file(after(made))[A]
    assert not one["plain"] and any("declares" in said for said in one["unready"])


@pytest.mark.parametrize("number", [1, 2])
def test_a_pass_that_is_not_there_or_still_runs(made: Finished, number: int) -> None:
    if number == 1:
        settings = made.desk.settings("A")
        made.act("pass_started", transfer_id="T03", chain_id="A", settings=settings)
    view = after(made, "T03", number)
    assert view["running"] == (number == 1) and view["known"] == (number == 1)
    assert view["files"]["shown"] == [] and view["attached"] is None
    assert ("still runs" if number == 1 else "There is no pass 2 of T03") in html(made, "after", view)


# --- measured ---


def test_measuring_is_asked_for_once_and_its_state_is_said(made: Finished) -> None:
    assert after(made)["measure"]["state"] == "no_file"
    made.attach("T01", A)
    waits = after(made)["measure"]
    assert (waits["state"], waits["begin"], waits["address"]) == ("waits", True, "/work/measure/T01/1")
    work = {"work": "w1", "kind": "measure", "transfer_id": "T01", "pass": 1, "words": "measuring a.wav"}
    made.works = {"w1": {**work, "state": "running", "done": 5, "total": 9}}
    runs = after(made)["measure"]
    assert (runs["state"], runs["done"], runs["total"], runs["work"]) == ("running", 5, 9, "w1")
    made.works = {"w1": {**work, "state": "failed", "words": "It was stopped."}}
    failed = after(made)["measure"]
    assert (failed["state"], failed["words"], failed["begin"]) == ("failed", "It was stopped.", False)
    made.measure("T01")
    assert after(made)["measure"]["state"] == "done"


def test_figures_say_what_is_measured_and_what_is_derived(made: Finished) -> None:
    made.attach("T01", A)
    made.measure("T01")
    view = after(made)
    said = {one["label"]: one for one in view["figures"]}
    assert (said["Frames"]["value"], said["Frames"]["how"]) == ("441\u202f000", "measured")
    assert said["Length"]["how"] == "derived" and said["Length"]["value"].startswith("0:00:10, ")
    starts = next(one for one in view["attached"]["facts"] if one["label"] == "First sample taken")
    assert starts["how"] == "derived" and "less its length" in starts["value"]


def test_logged_and_found_stand_on_one_time_line(made: Finished) -> None:
    made.attach("T01", A)
    made.measure("T01")
    drawing = after_parts(after(made))
    assert [one["what"] for one in drawing["events"]] == ["Sound muted", "Error lamp", "Sound held"]
    assert [one["number"] for one in drawing["events"]] == ["1", "2", "3"]
    assert drawing["events"][0]["where"].startswith("0:00:02.000")
    assert "Log, as declared" in drawing["svg"] and drawing["numbered"]
    assert "Events noted: 3." in drawing["words"]
    facts = {row.fact: row for row in drawing["compared"]}
    assert facts["Bits per sample"].verdict == "agree"
    text = html(made, "after", after(made))
    assert " style=" not in text and "onclick" not in text  # the content security policy allows neither


def test_where_nothing_was_logged_the_picture_has_no_numbers(made: Finished) -> None:
    made.attach("T02", B)
    made.measure("T02")
    view = after(made, "T02")
    drawing = after_parts(view)
    assert drawing["svg"] and not drawing["numbered"] and drawing["events"] == []
    assert drawing["words"].endswith("Events noted: 0.")
    assert {meaning for _, meaning in drawing["key"]} == {"digital silence (measured)"}
    text = html(made, "after", view)
    assert "Events noted: 0.</figcaption>" in text and "Numbers stand for" not in text
    assert 'id="events"' not in text and "logged by a person" not in text


@pytest.mark.parametrize(
    ("many", "said"),
    [
        (1, "1 logged event and where it lies in the file"),
        (2, "2 logged events and where they lie in the file"),
    ],
)
def test_one_event_is_told_as_one(made: Finished, many: int, said: str) -> None:
    before = after(made)
    before["files"]["more"] = before["files"]["shown"][:many]
    files = "file" if many == 1 else "files"
    assert f"<summary>{many} further {files}, less likely</summary>" in html(made, "after", before)
    made.attach("T01", A)
    made.measure("T01")
    view = after(made)
    processing = view["picture"]["record"]["processing"]
    processing["transfer_events"] = processing["transfer_events"][:many]
    assert f"<summary>{said}</summary>" in html(made, "after", view)


def test_measurements_without_an_envelope_are_told_without_a_picture(made: Finished) -> None:
    """schemas/measurements.schema.json does not require `envelope`; what was kept in the job folder may have
    none."""
    made.attach("T01", A)
    made.measure("T01")
    view = after(made)
    del view["picture"]["measurements"]["envelope"]
    drawing = after_parts(view)
    assert (drawing["svg"], drawing["words"], drawing["key"], drawing["numbered"]) == ("", "", (), False)
    text = html(made, "after", view)
    assert "<figcaption>" not in text and 'class="sound"' not in text
    assert "3 logged events and where they lie in the file" in text and "Sound held" in text
    assert "Declared beside measured." in text and "Bits per sample" in text


def test_events_of_a_pass_that_is_not_the_transfers_lie_in_its_own_file(made: Finished) -> None:
    made.attach("T01", A)
    made.act("judged", transfer_id="T01", verdict="redo", note="hum", **{"pass": 1})
    made.act("pass_started", transfer_id="T01", chain_id="A", settings=made.desk.settings("A"), reason="hum")
    made.act("pass_stopped", after=SECONDS, transfer_id="T01", outcome="complete")
    made.capture("captures/one/a2.wav", 7)
    made.act(
        "file_attached", transfer_id="T01", file="captures/one/a2.wav", attached_by="person",
        reason="it is", **{"pass": 2},
    )  # fmt: skip
    made.measure("T01")
    view = after(made)
    assert view["picture"]["other_file"]
    events = view["picture"]["record"]["processing"]["transfer_events"]
    assert [e["frame"] for e in events] == [2 * RATE, 4 * RATE, 6 * RATE]
    assert view["others"] == [{"words": "Pass 2", "address": "/after/T01/2"}]


# --- findings ---


def test_every_finding_that_can_be_explained_is_milder_then(made: Finished) -> None:
    made.attach("T01", A)
    made.measure("T01")
    made.act("declared", scope="transfer", id="T01", field="source_bit_depth", value=16)
    before = {f["rule"]: f for f in after(made)["findings"]}
    offered = {rule: f["explain"] for rule, f in before.items() if f["explain"]}
    assert offered
    for rule in offered:
        explain = next(f["explain"] for f in after(made)["findings"] if f["rule"] == rule)
        members = explain["members"]
        reason = {"rule": rule, "reason": "heard it", "by": "Ilse Varrow", "at": made.at.isoformat()}
        assert explain["place"] == len(members["value"])
        made.act("declared", **{**members, "value": [*members["value"], reason]})
    grave = {"error": 0, "warning": 1, "note": 2}
    for found in after(made)["findings"]:
        if found["rule"] in offered:
            assert grave[found["severity"]] > grave[before[found["rule"]]["severity"]], found
            assert "heard it" in found["what"] and found["explain"] is None


def test_an_explanation_given_meanwhile_by_somebody_else_is_not_lost(made: Finished) -> None:
    made.attach("T01", A)
    made.act("declared", scope="transfer", id="T01", field="source_bit_depth", value=16)
    made.measure("T01")
    explain = next(f["explain"] for f in after(made)["findings"] if f["explain"])
    one = {"rule": "rec-emphasis", "reason": "x", "by": "Bo Tarn", "at": made.at.isoformat()}
    made.act("declared", scope="transfer", id="T01", field="waivers", value=[one])
    with pytest.raises(Exception, match="Ilse Varrow") as told:
        made.act("declared", **explain["members"])
    assert getattr(told.value, "code", "") == "bench-changed-meanwhile"


# --- the decision ---


def test_a_decision_is_shown_and_can_be_taken_back(made: Finished) -> None:
    assert after(made)["judged"]["warn"].startswith("No file is attached yet")
    made.attach("T01", A)
    made.act("judged", **after(made)["judged"]["members"], verdict="accepted", note="clean")
    judged = after(made)["judged"]
    assert (judged["words"], judged["note"]) == ("accepted", "clean")
    made.act("taken_back", entry=judged["n"])
    assert after(made)["judged"]["verdict"] == ""


# --- packages ---


def test_what_is_not_ready_says_why(made: Finished) -> None:
    view = packages(made)
    assert [one["id"] for one in view["open"]] == ["T01", "T02", "T03"] and view["ready"] == []
    assert all(one["reasons"] and one["reasons"][0]["what"] for one in view["open"])
    assert view["open"][0]["address"] == "/after/T01/1" and view["open"][2]["address"] == ""


def test_ready_sealed_and_the_ledger(made: Finished) -> None:
    made.attach("T01", A)
    (ready,) = packages(made)["ready"]
    assert ready["id"] == "T01"
    assert any("Nobody has accepted pass 1" in said for said in ready["notes"])
    assert any("not measured yet" in said for said in ready["notes"])
    made.destination.mkdir()
    (unit,) = [u for u in wrap(made.folder, made.destination).units if u.outcome == "wrapped"]
    assert unit.package_name == PACKAGE
    ledger = made.destination / LEDGER_NAME
    for kind, minute, more in (
        (WRAPPED, 10, {}),
        (FIXITY_CHECKED, 20, {"outcome": "good", "depth": "bytes"}),
    ):
        at = f"2026-06-02T21:{minute}:00+02:00"
        append(ledger, ledger_line(kind, at=at, tool_version="1.0.0", package=PACKAGE, **more))
    other = ledger_line(WRAPPED, at="2026-06-02T22:00:00+02:00", tool_version="1.0.0", package="else_t09")
    append(ledger, other)
    view = packages(made)
    assert "T01" not in [one["id"] for one in [*view["ready"], *view["open"]]]
    (package,) = view["packages"]
    assert package["name"] == PACKAGE and package["well"] is True
    assert package["looked"] == "Verified 21:20:00: good (every byte)."
    said = [(one["at"], one["words"]) for one in view["ledger"]["shown"]]
    assert said == [
        ("21:20:00", f"Checked {PACKAGE} (bytes): good."), ("21:10:00", f"Wrapped and sealed {PACKAGE}.")
    ]  # fmt: skip
    assert after(made)["sealed"] == PACKAGE
    assert "never patched" in html(made, "after", after(made))


@pytest.mark.parametrize(("many", "said"), [(1, "1 older line"), (2, "2 older lines")])
def test_older_lines_of_the_ledger_are_counted(made: Finished, many: int, said: str) -> None:
    view = packages(made)
    line = {"iso": "2026-06-02T21:10:00+02:00", "at": "21:10:00", "words": "Wrapped.", "n": 1}
    view["ledger"] = {"shown": [line], "more": [line] * many, "trouble": ""}
    assert f"<summary>{said}</summary>" in html(made, "packages", view)


def test_a_broken_ledger_is_said(made: Finished) -> None:
    made.destination.mkdir()
    ledger = made.destination / LEDGER_NAME
    for minute in (10, 20, 30):
        line = ledger_line(
            WRAPPED, at=f"2026-06-02T21:{minute}:00+02:00", tool_version="1.0.0", package=PACKAGE
        )
        append(ledger, line)
    ledger.write_bytes(ledger.read_bytes().replace(b"21:20", b"21:21"))
    assert packages(made)["ledger"]["trouble"]


def test_what_came_of_a_wrap_is_in_words(made: Finished) -> None:
    problem = {"code": "disk-full", "what": "The disk is full.", "where": "x", "todo": "Make room."}
    made.works = {
        "w1": {
            "work": "w1", "kind": "wrap", "ids": ["T01", "T02"], "label": "wrapping", "state": "done",
            "words": "1 of 2 wrapped. Not wrapped: T02.", "done": 9, "total": 9, "problem": None,
            "result": {"units": [
                {"transfer_id": "T01", "outcome": "wrapped", "findings": [], "problem": None},
                {"transfer_id": "T02", "outcome": "failed", "findings": [], "problem": problem},
            ]},
        }
    }  # fmt: skip
    (work,) = packages(made)["works"]
    assert [(u["name"], u["words"], u["well"]) for u in work["units"]] == [
        ("T01", "sealed", True), ("T02", "failed", False)
    ]  # fmt: skip
    assert work["units"][1]["found"] == [{"what": "The disk is full.", "todo": "Make room."}]
    assert "The disk is full." in html(made, "packages", packages(made))


def test_hostile_words_are_text(tmp_path: Path) -> None:
    made = Finished(tmp_path)
    made.act("declared", scope="transfer", id="T01", field="title", value="<script>alert(1)</script>")
    made.attach("T02", B)
    for name, view in (("after", after(made)), ("packages", packages(made))):
        text = html(made, name, view)
        assert "<script>alert" not in text and "&lt;script&gt;alert" in text
        assert " style=" not in text
