"""Tracing a piece of equipment through a world of records; every word on a pass was computed by hand."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from typing import Any

import pytest
from cli.commandline import fits
from conftest import absent
from support.postgres import database, server
from unit.trace.traceworld import (
    ARCHIVE,
    CLUB,
    F1,
    MUSEUM,
    PACKAGES,
    WORDS,
    catalogue,
    ledger,
    package,
    register,
)

from provpack.catalogue.values import Check, Fault, Ledger, Package
from provpack.cli.output import for_terminal, headed
from provpack.errors import InputProblem
from provpack.jobs.trace import Question, trace
from provpack.jobs.traced import Looked, Traced
from provpack.jobs.tracetimes import Window
from provpack.report.trace_csv import COLUMNS, trace_table
from provpack.report.trace_text import PERSONAL, trace_lines


def traced(
    what: str,
    *ledgers: Ledger,
    packages: tuple[Package, ...] = PACKAGES,
    since: str | None = None,
    until: str | None = None,
    by: str | None = None,
) -> Traced:
    """The answer; by: text of a register."""
    entries = register(by) if by is not None else None
    with catalogue(packages, *ledgers) as known:
        question = Question(equipment=what, window=Window(since=since, until=until), register=entries)
        result = trace(known.ask, question, Looked(catalogue="memory", packages=len(packages)))
    fits("trace", headed("trace", result.as_json(), result.exit_code))
    said = "".join(for_terminal(line) for line in trace_lines(result.as_json(), result.findings))
    assert said.isprintable()
    return result


def test_postgresql_gives_the_same_answer() -> None:
    with server() as address:
        if address is None:
            absent("no PostgreSQL server programs are installed; this engine was not asked")
            return
        with database(address) as where, catalogue(PACKAGES, ledger(F1), where=where) as known:
            assert known.engine_name == "postgresql"
            for what in ("DECK-1", "BOARD-7", "Ilse Varrow"):
                for since in (None, "2031-05-05T00:00:00+02:00"):
                    entries = register()
                    question = Question(equipment=what, window=Window(since=since), register=entries)
                    there = trace(known.ask, question, Looked(catalogue="memory", packages=len(PACKAGES)))
                    here = traced(what, ledger(F1), since=since, by=register_text())
                    assert _answer(there) == _answer(here)


def _answer(result: Traced) -> dict[str, Any]:
    return {k: v for k, v in result.as_json().items() if k != "looked"}


def words_of(result: Traced, n: int = 1) -> dict[tuple[str, int | None], str]:
    return {(p.package.name, p.pass_n): p.judgements[n - 1].verdict for p in result.everything}


def rules_of(result: Traced) -> dict[str, str]:
    return {f.rule: f.severity for f in result.findings}


def test_every_pass_of_the_deck_has_its_word() -> None:
    result = traced("DECK-1", ledger(F1))
    assert words_of(result) == WORDS
    assert result.roles == ("deck",)
    assert [c.client for c in result.clients] == [ARCHIVE, MUSEUM, None]
    assert result.counts(1) == {"covered": 3, "cannot_be_told": 1, "not_covered": 3}
    assert (result.outcome, result.exit_code) == ("doubtful", 1)
    assert rules_of(result) == {
        "trace-covered": "warning", "trace-cannot-be-told": "warning", "trace-undated": "note",
    }  # fmt: skip


def test_passes_stand_in_order_of_time_and_those_without_one_apart() -> None:
    archive, museum, nobody = traced("DECK-1", ledger(F1)).clients
    assert [p.package.name for p in archive.passes] == ["J1_T2", "J1_T1", "J1_T3"]
    assert [(p.package.name, p.pass_n) for p in museum.passes] == [("J2_T3", 1), ("J2_T2", 1), ("J2_T3", 2)]
    assert [p.package.name for p in museum.undated] == ["J2_T1"]
    assert museum.transfers == 3
    assert [p.package.name for p in nobody.passes] == ["J4_T1"]  # only its end was noted, and that is a time


def test_of_two_passes_on_different_decks_only_the_one_concerned_is_listed() -> None:
    first, second = (traced(deck, ledger(F1)) for deck in ("DECK-1", "DECK-2"))
    assert [p.pass_n for p in first.everything if p.package.name == "J1_T3"] == [1]
    assert [p.pass_n for p in second.everything if p.package.name == "J1_T3"] == [2]
    # the notice is about the other deck
    assert (second.notices, second.outcome, second.exit_code) == ((), "good", 0)


def test_without_a_notice_nothing_is_doubtful() -> None:
    result = traced("DECK-1")
    assert (result.outcome, result.exit_code) == ("good", 0)
    assert len(result.everything) == 8
    assert all(p.judgements == () for p in result.everything)


def test_a_cleared_notice_casts_no_doubt_but_is_told() -> None:
    result = traced("DECK-1", ledger(replace(F1, cleared_at="2031-06-01T00:00:00Z")))
    assert words_of(result) == WORDS
    assert (result.outcome, result.exit_code) == ("good", 0)
    text = "\n".join(trace_lines(result.as_json(), result.findings))
    assert "cleared 2031-06-01 00:00:00 UTC" in text and "F-1: COVERED (cleared)" in text


@pytest.mark.parametrize(
    ("since", "until", "listed"),
    [
        # 05-05 in every zone: 05-04 10:00 UTC to 05-06 12:00 UTC
        ("2031-05-05", "2031-05-05", {"J1_T1", "J1_T3", "J2_T2", "J2_T3"}),
        ("2031-05-05T00:00:00+02:00", "2031-05-05T23:59:59+02:00", {"J1_T1", "J2_T2"}),
        # 22:30 UTC is 00:30 on the 6th at +02:00, which the question names
        ("2031-05-06T00:00:00+02:00", "2031-05-06T00:10:00+02:00", {"J2_T2"}),
        # 11:00:00 UTC is the last instant of J1_T3
        ("2031-05-06T11:00:00Z", None, {"J1_T3"}),
        ("2031-05-06T11:00:01Z", None, set()),
        (None, "2031-05-01T08:00:00Z", {"J2_T3", "J4_T1"}),
        (None, "2031-05-01T07:59:59Z", {"J4_T1"}),
    ],
)
def test_the_time_asked_for(since: str | None, until: str | None, listed: set[str]) -> None:
    result = traced("DECK-1", ledger(F1), since=since, until=until)
    # J2_T1 without any time is always there, apart
    assert {p.package.name for p in result.everything} == listed | {"J2_T1"}
    assert [p.package.name for c in result.clients for p in c.undated] == ["J2_T1"]


def test_a_window_without_a_pass_is_no_unknown_name() -> None:
    only = (PACKAGES[0],)
    result = traced("DECK-1", packages=only, since="2040-01-01")
    assert (result.clients, result.exit_code) == ((), 0)


def test_an_unknown_name_is_refused_with_near_ones() -> None:
    with pytest.raises(InputProblem) as caught:
        traced("DEKC-1", ledger(F1))
    assert caught.value.exit_code == 12
    assert "DECK-1 (deck)" in caught.value.what
    with pytest.raises(InputProblem) as caught:
        traced("BOARD7", by=register_text())
    assert "BOARD-7 (register)" in caught.value.what
    with pytest.raises(InputProblem):
        traced("deck-1")  # what people typed is taken as it is


def register_text() -> str:
    from unit.trace.traceworld import REGISTER

    return REGISTER


def test_what_only_a_ledger_or_only_the_register_knows_is_known() -> None:
    assert traced("DECK-8", ledger(replace(F1, equipment="DECK-8"))).clients == ()
    assert traced("FW-3", packages=(), by=register_text()).entry is not None


def test_a_person_a_program_and_a_chain_can_be_traced() -> None:
    result = traced("Ilse Varrow")
    assert result.roles == ("operator",)
    assert [p.package.name for p in result.everything] == ["J2_T2"]
    assert "personal data" in "\n".join(trace_lines(result.as_json(), result.findings))
    assert PERSONAL not in "\n".join(trace_lines(traced("A").as_json(), ()))


def test_a_word_for_a_name_held_back_is_no_person() -> None:
    label = "person 1 (name held back)"
    one = package("J5_T1", CLUB, [(1, None, None, {"deck": "DECK-2"})], operator=label)
    assert rules_of(traced(label, packages=(one,)))["trace-held-label"] == "warning"


# --- the register ---


def test_a_board_is_found_through_the_decoder_it_was_fitted_to() -> None:
    """BOARD-7 was in DEC-2 from 05-03 (a day) to 05-06 12:30 UTC; bad since it was last known good, 05-01."""
    result = traced("BOARD-7", by=register_text())
    found = {(p.package.name, p.pass_n): p for p in result.everything}
    assert {key: p.fitted for key, p in found.items()} == {
        ("J1_T3", 1): "surely",  # 05-06 10:00:01 to 11:00 UTC
        ("J1_T3", 2): "surely",  # 12:00 to 13:00 UTC: it was in for the first half
        ("J2_T1", 1): "perhaps",  # nobody knows when
        ("J2_T2", 1): "surely",
        ("J3_T1", 1): "surely",
    }
    # since: last known good on 05-01 (until 05-02 12:00 UTC at the latest), still
    assert words_of(result) == {
        ("J1_T3", 1): "covered", ("J1_T3", 2): "covered", ("J2_T1", 1): "cannot_be_told",
        ("J2_T2", 1): "covered", ("J3_T1", 1): "covered",
    }  # fmt: skip
    assert result.notices[0].last_good == "2031-05-01"
    assert all(p.through is not None and p.through.what == "DEC-2" for p in found.values())
    assert rules_of(result)["trace-derived"] == "note"
    text = "\n".join(trace_lines(result.as_json(), result.findings))
    assert "by today's register, not by the record: in DEC-2 from 2031-05-03 to" in text


def test_a_firmware_in_a_board_in_a_decoder() -> None:
    # FW-3 came into BOARD-7 at 05-05 22:00 UTC; J2_T2 ran 21:30 to 22:30, J3_T1 on the 5th ended at 09:00
    result = traced("FW-3", by=register_text())
    found = {(p.package.name, p.pass_n): p.fitted for p in result.everything}
    assert found == {
        ("J1_T3", 1): "surely", ("J1_T3", 2): "surely", ("J2_T1", 1): "perhaps", ("J2_T2", 1): "surely",
    }  # fmt: skip
    through = result.everything[0].through
    assert through is not None
    assert [(s.part, s.into) for s in through.steps] == [("FW-3", "BOARD-7"), ("BOARD-7", "DEC-2")]


def test_a_cable_in_a_chain_and_what_is_in_a_machine() -> None:
    assert [(p.package.name, p.fitted) for p in traced("CABLE-4", by=register_text()).everything] == [
        ("J2_T2", "surely")
    ]
    assert [f.part for f in traced("DEC-2", by=register_text()).fitted_here] == ["BOARD-7"]
    assert traced("DEC-2", by=register_text()).outcome == "good"  # the board's notice is the board's


def test_what_the_record_names_itself_is_not_listed_through_the_register_again() -> None:
    named = package(
        "J6_T1", CLUB,
        [(1, "2031-05-05T08:00:00Z", "2031-05-05T09:00:00Z",
          {"decoder": "DEC-2", "digital_output_board": "BOARD-7"})],
    )  # fmt: skip
    result = traced("BOARD-7", packages=(named,), by=register_text())
    assert [(p.roles, p.through) for p in result.everything] == [(("digital_output_board",), None)]


def test_circles_and_long_ways_in_a_register_end() -> None:
    ring = "".join(
        f'[[equipment]]\nid = "P{n}"\nkind = "cable"\nmake_model = "m"\nserial = "s"\n'
        f'[[equipment.fitted]]\nequipment_id = "P{(n + 1) % 40}"\n'
        f'[[equipment.fitted]]\nequipment_id = "P{(n + 2) % 40}"\n'
        for n in range(40)
    )
    assert traced("P0", packages=(), by=ring).everything == ()


def test_a_register_that_does_not_know_it_says_so() -> None:
    assert rules_of(traced("DECK-2", by=register_text()))["trace-not-in-register"] == "note"


# --- notices of two sources ---


def faulty(found: str, **more: str) -> str:
    told = "".join(f'{key} = "{value}"\n' for key, value in more.items())
    return (
        '[[equipment]]\nid = "DECK-1"\nkind = "deck"\nmake_model = "m"\nserial = "s"\n'
        'last_known_good = { at = "2031-05-02" }\n[[equipment.fault_notices]]\n'
        f'id = "F-1"\nfound_at = "{found}"\nwhat = "The drum slips."\n{told}'
    )


def test_one_notice_told_by_ledger_and_register_is_one() -> None:
    same = faulty("2031-05-07", since="2031-05-04T12:00:00+02:00", until="2031-05-06T12:00:00+02:00")
    result = traced("DECK-1", ledger(F1), by=same)
    assert len(result.notices) == 1
    assert result.notices[0].sources == ("ledger", "register")
    assert result.notices[0].words == ("Head drum slipped now and then.", "The drum slips.")


def test_one_notice_told_with_two_times_is_judged_by_both() -> None:
    result = traced("DECK-1", ledger(F1), by=faulty("2031-05-07", since="2031-05-04"))
    assert [n.until for n in result.notices].count(None) == 1
    assert rules_of(result)["trace-notices-differ"] == "warning"


def test_known_to_be_good_after_it_was_mended_says_nothing_of_before() -> None:
    """last_known_good lies after the fault was found: the time before is open, and not free of it."""
    result = traced("DECK-1", by=faulty("2031-05-01"))
    assert result.notices[0].last_good is None
    words = words_of(result)
    # found on 05-01, which may be as late as 05-02 12:00 UTC; what ran before that cannot be told
    assert words[("J2_T3", 1)] == "cannot_be_told"
    assert words[("J1_T2", 1)] == "covered"
    assert words_of(traced("DECK-1", by=faulty("2031-05-20")))[("J2_T3", 1)] == "not_covered"


def test_a_notice_that_ends_before_it_begins_is_told() -> None:
    result = traced("DECK-1", ledger(replace(F1, since="2031-05-08", until="2031-05-01")))
    assert set(words_of(result).values()) == {"cannot_be_told"}
    assert rules_of(result)["trace-notice-times"] == "warning"


def test_broken_ledgers_and_bad_checks_are_told() -> None:
    bad = Check(line=3, at="2032-01-01T00:00:00Z", package="J1_T1", outcome="bad", depth="bytes")
    good = Check(line=4, at="2032-01-02T00:00:00Z", package="J1_T2", outcome="good", depth="bytes")
    result = traced("DECK-1", ledger(F1, checks=(bad, good), broken="line 7 was changed"))
    told = rules_of(result)
    assert told["trace-ledger-broken"] == told["trace-last-check-not-good"] == "warning"
    assert [f.what for f in result.findings if f.rule == "trace-last-check-not-good"] == [
        "J1_T1: bad on 2032-01-01 00:00:00 UTC."
    ]
    outcomes = {p.package.name: p.package.last_outcome for p in result.everything}
    assert (outcomes["J1_T1"], outcomes["J1_T2"], outcomes["J2_T1"]) == ("bad", "good", None)


# --- hostile names, the table ---

HOSTILE = "=cmd|' /C calc'!A0\u202e\x1b[31m"


def test_hostile_names_do_no_harm() -> None:
    one = package("J7_T1", HOSTILE, [(1, None, None, {"deck": HOSTILE})], title='a,"b"\r\nc')
    result = traced(HOSTILE, ledger(Fault(equipment=HOSTILE, what="\x1b]0;x\x07 " * 50)), packages=(one,))
    assert result.counts(1)["cannot_be_told"] == 1
    rows = table(result)
    assert len(rows) == 1 and rows[0]["client"].startswith("'=cmd") and "\x1b" not in str(rows)


def table(result: Traced) -> list[dict[str, Any]]:
    """The CSV file as Python's own reader has it."""
    text = "".join(trace_table(result.as_json())).removeprefix("\ufeff")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert all(set(row) == set(COLUMNS) for row in rows)
    return rows


def test_the_table_has_a_row_for_each_pass_and_notice() -> None:
    result = traced("DECK-1", ledger(F1, replace(F1, notice_id="F-2", until=None)))
    rows = table(result)
    assert len(rows) == 16
    assert {(r["package"], int(r["pass"])): r["verdict"] for r in rows if r["notice"] == "F-1"} == WORDS
    assert [r["verdict"] for r in rows if r["notice"] == "F-2" and r["package"] == "J1_T3"] == ["covered"]
    assert len(table(traced("DECK-2"))) == 2
