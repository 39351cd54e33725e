"""The runs of a ledger, put together again by the digests they ask for, wherever in the file they stand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from provpack.package.ledgerchain import NO_PREVIOUS, Run

MOST_PIECES = 2000
"""Cut into more, the runs are not put together again: copies of copies make that take for ever."""
_ANCHORED = 1 << 60
"""Outweighs any number of lines: what a witness attests is part of the ledger."""


@dataclass(slots=True)
class Path:
    """Runs that follow from each other by their digests, wherever in the file they stand."""

    runs: list[Run]
    low: int
    """Number of the first entry, counted back from what it follows where that is known."""
    anchored: bool = False

    @property
    def high(self) -> int:
        return self.low + sum(r.length for r in self.runs) - 1

    @property
    def first(self) -> Run:
        return self.runs[0]

    @property
    def last(self) -> Run:
        return self.runs[-1]

    @property
    def weight(self) -> int:
        return self.high - self.low + 1 + (_ANCHORED if self.anchored else 0)


def split_runs(runs: Sequence[Run], found: Mapping[str, list[int]]) -> list[Run]:
    """The runs, cut after every line that some other run, or a witness, asks for."""
    cuts = sorted((line, digest) for digest, places in found.items() for line in places)
    pieces: list[Run] = []
    at = 0
    for run in runs:
        if len(pieces) > MOST_PIECES:
            break
        while at < len(cuts) and cuts[at][0] < run.first:
            at += 1
        rest = run
        while at < len(cuts) and cuts[at][0] < run.last and rest.numbers is not None:
            line, digest = cuts[at]
            low = rest.numbers[0]
            middle = low + line - rest.first
            pieces.append(Run(rest.first, line, (low, middle), rest.previous, digest))
            rest = Run(line + 1, rest.last, (middle + 1, rest.numbers[1]), digest, rest.digest)
            at += 1
        pieces.append(rest)
    return pieces


def link_runs(pieces: Sequence[Run], attested: Mapping[str, str]) -> list[Path]:
    """Paths by what each run asks for. Of several that ask for the same, the heavier goes on."""
    ends: dict[str, list[int]] = {}
    for index, piece in enumerate(pieces):
        if piece.numbers is not None:
            ends.setdefault(piece.digest, []).append(index)
    before: dict[int, int] = {}
    for index, piece in enumerate(pieces):
        if piece.previous is not None:
            copies = [i for i in ends.get(piece.previous, ()) if i != index]
            if copies:
                # of identical copies the one that stands just before, else the one in its place
                before[index] = min(copies, key=lambda i: _out_of_place(pieces[i], piece))
    after: dict[int, list[int]] = {}
    for index, other in before.items():
        after.setdefault(other, []).append(index)
    weight: dict[int, int] = {}
    heavier: dict[int, int] = {}
    # The digests make a circle impossible; roots first, then every run after the one it asks for.
    order = [i for i, p in enumerate(pieces) if p.numbers is not None and i not in before]
    for index in order:
        order += after.get(index, ())
    for index in reversed(order):
        piece = pieces[index]
        own = 2 * piece.length + (_ANCHORED if piece.digest in attested else 0)
        own += piece.first == (pieces[before[index]].last + 1 if index in before else 1)
        below = after.get(index, ())
        if below:
            heavier[index] = max(below, key=lambda i: weight[i])
        weight[index] = own + (weight[heavier[index]] if below else 0)
    return [
        _path(pieces, index, heavier, attested)
        for index in order
        if index not in before or heavier.get(before[index]) != index
    ]


def _out_of_place(candidate: Run, asking: Run) -> tuple[bool, bool, int]:
    assert candidate.numbers is not None
    return candidate.last != asking.first - 1, candidate.numbers[1] != candidate.last, candidate.first


def _path(pieces: Sequence[Run], start: int, heavier: Mapping[int, int], attested: Mapping[str, str]) -> Path:
    numbers = pieces[start].numbers
    assert numbers is not None
    path = Path([pieces[start]], numbers[0])
    while start in heavier:
        start = heavier[start]
        path.runs.append(pieces[start])
    path.anchored = any(run.digest in attested for run in path.runs)
    return path


def choose_paths(paths: Sequence[Path], pieces: Sequence[Run]) -> tuple[list[Path], list[Run]]:
    """The paths that together hold the most lines, each after the other in number and in the file."""
    fit = sorted((p for p in paths if _evidence(p)), key=lambda p: p.low)
    best: list[tuple[int, int | None]] = []
    for index, path in enumerate(fit):
        most: tuple[int, int | None] = (0, None)
        for i in range(index):
            if fit[i].high < path.low and fit[i].last.last < path.last.last:
                most = max(most, (best[i][0], i), key=lambda m: m[0])
        best.append((path.weight + most[0], most[1]))
    chosen: list[Path] = []
    at: int | None = max(range(len(fit)), key=lambda i: best[i][0], default=None)
    while at is not None:
        chosen.insert(0, fit[at])
        at = best[at][1]
    inside = {run.first for path in chosen for run in path.runs}
    return chosen, [run for run in pieces if run.first not in inside]


def _evidence(path: Path) -> bool:
    """A single line that nothing asks for and that asks for nothing in the file says nothing of its place."""
    return path.anchored or path.high > path.low or path.first.previous == NO_PREVIOUS


def numbered(path: Path) -> Iterator[tuple[Run, int]]:
    """Each run of a path with the number that its first entry has by its place in the path."""
    number = path.low
    for run in path.runs:
        yield run, number
        number += run.length
