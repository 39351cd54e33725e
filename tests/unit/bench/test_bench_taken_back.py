"""Taking a line back plays only again what speaks of the same thing, and says what playing it all would."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from typing import Any

import pytest
from support.benchlines import at, back, counted, declared, event, judged, noted, started, stopped

from provpack.package import benchfold
from provpack.package.benchfold import Folding, fold
from provpack.package.benchstate import BenchState


def taken_in(transfer: str, second: int) -> dict[str, Any]:
    return {**noted("x", second, transfer_id=transfer), "kind": "taken_in"}


def some_line(dice: random.Random, n: int) -> dict[str, Any]:
    transfer, number = dice.choice(["T1", "T2"]), dice.choice([1, 2])
    makers: list[Callable[[], dict[str, Any]]] = [
        lambda: started(transfer, number, dice.choice("AB"), n),
        lambda: stopped(transfer, number, n),
        lambda: event(transfer, number, dice.choice(["mute", "hold"]), n),
        lambda: event(transfer, number, "mute", n, happened_at=at(max(n - 2, 0))),
        lambda: noted("x", n),
        lambda: noted("x", n, transfer_id=transfer),
        lambda: noted("x", n, transfer_id=transfer, **{"pass": number}),
        lambda: declared(dice.choice(["title", "carrier_id"]), n, None, n),
        lambda: judged(transfer, number, "redo", n),
        lambda: taken_in(transfer, n),
        lambda: back(dice.randint(1, max(n, 1)), n),
        lambda: back(dice.randint(1, max(n, 1)), n),
    ]
    return dice.choice(makers)()


def played_whole(entries: list[dict[str, Any]]) -> BenchState:
    """All lines in one go: a number out of turn at the end makes the folding trust no number."""
    return fold([*entries, {"n": 1, "kind": "of no kind"}])


def said(state: BenchState) -> tuple[Any, ...]:
    return state.n, dict(state.values), dict(state.transfers), state.notes, state.taken_back


@pytest.mark.parametrize("seed", range(120))
def test_what_is_left_is_what_playing_the_whole_log_leaves(seed: int) -> None:
    dice = random.Random(seed)
    entries = counted(*(some_line(dice, n) for n in range(dice.choice([8, 30, 60]))))
    folding, done = Folding(), 0
    while done < len(entries):
        step = dice.randint(1, 5)
        state = folding.add(entries[done : done + step])
        done += step
        whole = played_whole(entries[:done])
        assert said(state) == said(whole)
        assert list(state.transfers) == list(whole.transfers)
        assert list(state.values) == list(whole.values)
        number = dice.randint(1, state.n)
        asked = folding.without(number)
        after = played_whole([*entries[:done], {"n": state.n + 1, "kind": "taken_back", "entry": number}])
        assert said(asked) == said(after)
        assert said(folding.add([])) == said(whole), "asking has changed something"


def test_states_given_before_stay_as_they_are() -> None:
    folding = Folding()
    before = folding.add(
        counted(started("T1", 1, "A", 1), event("T1", 1, "mute", 2), event("T1", 1, "hold", 3))
    )
    after = folding.add([{"n": 4, "kind": "taken_back", "entry": 2}])
    assert [e.n for e in before.transfers["T1"].passes[0].events] == [2, 3]
    assert [e.n for e in after.transfers["T1"].passes[0].events] == [3]


def test_only_what_speaks_of_the_same_thing_is_played_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """An evening of two carriers with 2,000 events each, 50 values, and a note."""
    lines = [started("T1", 1, "A", 0), started("T2", 1, "B", 0), noted("x", 0)]
    lines += [event(f"T{1 + n % 2}", 1, "mute", n) for n in range(4000)]
    lines += [declared(f"field_{n}", n, None, n) for n in range(50)]
    lines += [stopped("T1", 1, 9000)]
    entries = counted(*lines)
    folding = Folding()
    folding.add(entries)
    count = [0]

    def counting(act: Any) -> Any:
        def one(play: Any, number: int, entry: Mapping[str, Any]) -> None:
            count[0] += 1
            act(play, number, entry)

        return one

    monkeypatch.setattr(benchfold, "ACTS", {kind: counting(act) for kind, act in benchfold.ACTS.items()})

    def played(number: int) -> int:
        """Lines played for asking about that line, and for taking it back."""
        count[0] = 0
        state = folding.without(number)
        folding.add([{"n": state.n, "kind": "taken_back", "entry": number}])
        return count[0]

    assert played(4) == 0, "an event: nothing rests on it"
    assert played(4050) == 0, "a value stated once: it has no other line"
    assert played(3) == 0, "a note on the evening"
    assert played(len(entries)) <= 2 * 2001, "the end of a pass: that carrier's lines"
