"""Lines of a ledger that follow from each other, but stand in another order in the file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from provpack.package.ledgerchain import BreakKind, Run

Told = tuple[BreakKind, tuple[int, int], tuple[int, ...], str]


def out_of_order(chain: Sequence[tuple[Run, int]]) -> Iterator[Told]:
    """Breaks for runs that were moved. chain: runs in the order of their entries, with the first number.

    Two runs that stand in each other's place were swapped, unless one of them is just what the other was
    carried past; otherwise the fewest lines whose removal leaves the rest in order were moved.
    """
    by_line = sorted(range(len(chain)), key=lambda i: chain[i][0].first)
    swapped: set[int] = set()
    for place, index in enumerate(by_line):
        if place < index and by_line[index] == place and _alike(chain, place, index):
            one, two = chain[place], chain[index]
            swapped |= {place, index}
            what = (
                f"{_name(one)} and {_name(two)[0].lower()}{_name(two)[1:]} stand in each other's place "
                f"(lines {two[0].first} and {one[0].first})."
            )
            yield "swapped", _range(one), tuple(sorted((one[0].first, two[0].first))), what
            yield "swapped", _range(two), tuple(sorted((one[0].first, two[0].first))), what
    rest = [i for i in range(len(chain)) if i not in swapped]
    staying = _heaviest_rising([chain[i][0] for i in rest])
    for run, low in (chain[i] for n, i in enumerate(rest) if n not in staying):
        what = f"{_name((run, low))} stands in the wrong place, at line {run.first}."
        yield "moved", (low, low + run.length - 1), (run.first, run.last)[: run.length], what


def _alike(chain: Sequence[tuple[Run, int]], one: int, two: int) -> bool:
    return two - one > 1 or chain[one][0].length == chain[two][0].length == 1


def _heaviest_rising(runs: Sequence[Run]) -> set[int]:
    """Indices of runs in rising order of lines that hold the most lines together."""
    best: list[tuple[int, int | None]] = []
    for index, run in enumerate(runs):
        most: tuple[int, int | None] = (0, None)
        for i in range(index):
            if runs[i].first < run.first and best[i][0] > most[0]:
                most = (best[i][0], i)
        best.append((most[0] + run.length, most[1]))
    at: int | None = max(range(len(runs)), key=lambda i: best[i][0], default=None)
    out: set[int] = set()
    while at is not None:
        out.add(at)
        at = best[at][1]
    return out


def _range(item: tuple[Run, int]) -> tuple[int, int]:
    return item[1], item[1] + item[0].length - 1


def _name(item: tuple[Run, int]) -> str:
    low, high = _range(item)
    return f"Entry {low}" if low == high else f"Entries {low} to {high}"
