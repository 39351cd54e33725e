"""The bench log under any sequence of acts: what is taken back is gone, what is appended is read."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from provpack.edge.benchlog import append, read, read_new
from provpack.package.benchfold import fold
from provpack.package.benchline import LOG_NAME
from provpack.package.benchstate import BenchState
from tests.support import benchlines as lines

TRANSFERS = st.sampled_from(["T01", "T02"])
PASSES = st.integers(1, 3)
MINUTES = st.integers(0, 59)
TEXT = st.text(
    alphabet=st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zl", "Zp"]),
    min_size=1,
    max_size=20,
).filter(lambda t: t.strip() == t)
FILES = st.sampled_from(["a.wav", "captures/b.wav"])
WHERE = (TRANSFERS, PASSES)
VALUES = st.one_of(
    st.none(), st.booleans(), TEXT, st.integers(-(2**60), 2**60), st.lists(TEXT, max_size=3),
    st.dictionaries(TEXT, st.floats(allow_nan=False, allow_infinity=False), max_size=2),
)  # fmt: skip
ACTS: st.SearchStrategy[dict[str, Any]] = st.one_of(
    st.builds(lines.taken_in, TRANSFERS, MINUTES),
    st.builds(lines.declared, st.sampled_from(["title", "client"]), VALUES, VALUES, MINUTES),
    st.builds(lines.started, *WHERE, st.sampled_from("AB"), MINUTES),
    st.builds(lines.stopped, *WHERE, MINUTES),
    st.builds(lines.event, *WHERE, st.sampled_from(["mute", "hold"]), MINUTES),
    st.builds(lines.noted, TEXT, MINUTES),
    st.builds(lambda t, m, who: lines.noted(t, m, transfer_id=who), TEXT, MINUTES, TRANSFERS),
    st.builds(lambda t, m, who, n: lines.noted(t, m, transfer_id=who, **{"pass": n}), TEXT, MINUTES, *WHERE),
    st.builds(lines.attached, *WHERE, FILES, MINUTES),
    st.builds(lines.detached, *WHERE, FILES, MINUTES),
    st.builds(lines.judged, *WHERE, st.sampled_from(["accepted", "redo"]), MINUTES),
    st.builds(lines.back, st.integers(1, 30), MINUTES),
)
EVENINGS = st.lists(ACTS, max_size=30)


def said(state: BenchState) -> tuple[object, ...]:
    """What the state says, but for how many lines it took."""
    return dict(state.values), dict(state.transfers), state.notes


def not_back(evening: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [one for one in evening if one["kind"] != "taken_back"]


@given(EVENINGS)
@settings(max_examples=150, deadline=None)
def test_with_everything_taken_back_nothing_is_left(evening: list[dict[str, Any]]) -> None:
    acts = not_back(evening)
    state = fold(lines.counted(*acts, *(lines.back(n) for n in range(1, len(acts) + 1))))
    assert said(state) == said(BenchState()) and state.running() == ()
    assert state.taken_back == frozenset(range(1, len(acts) + 1))


@given(EVENINGS)
@settings(max_examples=150, deadline=None)
def test_with_everything_restored_all_is_as_it_was(evening: list[dict[str, Any]]) -> None:
    acts = not_back(evening)
    count = len(acts)
    backs = [lines.back(n) for n in range(1, count + 1)]
    again = [lines.back(n) for n in range(count + 1, 2 * count + 1)]
    assert said(fold(lines.counted(*acts, *backs, *again))) == said(fold(lines.counted(*acts)))


@given(EVENINGS)
@settings(max_examples=150, deadline=None)
def test_folding_is_the_same_each_time_and_changes_no_line(evening: list[dict[str, Any]]) -> None:
    entries = lines.counted(*evening)
    before = repr(entries)
    assert fold(entries) == fold(entries) and repr(entries) == before


@given(EVENINGS)
@settings(max_examples=150, deadline=None)
def test_what_does_not_count_might_as_well_not_be_there(evening: list[dict[str, Any]]) -> None:
    """Taken-back lines leave no trace but that a taken-back start still owns what was logged under it."""
    entries = lines.counted(*evening)
    state = fold(entries)
    kept = [e for e in entries if e["n"] not in state.taken_back or e["kind"] == "pass_started"]
    starts = {e["n"] for e in kept if e["n"] in state.taken_back}
    kept = [e for e in kept if e["kind"] != "taken_back" or e["entry"] in starts]
    assert said(fold(kept)) == said(state)


@given(EVENINGS)
@settings(max_examples=150, deadline=None)
def test_no_event_stands_in_two_passes_and_none_is_made_up(evening: list[dict[str, Any]]) -> None:
    entries = lines.counted(*evening)
    state = fold(entries)
    events = [e.n for t in state.transfers.values() for p in t.passes for e in p.events]
    logged = {e["n"]: e for e in entries if e["kind"] == "event"}
    assert len(events) == len(set(events)) and set(events) <= set(logged) - state.taken_back
    for taken in state.transfers.values():
        for one in taken.passes:
            assert all(
                (logged[e.n]["transfer_id"], logged[e.n]["pass"]) == (taken.transfer_id, one.number)
                for e in one.events
            )


@given(EVENINGS, st.integers(0, 30))
@settings(max_examples=40, deadline=None)
def test_what_is_appended_is_read_in_one_piece_or_in_two(evening: list[dict[str, Any]], cut: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / LOG_NAME
        first = [append(path, one) for one in evening[:cut]]
        seen = read(path)
        rest = [append(path, one) for one in evening[cut:]]
        new = read_new(path, seen.size, seen.head)
        whole = read(path)
        assert list(seen.entries) == first and list(new.entries) == rest
        assert whole.entries == seen.entries + new.entries and whole.findings == new.findings == ()
        assert (whole.size, whole.head) == (new.size, new.head)
        assert said(fold(whole.entries)) == said(fold(lines.counted(*evening)))


@given(EVENINGS.filter(bool), st.data())
@settings(max_examples=60, deadline=None)
def test_any_byte_changed_is_noticed_or_was_in_the_last_line(
    evening: list[dict[str, Any]], data: st.DataObject
) -> None:
    """Nothing vouches for the last line; a change before it never counts."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / LOG_NAME
        written = [append(path, one) for one in evening]
        whole = bytearray(path.read_bytes())
        place = data.draw(st.integers(0, len(whole) - 1))
        whole[place] ^= 1 << data.draw(st.integers(0, 7))
        path.write_bytes(whole)
        log = read(path)
        line = bytes(whole[:place]).count(b"\n")  # lines before the one that was touched
        kept = [e for e in log.entries if e["n"] <= line]
        assert kept == written[: len(kept)]
        if line < len(written) - 1:
            assert len(log.entries) <= line and any(f.severity == "error" for f in log.findings)
