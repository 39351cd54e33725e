"""Folding the bench log: what stands, what is taken back, what is passed over."""

from __future__ import annotations

import time
from typing import Any

import pytest

from provpack.package.benchfold import fold
from provpack.package.benchline import KINDS, bench_line
from provpack.package.benchstate import BenchState, Pass
from tests.support.benchlines import (
    at,
    attached,
    back,
    counted,
    declared,
    detached,
    event,
    judged,
    line,
    noted,
    started,
    stopped,
    taken_in,
)


def only(state: BenchState, transfer: str = "T01", number: int = 1) -> Pass:
    found = state.pass_of(transfer, number)
    assert found is not None
    return found


def test_nothing_folds_to_nothing() -> None:
    assert fold([]) == BenchState()


def test_two_overlapping_passes_on_two_chains_stay_apart() -> None:
    state = fold(
        counted(
            taken_in("T01"),
            taken_in("T02", 1),
            started("T01", 1, "A", 2, settings={"deck_id": "deck-a"}, changed=["deck_id"]),
            started("T02", 1, "B", 5),
            event("T01", 1, "mute", 6, note="short"),
            event("T02", 1, "hold", 7),
            noted("tape slack", 8, transfer_id="T02", **{"pass": 1}),
            noted("label is loose", 9, transfer_id="T02"),
            noted("power flickered", 9),
            stopped("T01", 1, 40, outcome="complete"),
        )
    )
    assert state.n == 10 and list(state.transfers) == ["T01", "T02"]
    one, two = only(state), only(state, "T02")
    assert [(e.n, e.type, e.note, e.at) for e in one.events] == [(5, "mute", "short", at(6))]
    assert [(e.n, e.type) for e in two.events] == [(6, "hold")]
    assert (one.chain_id, one.n, one.started_at, one.settings, one.changed) == (
        "A", 3, at(2), {"deck_id": "deck-a"}, ("deck_id",),
    )  # fmt: skip
    assert (one.running, one.stopped_at, one.stopped_n, one.outcome) == (False, at(40), 10, "complete")
    assert two.running and two.outcome is None and state.running() == (two,)
    assert [n.text for n in two.notes] == ["tape slack"]
    assert [n.text for n in state.transfers["T02"].notes] == ["label is loose"]
    assert [(n.text, n.by) for n in state.notes] == [("power flickered", "M. Ostrava")]
    assert (state.transfers["T01"].n, state.transfers["T01"].at) == (1, at(0))


def test_what_happened_earlier_than_it_was_written_keeps_both_times() -> None:
    state = fold(
        counted(
            started("T01", 1, "A", 10, happened_at=at(8)),
            event("T01", 1, "mute", 12, happened_at=at(11)),
            stopped("T01", 1, 50, happened_at=at(48)),
        )
    )
    one = only(state)
    assert (one.started_at, one.stopped_at) == (at(8), at(48))
    assert [(e.at, e.written_at) for e in one.events] == [(at(11), at(12))]
    assert state.transfers["T01"].n is None  # stands in a sheet only


# --- values ---


def test_the_last_value_counts_and_the_first_says_what_the_sheet_said() -> None:
    state = fold(
        counted(
            declared("title", "Choir", None, 1),
            declared("title", "Choir, evening", "Choir", 2),
            declared("title", None, "Choir, evening", 3),
        )
    )
    stated = state.values["transfer", "T01", "title"]
    assert (stated.value, stated.was, stated.n, stated.at) == (None, None, 3, at(3))


def test_was_is_of_the_first_line_still_in_force() -> None:
    lines = [
        declared("title", "B", "A", 1),
        declared("title", "C", "B", 2),
        back(1, 3),
    ]
    stated = fold(counted(*lines)).values["transfer", "T01", "title"]
    assert (stated.value, stated.was) == ("C", "B")
    assert fold(counted(*lines, back(2))).values == {}
    again = fold(counted(*lines, back(3))).values["transfer", "T01", "title"]
    assert (again.value, again.was) == ("C", "A")


def test_values_of_different_places_stay_apart() -> None:
    places = [("job", None), ("defaults", None), ("chain", "A"), ("transfer", "A"), ("equipment", "A")]
    state = fold(counted(*(declared("note", s, None, scope=s, id=i) for s, i in places)))
    assert {key: s.value for key, s in state.values.items()} == {(s, i, "note"): s for s, i in places}
    assert state.transfers == {}  # a value alone does not bring a transfer in


# --- taking back ---


def test_a_pass_that_is_taken_back_goes_with_all_that_was_logged_under_it() -> None:
    lines = [
        started("T01", 1, "A", 1),
        event("T01", 1, "mute", 2),
        noted("x", 3, transfer_id="T01", **{"pass": 1}),
        attached("T01", 1, "a.wav", 4),
        back(1, 5),
    ]
    state = fold(counted(*lines))
    assert state.transfers == {} and state.taken_back == {1} and len(state.entries) == 5
    restored = only(fold(counted(*lines, back(5, 6))))
    assert len(restored.events) == 1 and len(restored.notes) == 1 and restored.attached is not None


def test_a_pass_made_instead_does_not_inherit_the_events_of_the_one_taken_back() -> None:
    state = fold(
        counted(
            started("T01", 1, "A", 1),
            event("T01", 1, "mute", 2),
            back(1, 3),
            started("T01", 1, "B", 4),
            event("T01", 1, "hold", 5),
        )
    )
    one = only(state)
    assert (one.chain_id, one.n, [e.type for e in one.events]) == ("B", 4, ["hold"])


def test_a_stop_that_is_taken_back_lets_the_pass_run_again() -> None:
    lines = [started("T01", 1, "A", 1), stopped("T01", 1, 5), back(2, 6), event("T01", 1, "mute", 7)]
    running = only(fold(counted(*lines)))
    assert running.running and len(running.events) == 1
    ended = only(fold(counted(*lines, stopped("T01", 1, 9, outcome="failed", note="snapped"))))
    assert (ended.stopped_n, ended.outcome, ended.stop_note, len(ended.events)) == (5, "failed", "snapped", 1)


@pytest.mark.parametrize("turns", range(6))
def test_taking_back_a_taking_back_restores_it_as_often_as_it_is_done(turns: int) -> None:
    lines = [started("T01", 1, "A", 1), event("T01", 1, "mute", 2)]
    lines += [back(n) for n in range(2, 2 + turns)]
    assert len(only(fold(counted(*lines))).events) == (1 if turns % 2 == 0 else 0)


def test_what_two_took_back_comes_back_only_when_both_are() -> None:
    lines = [started("T01", 1, "A"), event("T01", 1, "mute"), back(2), back(2)]
    assert only(fold(counted(*lines, back(3)))).events == ()
    assert len(only(fold(counted(*lines, back(3), back(4)))).events) == 1


@pytest.mark.parametrize("target", [3, 4, 99, 0, -1, True, "2", None, 2.0])
def test_nothing_takes_back_itself_or_what_is_not_there(target: object) -> None:
    lines = counted(started("T01", 1, "A"), event("T01", 1, "mute"), back(1))
    lines[2]["entry"] = target
    state = fold(lines)
    assert state.taken_back == frozenset() and len(only(state).events) == 1


def test_files_and_verdicts_fall_back_to_the_one_before() -> None:
    lines = [
        started("T01", 1, "A", 1),
        stopped("T01", 1, 5),
        attached("T01", 1, "a.wav", 6),
        attached("T01", 1, "b.wav", 7, attached_by="person", reason="heard it"),
        judged("T01", 1, "redo", 8, note="mutes"),
        judged("T01", 1, "accepted", 9),
    ]
    one = only(fold(counted(*lines)))
    assert one.attached is not None and (one.attached.file, one.attached.reason) == ("b.wav", "heard it")
    assert (one.verdict, one.verdict_n, one.verdict_note) == ("accepted", 6, "")
    before = only(fold(counted(*lines, back(4), back(6))))
    assert before.attached is not None and before.attached.file == "a.wav"
    assert (before.attached.frames, before.attached.header_hz, before.attached.bytes) == (240, 44056, 1000)
    assert (before.verdict, before.verdict_note) == ("redo", "mutes")
    assert only(fold(counted(*lines, detached("T01", 1, "b.wav")))).attached is None
    other = only(fold(counted(*lines, detached("T01", 1, "a.wav")))).attached
    assert other is not None and other.file == "b.wav"


# --- passed over ---


def test_what_is_logged_after_the_stop_counts_only_when_it_happened_inside() -> None:
    lines = [started("T01", 1, "A", 1), stopped("T01", 1, 10)]
    late = [
        event("T01", 1, "mute", 12),
        event("T01", 1, "hold", 12, happened_at=at(5)),
        event("T01", 1, "unlock", 12, happened_at=at(11)),
        event("T01", 1, "relock", 12, happened_at=at(0)),
        event("T01", 1, "join", 12, happened_at="2031-05-20T20:05:00"),  # no offset: no moment
    ]
    state = fold(counted(*lines, *late))
    assert [e.type for e in only(state).events] == ["hold"] and len(state.entries) == 7


@pytest.mark.parametrize("when", ["soon", "2031-02-30T10:00:00+01:00", at(5)[:19], ""])
def test_what_is_logged_after_the_stop_with_no_time_that_can_be_read_is_passed_over(when: str) -> None:
    lines = [taken_in("T01"), started("T01", 1, "A", 2), stopped("T01", 1, 40, outcome="complete")]
    late = {**event("T01", 1, "mute", 50), "happened_at": when}
    assert only(fold(counted(*lines, late))).events == ()
    (kept,) = only(fold(counted(*lines, {**late, "happened_at": at(5)}))).events
    assert kept.at == at(5)


def test_lines_of_a_pass_that_is_not_there_are_passed_over() -> None:
    lines = [
        event("T01", 1, "mute"),
        stopped("T01", 1),
        attached("T01", 1, "a.wav"),
        detached("T01", 1, "a.wav"),
        judged("T01", 1, "redo"),
        noted("x", transfer_id="T01", **{"pass": 1}),
    ]
    state = fold(counted(*lines))
    assert state.transfers == {} and state.notes == () and len(state.entries) == 6


def test_the_first_start_and_the_first_stop_of_a_number_count() -> None:
    state = fold(
        counted(
            started("T01", 1, "A", 1),
            started("T01", 1, "B", 2),
            event("T01", 1, "mute", 3),
            stopped("T01", 1, 5, outcome="complete"),
            stopped("T01", 1, 6, outcome="failed"),
        )
    )
    one = only(state)
    assert len(state.transfers["T01"].passes) == 1
    assert (one.chain_id, one.outcome, len(one.events)) == ("A", "complete", 1)


ODD: list[Any] = [None, True, 0, -1, 1.5, "", "x", [], {}, ["x"], {"a": 1}, 10**30, float("nan"), "2031"]


@pytest.mark.parametrize("kind", [*KINDS, "cleaned", None, [], 3])
@pytest.mark.parametrize("odd", ODD, ids=repr)
def test_odd_lines_raise_nothing(kind: object, odd: object) -> None:
    names = {m for must, may in KINDS.values() for m in (*must, *may)} | {"at", "by"}
    before = counted(started("T01", 1, "A"), stopped("T01", 1, 9))
    whole = {"kind": kind, "n": 3, "transfer_id": "T01", "pass": 1, "entry": 1, "happened_at": at(2)}
    for lines in (
        [{**whole, **dict.fromkeys(names, odd)}],
        [{**whole, name: odd} for name in sorted(names)],
        [{"kind": kind, "n": 3}],
        [{**whole, "n": odd}],
    ):
        state = fold([*before, *lines])
        assert len(state.entries) == 2 + len(lines)
        state.running()


def test_what_is_no_table_at_all_raises_nothing() -> None:
    assert fold([None, 3, "x", []]).n == 0  # type: ignore[list-item]


def test_a_hundred_thousand_hostile_lines_take_no_time_to_speak_of() -> None:
    """Long chains of taking back and passes without number: nothing may grow with the square of the lines."""
    many = 100_000
    chains = counted(*([started("T01", 1, "A")] + [back(n) for n in range(1, many)]))
    passes = counted(*(started("T01", n, "A") for n in range(1, many)))
    before = time.process_time()
    assert fold(chains).taken_back and len(fold(passes).transfers["T01"].passes) == many - 1
    assert time.process_time() - before < 20


def test_a_line_is_made_as_the_kind_has_it() -> None:
    made = line("event", transfer_id="T01", type="mute", note="", happened_at=None, **{"pass": 1})
    assert "note" not in made and "happened_at" not in made
    with pytest.raises(TypeError):
        line("event", transfer_id="T01", type="mute")
    with pytest.raises(TypeError):
        bench_line("taken_in", at=at(0), by=None, through="page", tool_version="1", transfer_id="x", note="y")
