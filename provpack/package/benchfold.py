"""From the lines of the bench log to what they say: values, carriers, passes with their events.

Two steps. First, which lines count: a taken_back line takes the effect of one earlier line away, and taking
that taken_back line back restores it. As only a later line can do so, one look from the end to the beginning
settles it. Then the lines that count are played in their order.

What a line cannot mean is passed over, never an error: an unknown kind, an event of a pass that is not there,
a second start of a pass that stands. Such lines stay in `entries`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import replace
from itertools import pairwise

from provpack.package.benchplayed import ACTS, EVENING, Entry, Group, Play, group_of, pass_key, text_of
from provpack.package.benchstate import BenchState, Key, Pass, Stated, Taken


def fold(entries: Sequence[Entry]) -> BenchState:
    """What the lines say, given in the order of the log. Raises nothing, whatever they hold.

    A line belongs to the pass whose start of that transfer and number stands last before it; with a start
    that is taken back everything logged under it goes. A pass ends with the first stop that counts; an event
    logged after that counts when it happened inside the pass. Only taken_in, pass_started and notes bring a
    transfer into `transfers`; values stated for one stand in `values` alone.
    """
    return Folding().add(entries)


class Folding:
    """Lines folded as they come: each call costs what is new. Where lines are taken back, only those are
    played again that speak of the same thing: one transfer, one value, or the evening."""

    def __init__(self) -> None:
        self._entries: list[Entry] = []
        self._last = 0
        self._in_turn = True
        self._forget()

    def _forget(self) -> None:
        """Nothing was played yet."""
        self._gone: frozenset[int] = frozenset()
        self._play = Play()
        self._values: dict[Key, Stated] = {}
        self._taken: dict[str, Taken] = {}
        self._backs: list[tuple[int, Entry]] = []
        self._by_number: dict[int, Entry] = {}
        self._groups: dict[Group, list[tuple[int, Entry]]] = {}

    def add(self, entries: Sequence[Entry]) -> BenchState:
        """The state of all lines given so far; states given before stay as they are."""
        self._entries += entries
        new = _numbered(entries)
        numbers = [self._last, *(number for number, _ in new)]
        self._in_turn = self._in_turn and all(one < other for one, other in pairwise(numbers))
        if not self._in_turn:  # numbers say nothing: what counts may have changed anywhere
            self._forget()
            new = _numbered(self._entries)
        self._last = max(numbers)
        for number, entry in new:
            self._by_number.setdefault(number, entry)
            self._groups.setdefault(group_of(entry), []).append((number, entry))
        backs = [(number, entry) for number, entry in new if entry.get("kind") == "taken_back"]
        affected, dropped = set[Group](), set[int]()
        if backs:
            self._backs += backs
            gone = self._counts_no_more(self._backs)
            affected, dropped = self._affected(gone)
            self._gone = gone
        if not self._in_turn:
            affected, dropped = set(), set()  # all of it is played anew, in the order in which it came
        touched: dict[str, None] = {}
        for number in dropped:
            name, of_pass = pass_key(self._by_number[number])
            known = self._play.transfers.get(name)
            if known is not None and of_pass in known.passes:
                one = known.passes[of_pass]
                one.events = [event for event in one.events if event.n != number]
                touched[name] = None
        stated = any(group[0] == "declared" for group in affected)
        for group in affected:
            self._play.forget(group)
            self._played(self._play, self._groups.get(group, ()))
            touched[group[1] if group[0] == "" else ""] = None
        for number, entry in new:
            group = group_of(entry)
            if group not in affected:
                self._played(self._play, ((number, entry),))
                touched[text_of(entry, "transfer_id")] = None
                stated |= group[0] == "declared"
        if affected:
            self._play.in_order()
            self._taken = {name: one for name, one in self._taken.items() if name not in touched}
        if stated:
            self._values = {key: value for key, (_, value) in self._play.values.items()}
        return self._state(touched)

    def without(self, number: int) -> BenchState:
        """What the state would be if a last line took that line back. Nothing is changed by asking."""
        backs = [*self._backs, (self._last + 1, {"kind": "taken_back", "entry": number})]
        gone = self._counts_no_more(backs)
        play = Play()
        affected, dropped = self._affected(gone)
        for group in affected:
            self._played(play, self._groups.get(group, ()), gone)
        names = {group[1] for group in affected if group[0] == ""}
        taken = {name: one for name, one in self._taken.items() if name not in names}
        for name in names:
            draft = play.transfers.get(name)
            if draft is not None and draft.known():
                taken[name] = draft.done()
        for name in {text_of(self._by_number[n], "transfer_id") for n in dropped} & set(taken):
            passes = tuple(_with_less(one, dropped) for one in taken[name].passes)
            taken[name] = replace(taken[name], passes=passes)
        values = self._values
        keys = {group[1:] for group in affected if group[0] == "declared"}
        if keys:
            values = {key: value for key, value in values.items() if key not in keys}
            values |= {key: value for key, (_, value) in play.values.items()}
        evening = any(group == EVENING for group in affected)
        return BenchState(
            n=self._last + 1,
            values=values,
            transfers=taken,
            notes=tuple(play.notes if evening else self._play.notes),
            taken_back=gone,
            entries=tuple(self._entries),
        )

    def _affected(self, gone: Set[int]) -> tuple[set[Group], set[int]]:
        """Groups to be played again, and events that need only be left out: no other line rests on them."""
        changed = gone ^ self._gone
        light = {n for n in gone - self._gone if self._by_number[n].get("kind") == "event"}
        affected = {group_of(self._by_number[n]) for n in changed - light}
        return affected, {n for n in light if group_of(self._by_number[n]) not in affected}

    def _counts_no_more(self, backs: Sequence[tuple[int, Entry]]) -> frozenset[int]:
        return frozenset(number for number in _taken_back(backs) if number in self._by_number)

    def _played(
        self, play: Play, lines: Iterable[tuple[int, Entry]], gone: frozenset[int] | None = None
    ) -> None:
        """Play lines that count; of a start that does not, no later line is of its pass."""
        gone = self._gone if gone is None else gone
        for number, entry in lines:
            kind = entry.get("kind")
            if number in gone:
                if kind == "pass_started":
                    play.passes[pass_key(entry)] = None
                continue
            act = ACTS.get(kind) if isinstance(kind, str) else None
            if act is not None:
                act(play, number, entry)

    def _state(self, touched: Iterable[str]) -> BenchState:
        taken = dict(self._taken)
        for name in touched:
            draft = self._play.transfers.get(name)
            if draft is not None and draft.known():
                taken[name] = draft.done()
        self._taken = {name: taken[name] for name in self._play.transfers if name in taken}
        return BenchState(
            n=self._last,
            values=self._values,
            transfers=self._taken,
            notes=tuple(self._play.notes),
            taken_back=self._gone,
            entries=tuple(self._entries),
        )


def _with_less(one: Pass, dropped: Set[int]) -> Pass:
    events = tuple(event for event in one.events if event.n not in dropped)
    return one if len(events) == len(one.events) else replace(one, events=events)


def _numbered(entries: Iterable[Entry]) -> list[tuple[int, Entry]]:
    return [(number, entry) for entry in entries if (number := number_of(entry)) is not None]


def number_of(entry: Entry) -> int | None:
    """The number of a line, None when it has none."""
    number = entry.get("n") if isinstance(entry, Mapping) else None
    return number if type(number) is int and number > 0 else None


def _taken_back(backs: Sequence[tuple[int, Entry]]) -> set[int]:
    """Numbers that taken_back lines name, also of such lines that were themselves taken back."""
    gone: set[int] = set()
    for number, entry in reversed(backs):
        if number not in gone:
            target = entry.get("entry")
            if type(target) is int and 0 < target < number:
                gone.add(target)
    return gone
