"""What is open in a ledger: the twists of carriers, deliveries, faults, retention and checks."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from provpack.edge.ledger import LEDGER_NAME, append_many
from provpack.edge.schemas import validate
from provpack.jobs.custodyview import CustodyResult, look_at_custody
from provpack.package.custodystate import CustodyState
from provpack.package.ledgerchain import NO_PREVIOUS
from provpack.package.ledgerline import ledger_line

AT = "2031-06-10T12:00:00+02:00"
TODAY = date(2031, 6, 20)
NUMBER = "0f5c1d2e-7a34-4b6c-9d80-000000000001"


def line(kind: str, **fields: Any) -> dict[str, Any]:
    made = ledger_line(kind, at=fields.pop("at", AT), tool_version="0.1.0", **fields)
    assert validate("ledger-entry", {**made, "n": 1, "previous": NO_PREVIOUS}) == []
    return made


Look = Callable[..., CustodyResult]


@pytest.fixture
def look(tmp_path: Path) -> Look:
    def of(*lines: dict[str, Any], **more: Any) -> CustodyResult:
        (tmp_path / LEDGER_NAME).unlink(missing_ok=True)
        append_many(tmp_path / LEDGER_NAME, lines)
        result = look_at_custody(tmp_path, today=TODAY, **more)
        assert result.chain.holds
        return result

    return of


def topics(result: CustodyResult) -> list[tuple[str, str]]:
    out = []
    for one in result.open:
        value = one.as_json()
        name = value["carrier"] or value["equipment_id"] or ",".join(value["packages"])
        out.append((value["topic"], name))
    return out


def received(carrier: str = "C1", **more: Any) -> dict[str, Any]:
    return line("carrier_received", carrier_id=carrier, organisation="Ambersund Chamber Archive", **more)


def sealed(package: str = "j_t1", **more: Any) -> dict[str, Any]:
    return line("wrapped", package=package, outcome="done", tagmanifest_sha512="a" * 128, **more)


def checked(package: str = "j_t1", outcome: str = "good", depth: str = "bytes") -> dict[str, Any]:
    return line("fixity_checked", package=package, outcome=outcome, depth=depth)


PASS = {"job_id": "J", "transfer_id": "T1", "pass_n": 1, "equipment_ids": ["DECK-1"]}


# --- carriers ---


def test_a_carrier_that_came_in_and_has_no_outcome(look: Look) -> None:
    (one,) = look(received(happened_at="2031-06-08")).open
    told = one.as_json()
    assert (told["topic"], told["carrier"], told["days"], told["since"]) == (
        "no_outcome",
        "C1",
        12,
        "2031-06-08",
    )
    assert "Ambersund Chamber Archive" in one.finding.what and one.line == 1


def test_what_never_came_in_is_not_in_the_house(look: Look) -> None:
    state = CustodyState()
    state.add(1, line("carrier_returned", carrier_id="C1"))
    state.add(2, received("C2"))
    assert [state.in_house(state.carriers[name]) for name in ("C1", "C2")] == [False, True]
    assert look(line("carrier_returned", carrier_id="C1")).open == ()


@pytest.mark.parametrize("kind", ["carrier_returned", "retained", "destroyed"])
def test_its_end_closes_a_carrier_in_whatever_order_it_was_entered(look: Look, kind: str) -> None:
    first, end = received(happened_at="2031-06-08"), line(kind, carrier_id="C1", happened_at="2031-06-08")
    assert look(first, end).open == ()
    assert look(end, first).open == ()


def test_a_carrier_that_came_back_is_open_again(look: Look) -> None:
    lines = [
        received(happened_at="2031-06-01T09:00:00+02:00"),
        line("carrier_returned", carrier_id="C1", happened_at="2031-06-02T09:00:00+02:00"),
        received(happened_at="2031-06-03T09:00:00+02:00"),
    ]
    assert topics(look(*lines)) == [("no_outcome", "C1")]
    assert topics(look(lines[2], lines[1], lines[0])) == [("no_outcome", "C1")]


def test_a_package_of_its_transfer_is_an_outcome_and_it_is_still_in_the_house(look: Look) -> None:
    made = line("pass_made", carrier_id="C1", **PASS)
    assert topics(look(received(), made)) == [("no_outcome", "C1")]
    assert topics(look(sealed(), checked(), received(), made)) == [("in_house", "C1")]
    assert topics(look(received(), sealed(carrier_id="C1", at=AT), checked())) == [("in_house", "C1")]


def test_what_was_wrapped_before_it_came_again_is_no_outcome(look: Look) -> None:
    old = sealed(carrier_id="C1", at="2031-05-01T10:00:00+02:00")
    assert topics(look(old, checked(), received(happened_at="2031-06-01"))) == [("no_outcome", "C1")]


@pytest.mark.parametrize(
    ("outcome", "topic"),
    [("no_pcm_found", "in_house"), ("failed", "in_house"), ("stopped_for_safety", "in_house"),
     ("complete", "no_outcome"), ("partial", "no_outcome"), ("unknown", "no_outcome")],
)  # fmt: skip
def test_a_pass_without_result_is_an_outcome(look: Look, outcome: str, topic: str) -> None:
    made = line("pass_made", carrier_id="C1", pass_outcome=outcome, **PASS)
    assert topics(look(received(), made)) == [(topic, "C1")]


def test_an_item_stands_for_its_only_carrier(look: Look) -> None:
    came = line("carrier_received", carrier_id="BC-7", client_item_id="ACA-1")
    left = line("carrier_returned", carrier_id="ACA-1")
    assert look(came, left).open == ()
    second = line("carrier_received", carrier_id="BC-8", client_item_id="ACA-1")
    assert topics(look(came, second, left)) == [("no_outcome", "BC-7"), ("no_outcome", "BC-8")]


# --- deliveries ---


def handed(package: str | None = "j_t1", number: str | None = NUMBER, **more: Any) -> dict[str, Any]:
    return line(
        "delivered", package=package, delivery_id=number, organisation="Tarnwick Harbour Museum", **more
    )


def test_a_delivery_without_receipt_counts_its_days(look: Look) -> None:
    (one,) = look(handed(happened_at="2031-06-11T10:00:00+02:00"), handed("j_t2")).open
    told = one.as_json()
    assert (told["topic"], told["packages"], told["days"]) == ("no_receipt", ["j_t1", "j_t2"], 9)
    assert told["delivery_id"] == NUMBER and told["organisation"] == "Tarnwick Harbour Museum"


def test_a_receipt_closes_what_it_names_and_a_whole_one_everything(look: Look) -> None:
    both = [handed(), handed("j_t2")]
    assert look(*both, line("accepted", delivery_id=NUMBER)).open == ()
    part = look(*both, line("accepted", delivery_id=NUMBER, package="j_t2"))
    assert topics(part) == [("no_receipt", "j_t1")]
    assert look(handed(None), line("accepted", delivery_id=NUMBER, package="j_t1")).open == ()
    assert look(handed(number=None), line("accepted", package="j_t1")).open == ()


def test_a_refusal_stays_open_until_something_is_done(look: Look) -> None:
    lines = [handed(), line("refused", delivery_id=NUMBER, package="j_t1", note="damaged")]
    assert topics(look(*lines)) == [("refused", "j_t1")]
    again = handed(number=NUMBER.replace("1", "2"))
    assert topics(look(*lines, again)) == [("no_receipt", "j_t1")]
    assert look(*lines, line("superseded", package="j_t1", note="by j_t2")).open == ()
    assert look(*lines, line("accepted", package="j_t1")).open == ()


def test_an_answer_to_what_nobody_handed_over(look: Look) -> None:
    """A refusal is told, for somebody refuses something of ours; an acceptance leaves nothing to be done."""
    refused = line("refused", delivery_id=NUMBER, package="j_t1", note="damaged")
    (one,) = look(refused).open
    assert (one.as_json()["topic"], one.packages, one.as_json()["delivery_id"]) == (
        "refused",
        ("j_t1",),
        NUMBER,
    )
    assert topics(look(line("refused", package="j_t1", note="damaged"))) == [("refused", "j_t1")]
    assert look(line("accepted", delivery_id=NUMBER, package="j_t1")).open == ()
    assert look(refused, line("accepted", delivery_id=NUMBER, package="j_t1")).open == ()


# --- packages, retention ---


def test_sealed_and_never_checked(look: Look) -> None:
    assert topics(look(sealed())) == [("never_checked", "j_t1")]
    assert topics(look(sealed(), checked(depth="listed"))) == [("never_checked", "j_t1")]
    assert look(sealed(), checked()).open == ()
    assert look(sealed(), line("destroyed", package="j_t1", note="as agreed")).open == ()


@pytest.mark.parametrize("outcome", ["bad", "missing", "could_not_check"])
def test_the_last_check_counts(look: Look, outcome: str) -> None:
    assert topics(look(sealed(), checked(), checked(outcome=outcome))) == [("check_failed", "j_t1")]
    assert look(sealed(), checked(outcome=outcome), checked()).open == ()


def test_retention_ends_the_day_after(look: Look) -> None:
    def kept(until: str, **more: Any) -> dict[str, Any]:
        return line("retained", until=until, **(more or {"package": "j_t1"}))

    assert look(kept("2031-06-20")).open == ()
    assert topics(look(kept("2031-06-19"))) == [("retention_ended", "j_t1")]
    assert look(kept("2031-06-19"), kept("2032-01-01")).open == ()
    assert look(kept("2031-06-19"), line("destroyed", package="j_t1", note="as agreed")).open == ()
    assert topics(look(kept("2031-06-01", carrier_id="C1"))) == [("retention_ended", "C1")]


# --- faults ---


def played(transfer: str, start: str | None, stop: str | None, deck: str = "DECK-1") -> dict[str, Any]:
    return line("pass_made", job_id="J", transfer_id=transfer, pass_n=1, equipment_ids=["DEC-1", deck],
                started_at=start, stopped_at=stop)  # fmt: skip


def test_a_fault_names_what_was_made_on_that_equipment_in_its_time(look: Look) -> None:
    passes = [
        played("T1", "2031-06-01T10:00:00+02:00", "2031-06-01T11:00:00+02:00"),
        played("T2", "2031-06-03T10:00:00+02:00", "2031-06-03T11:00:00+02:00"),
        played("T3", "2031-06-03T10:00:00+02:00", None, "DECK-2"),
        played("T4", None, None),
        played("T5", "2031-06-09T10:00:00+02:00", "2031-06-09T11:00:00+02:00"),
        played("T6", "2031-06-01T23:30:00+02:00", "2031-06-02T00:30:00+02:00"),
    ]
    fault = line("fault_noted", equipment_id="DECK-1", notice_id="F-1", note="guide post loose",
                 since="2031-06-02T00:00:00+02:00", until="2031-06-05T00:00:00+02:00")  # fmt: skip
    (one,) = look(*passes, fault).open
    # T4: nobody knows when; it may have been then
    assert (one.as_json()["topic"], one.packages) == ("fault_open", ("j_t2", "j_t4", "j_t6"))
    assert "guide post loose" in one.finding.what and "F-1" in one.finding.what
    still = line("fault_noted", equipment_id="DECK-1", notice_id="F-1", since="2031-06-02T00:00:00+02:00")
    (one,) = look(*passes, still).open
    assert one.packages == ("j_t2", "j_t4", "j_t5", "j_t6")


def test_a_cleared_fault_is_closed_and_only_that_one(look: Look) -> None:
    faults = [line("fault_noted", equipment_id="DECK-1", notice_id=f"F-{i}", note="x") for i in (1, 2)]
    cleared = line("fault_cleared", equipment_id="DECK-1", notice_id="F-1", note="no harm")
    assert [o.finding.what.split(":")[0] for o in look(*faults, cleared).open] == ["DECK-1, notice F-2"]
    other = line("fault_cleared", equipment_id="DECK-2", note="no harm")
    assert len(look(*faults, other).open) == 2
    assert look(*faults, line("fault_cleared", equipment_id="DECK-1", note="no harm")).open == ()


def test_another_line_about_the_equipment_neither_notes_nor_clears_a_fault(look: Look) -> None:
    fault = line("fault_noted", equipment_id="DECK-1", notice_id="F", note="x")
    other = line("note", equipment_id="DECK-1", notice_id="F", note="looked at, nothing found yet")
    assert topics(look(fault, other)) == [("fault_open", "DECK-1")]
    assert look(other).open == ()


def test_two_notices_under_one_id_are_both_shown(look: Look) -> None:
    """As audit and trace judge by both (tests/unit/harvest/test_harvest_faults.py)."""

    def noted(note: str, since: str | None, until: str | None = None) -> dict[str, Any]:
        return line("fault_noted", equipment_id="DECK-1", notice_id="F", note=note, since=since, until=until,
                    happened_at=since)  # fmt: skip

    passes = [
        played(f"T{day}", f"2031-06-{day:02}T10:00:00+02:00", f"2031-06-{day:02}T11:00:00+02:00")
        for day in (1, 5, 9)
    ]
    june, later = noted("dull", "2031-06-01", "2031-06-02"), noted("hum", "2031-06-08")
    found = look(*passes, june, later).open
    assert [(o.finding.what.split(": ")[1][:4], o.packages) for o in found] == [
        ("dull", ("j_t1",)), ("hum ", ("j_t9",)),
    ]  # fmt: skip
    cleared = line("fault_cleared", equipment_id="DECK-1", notice_id="F", happened_at="2031-06-05")
    (one,) = look(june, later, cleared).open
    assert " hum (" in one.finding.what, "what began after the clearing is not cleared by it"
    (one,) = look(june, noted("hiss", "2031-06-01", "2031-06-02")).open
    assert " dull; hiss (" in one.finding.what, "two wordings of one time are one notice"
    (one,) = look(noted("dull", "2031-06-09", "2031-06-01"), later).open
    assert "from 2031-06-08 to now" in one.finding.what, "impossible times give way"


# --- histories, strange lines ---


def test_the_history_of_a_carrier_follows_it_into_its_package(look: Look) -> None:
    lines = [
        sealed(at="2031-06-09T10:00:00+02:00"),
        received(happened_at="2031-06-01"),
        received("C2"),
        line("pass_made", carrier_id="C1", started_at="2031-06-02T10:00:00+02:00", **PASS),
        line("fault_noted", equipment_id="DECK-1", note="guide post loose"),
        line("fault_noted", equipment_id="DECK-7", note="not mine"),
        handed(),
        line("accepted", delivery_id=NUMBER, at="2031-06-12T10:00:00+02:00"),
        sealed("j_t2"),
    ]
    wanted = [2, 4, 1, 5, 7, 8]
    assert [e["n"] for e in look(*lines, carrier="C1").history] == wanted
    assert [e["n"] for e in look(*lines, package="j_t1").history] == wanted
    nothing = look(*lines, carrier="c1")
    assert nothing.history == () and [f.rule for f in nothing.findings] == ["custody-unknown-name"]


def test_lines_of_version_1_0_and_lines_of_the_future_are_read(look: Look) -> None:
    old = {"schema_version": "1.0.0", "at": AT, "kind": "wrapped", "tool": "provpack",
           "tool_version": "0.1.0", "package": "j_t1", "tagmanifest_sha512": "a" * 128,
           "outcome": "done"}  # fmt: skip
    strange = [
        {"kind": "sung_to", "carrier_id": "C9"}, {"kind": 7}, {}, {"kind": "wrapped", "package": ["x"]},
        {"kind": "retained", "package": "p", "until": "soon"}, {"kind": "delivered"},
        {"kind": "pass_made", "equipment_ids": "DECK-1", "started_at": 5}, {"kind": "fault_noted"},
        {"kind": "accepted", "delivery_id": {}}, {"kind": "carrier_received", "carrier_id": "C3", "at": 5},
    ]  # fmt: skip
    result = look(old, *strange, carrier="C3")
    assert ("never_checked", "j_t1") in topics(result) and ("no_outcome", "C3") in topics(result)
    value = {"schema": "urn:provpack:schema:result-custody:1.0.0", "exit_code": result.exit_code}
    assert validate("result-custody", value | result.as_json()) == []


def test_a_line_of_ours_knows_its_members() -> None:
    with pytest.raises(TypeError):
        ledger_line("wrapt", at=AT, tool_version="0.1.0")
    with pytest.raises(TypeError):
        ledger_line("wrapped", at=AT, tool_version="0.1.0", colour="red")
    assert "person" not in line("note", note="x", person="")
