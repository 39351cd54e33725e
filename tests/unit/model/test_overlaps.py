"""Two passes at once on one machine: each pair is told once, with the pass that ran longest."""

from __future__ import annotations

import datetime

from provpack.model.judge_chain import Playing, overlaps
from provpack.model.recordview import Row

DAY = datetime.datetime(2031, 5, 1, tzinfo=datetime.UTC)


def playing(name: str, start: int, stop: int, deck: str | None = "D1", capture: str | None = None) -> Playing:
    """A pass from minute to minute."""
    at = [DAY + datetime.timedelta(minutes=minutes) for minutes in (start, stop)]
    row = Row(pointer=f"/{name}/{start}", fields={})
    return Playing(
        name=name, row=row, start=at[0], stop=at[1], deck=deck, capture=(capture, "1") if capture else None
    )


def told(*passes: Playing) -> list[tuple[str, str, str]]:
    return [(one.row.pointer, two.row.pointer, thing) for one, two, thing in overlaps(passes)]


def test_passes_that_follow_each_other_share_nothing() -> None:
    assert told(playing("A", 0, 60), playing("B", 60, 90)) == []
    assert told(playing("A", 0, 60), playing("B", 30, 90, deck="D2")) == []
    assert told(playing("A", 0, 60, deck=None), playing("B", 30, 90, deck=None)) == []


def test_a_pair_is_told_once_whatever_it_shares() -> None:
    one, two = playing("A", 0, 60, capture="C1"), playing("B", 30, 90, capture="C1")
    assert told(two, one) == [("/A/0", "/B/30", "deck D1")]
    only = told(playing("A", 0, 60, "D1", "C1"), playing("B", 30, 90, "D2", "C1"))
    assert only == [("/A/0", "/B/30", "input 1 of capture device C1")]


def test_of_the_passes_of_one_name_the_longest_is_paired() -> None:
    long, inside, later = playing("A", 0, 120), playing("A", 30, 60), playing("B", 90, 150)
    assert told(long, inside, later) == [("/A/0", "/A/30", "deck D1"), ("/A/0", "/B/90", "deck D1")]
    short, longer = playing("A", 0, 40), playing("A", 30, 120)
    assert told(short, longer, later) == [("/A/0", "/A/30", "deck D1"), ("/A/30", "/B/90", "deck D1")]
