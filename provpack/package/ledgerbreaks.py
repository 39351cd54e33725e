"""What happened to a ledger whose lines do not all follow from each other.

Line k is vouched for by the `previous` of line k+1. So where a line that is itself vouched for asks for
another predecessor than the one that stands there, it is the predecessor that was changed; where it asks for
one that stands elsewhere in the file, lines were moved; where it asks for one that is nowhere, and the number
before its own is missing, an entry was removed. Lines that nobody asks for were put in, or are copies.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from provpack.package.ledgerchain import NO_PREVIOUS, Break, BreakKind, Run, Torn, Witness, too_many
from provpack.package.ledgerorder import out_of_order
from provpack.package.ledgerpaths import MOST_PIECES, Path, choose_paths, link_runs, numbered, split_runs


@dataclass(slots=True)
class Ledger:
    """What the explanation works on; breaks are collected in it."""

    lines: int
    torn: Torn | None
    attested: Mapping[str, str]
    """Digests of witnesses that were met -> who attests them."""
    paths: list[Path]
    loose: list[Run]
    """Runs that are part of no path, in the order of the file."""
    breaks: list[Break] = field(default_factory=list)
    accused: set[int] = field(default_factory=set)
    """First lines of single-line paths that are known to be changed: they are no evidence."""

    def add(
        self, kind: BreakKind, entries: tuple[int, int] | None, lines: tuple[int, ...], what: str
    ) -> None:
        self.breaks.append(Break(kind=kind, entries=entries, lines=lines, what=what))


def explain_breaks(
    runs: Sequence[Run],
    found: Mapping[str, list[int]],
    witnesses: Sequence[Witness],
    *,
    lines: int,
    torn: Torn | None,
) -> tuple[Break, ...]:
    """Every break of a ledger, in the order of the entries.

    found: digest -> lines that have it, for the digests of all ends and beginnings of runs and of the
    witnesses. lines: lines in the file.
    """
    pieces = split_runs(runs, found)
    if len(pieces) > MOST_PIECES:
        return (too_many(runs),)
    attested = {
        w.sha512: w.source or "the copy of the last hash"
        for w in witnesses
        if any(p.digest == w.sha512 and p.numbers is not None and p.numbers[1] == w.entries for p in pieces)
    }
    paths, loose = choose_paths(link_runs(pieces, attested), pieces)
    ledger = Ledger(lines=lines, torn=torn, attested=attested, paths=paths, loose=loose)
    _repeated(ledger, found)
    _at_the_end(ledger, witnesses)
    _between(ledger)
    _left_over(ledger)
    for path in paths:
        _numbers(ledger, path)
    for kind, entries, at, what in out_of_order([(r, n) for p in paths for r, n in numbered(p)]):
        ledger.add(kind, entries, at, what)
    _contradicted(ledger, witnesses)
    return tuple(sorted(ledger.breaks, key=lambda b: (b.entries or (0, 0), b.lines)))


def _repeated(ledger: Ledger, found: Mapping[str, list[int]]) -> None:
    """Loose runs that are copies of lines in a path."""
    inside = {run.digest: run for path in ledger.paths for run in path.runs}
    loose: list[Run] = []
    for run in ledger.loose:
        original = inside.get(run.digest)
        if original is None or run.numbers is None:
            loose.append(run)
            continue
        of = f"line {original.last}" if run.length == 1 else f"the lines up to line {original.last}"
        what = f"{_lines(run.first, run.last)} repeat{'s' if run.length == 1 else ''} {of}."
        ledger.add("duplicated", run.numbers, (run.first, run.last)[: run.length], what)
    ledger.loose = loose


def _between(ledger: Ledger) -> None:
    """From the end to the beginning: does each path follow from the one before?"""
    start = Path([Run(0, 0, (0, 0), None, NO_PREVIOUS)], 0)
    for before, after in reversed(list(pairwise([start, *ledger.paths]))):
        if after.first.previous == before.last.digest and after.low == before.high + 1:
            continue
        if after.low > before.high + 1:
            _gap(ledger, before, after.low, after.first.first, f"line {after.first.first}")
            continue
        if after.first.first in ledger.accused:
            continue
        number, line = before.high, before.last.last
        who = ledger.attested.get(before.last.digest)
        if number == 0:
            what = (
                "Line 1 does not say that it is the first: lines were taken away before it, or it is changed."
            )
            ledger.add("unclear", (1, 1), (after.first.first,), what)
        elif who is not None:
            _unled(ledger, (number + 1, number + 1), after.first.first, line, who)
        else:
            _changed(ledger, number, line, f"line {after.first.first}")
            _accuse(ledger, before)


def _accuse(ledger: Ledger, path: Path) -> None:
    if path.high == path.low:
        ledger.accused.add(path.first.first)


def _changed(ledger: Ledger, number: int, line: int, by: str) -> None:
    what = f"Entry {number} was changed: line {line} is not what {by} says it was."
    ledger.add("changed", (number, number), (line,), what)


def _unled(ledger: Ledger, entries: tuple[int, int] | None, line: int, before: int, who: str) -> None:
    what = (
        f"Line {line} does not follow from line {before}, which {who} attests: line {line} was changed or "
        "put in."
    )
    ledger.add("unclear", entries, (line,), what)


def _gap(ledger: Ledger, before: Path, after: int, until: int, by: str) -> None:
    """Entries before.high + 1 to after - 1 are not there; what stands in their place is what they became."""
    low, high = before.high + 1, after - 1
    they = f"{_entries(low, high)} {'was' if low == high else 'were'}"
    here = [r for r in ledger.loose if before.last.last < r.first < until]
    ledger.loose = [r for r in ledger.loose if r not in here]
    count = sum(r.length for r in here)
    at_end = until > ledger.lines
    if count == high - low + 1 and len(here) == count:
        for number, run in enumerate(here, low):
            _changed(ledger, number, run.first, by)
    elif count:
        places = tuple(sorted({line for r in here for line in (r.first, r.last)}))
        what = (
            f"{they} changed: in {'its' if low == high else 'their'} place "
            f"{'stands' if count == 1 else 'stand'} {_lines(places[0], places[-1]).lower()}, from which {by} "
            f"does not follow."
        )
        ledger.add("changed", (low, high), places, what)
    elif at_end:
        torn = ledger.torn
        rest = f" Left of entry {low} are {torn.size} bytes." if torn and not torn.complete else ""
        what = f"{they} cut off the end: {by} attests {high} entries.{rest}"
        ledger.add("cut_off", (low, high), (), what)
    else:
        told = f"after entry {low - 1} (line {before.last.last})" if low > 1 else "at the beginning"
        what = f"{they} removed: {told} comes entry {after} ({by})."
        ledger.add("removed", (low, high), (until,), what)


def _at_the_end(ledger: Ledger, witnesses: Sequence[Witness]) -> None:
    """The greatest witness stands in for a line after the last."""
    unmet = [w for w in witnesses if w.entries and w.sha512 not in ledger.attested]
    last = ledger.paths[-1] if ledger.paths else Path([Run(0, 0, (0, 0), None, NO_PREVIOUS)], 0)
    end = max(unmet, key=lambda w: w.entries, default=None)
    if end is None:
        return
    by = end.source or "the copy of the last hash"
    if end.entries == last.high:
        _changed(ledger, end.entries, last.last.last, by)
        _accuse(ledger, last)
    elif end.entries > last.high:
        _gap(ledger, last, end.entries + 1, ledger.lines + 1, by)


def _left_over(ledger: Ledger) -> None:
    """Lines that nothing asks for: put in, or at the end, where nothing could ask for them."""
    last = ledger.paths[-1].last if ledger.paths else None
    high = ledger.paths[-1].high if ledger.paths else 0
    _before_the_last(ledger)
    for run in ledger.loose:
        numbers = run.numbers
        if last is not None and run.first <= last.last:
            what = f"{_lines(run.first, run.last)} {_was(run)} put in: no other line follows from it."
            ledger.add("inserted", numbers, (run.first, run.last)[: run.length], what)
            continue
        if numbers is None:
            what = f"Line {run.first} is no entry: it was changed, or put in."
            ledger.add("unclear", None, (run.first,), what)
        elif last is None or run.first > last.last + 1:
            what = f"{_lines(run.first, run.last)} {_was(run)} changed or put in: nothing leads to it."
            ledger.add("unclear", numbers, (run.first, run.last)[: run.length], what)
        elif last.digest in ledger.attested:
            _unled(ledger, numbers, run.first, last.last, ledger.attested[last.digest])
        else:
            missing = numbers[0] > high + 1
            what = (
                f"Line {run.first} (entry {numbers[0]}) does not follow from line {last.last} "
                f"(entry {high}): "
                + ("what stood between was removed, or " if missing else "")
                + "one of the two was changed. Which one only a copy of the last hash can tell (a delivery "
                "note, a receipt)."
            )
            ledger.add("unclear", (high, max(high + 1, numbers[0])), (last.last, run.first), what)


def _before_the_last(ledger: Ledger) -> None:
    """Lines that are no entries, before a last line whose number leaves room for them."""
    path = ledger.paths[-1] if ledger.paths else None
    after = [r for r in ledger.loose if path is not None and r.first > path.last.last]
    if path is None or len(after) < 2 or after[-1].numbers is None:
        return
    if after[-1].numbers[0] > path.high + 1 and all(r.numbers is None for r in after[:-1]):
        _gap(ledger, path, after[-1].numbers[0], after[-1].first, f"line {after[-1].first}")
        ledger.loose.remove(after[-1])


def _numbers(ledger: Ledger, path: Path) -> None:
    """Lines that follow by their digests, but do not count on."""
    told = [b.entries for b in ledger.breaks if b.entries]
    expected = path.low
    for run in path.runs:
        assert run.numbers is not None
        if run.numbers[0] != expected and not any(low <= expected <= high for low, high in told):
            what = f"Line {run.first} has number {run.numbers[0]}, but it follows from entry {expected - 1}."
            ledger.add("misnumbered", (expected, expected), (run.first,), what)
        expected += run.length


def _contradicted(ledger: Ledger, witnesses: Sequence[Witness]) -> None:
    """Witnesses of entries that are there, with another content, and hang together with what follows."""
    met = [w.entries for w in witnesses if w.sha512 in ledger.attested]
    for witness in witnesses:
        number = witness.entries
        if not number or witness.sha512 in ledger.attested:
            continue
        if any(b.entries and b.entries[0] <= number <= b.entries[1] for b in ledger.breaks):
            continue
        since = max((m for m in met if m < number), default=0) + 1
        line = next(
            (run.first + number - low for p in ledger.paths for run, low in numbered(p)
             if low <= number < low + run.length),
            number,
        )  # fmt: skip
        what = (
            f"Entry {number} is not the one that {witness.source or 'the copy of the last hash'} attests. "
            f"{_entries(since, number)} may have been changed, and everything after made to fit; or the "
            f"witness belongs to another ledger."
        )
        ledger.add("contradicted", (since, number), (line,), what)


def _entries(low: int, high: int) -> str:
    return f"Entry {low}" if low == high else f"Entries {low} to {high}"


def _lines(low: int, high: int) -> str:
    return f"Line {low}" if low == high else f"Lines {low} to {high}"


def _was(run: Run) -> str:
    return "was" if run.length == 1 else "were"
