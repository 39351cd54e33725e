"""The chain of a custody ledger: is it whole, and if not, which line was touched, and how?

Each line holds the SHA-512 of the bytes of the line before it, without the line end; the first holds 128
zeros. So a line is vouched for by its successor, and the last one only from outside: by a witness, the pair
(number of entries, SHA-512 of the last) that goes with each delivery note.

A file is read front to back and cut into runs: lines each of which vouches for the one before. A whole
ledger is one run, whatever its length. Only when there are several is the file read once more, to find the
lines that the loose ends ask for; package/ledgerbreaks.py then says what happened between the runs.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from provpack.package.ledgertorn import LONGEST_LINE, may_be_torn

NO_PREVIOUS: Final = "0" * 128
MOST_RUNS: Final = 500
"""A file cut into more runs is not pieced together: it is no ledger with a few wounds any more."""

ANY_LINE: Final = 2**62
"""Greater than the number of any line."""
_TOO_LARGE: Final = 1 << 63
_COMPOUND: Final = ("equipment_ids", "findings")
"""Members of a line that are no words or numbers (schemas/ledger-entry.schema.json)."""

Entry = Mapping[str, Any]
Blocks = Callable[[], Iterable[bytes]]
"""Called once or twice; each time the same bytes from the beginning, in blocks of any size."""

BreakKind = Literal[
    "changed", "removed", "cut_off", "swapped", "moved", "duplicated", "inserted", "misnumbered", "unclear",
    "contradicted", "too_many",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """What somebody else holds: that the ledger had so many entries, the last with this SHA-512 (hex)."""

    entries: int
    sha512: str
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """One thing done to the ledger.

    entries: first and last number of the entries concerned (the n they had), None when they have none.
    lines: the lines of the file, from 1, that show it; empty when nothing is left there. what: a sentence.
    """

    kind: BreakKind
    entries: tuple[int, int] | None
    lines: tuple[int, ...]
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Torn:
    """Bytes after the last line end as an append cut short leaves them. complete: a whole entry in its place.

    Other bytes there are no Torn but a Break (package/ledgertorn.py tells the two apart).
    """

    size: int
    complete: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """A ledger that was read.

    lines: lines in the file, a torn one that is complete among them. head: number and SHA-512 of the last
    line, None for an empty file or when that line cannot be read. entries: filled only when asked for.
    met: for each witness whether its line is there, in the order given.
    """

    lines: int
    head: tuple[int, str] | None
    breaks: tuple[Break, ...]
    torn: Torn | None
    met: tuple[bool, ...] = ()
    entries: tuple[Entry, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether every line follows from the one before, and no witness says otherwise."""
        return not self.breaks

    @property
    def trouble(self) -> str:
        """The first break as a sentence, and how many more there are; empty when the chain holds."""
        more = len(self.breaks) - 1
        wrong = "1 more place is wrong" if more == 1 else f"{more} more places are wrong"
        return f"{self.breaks[0].what} {wrong}." if more > 0 else "".join(b.what for b in self.breaks)

    @property
    def last_touched(self) -> int:
        """The last line that shows a break; 0 when the chain holds, or only its end is gone. Lines up to it
        can accuse and never acquit; those after it follow from each other to the end."""
        if any(b.kind == "too_many" for b in self.breaks):
            return ANY_LINE
        return max((line for b in self.breaks for line in b.lines), default=0)


@dataclass(slots=True)
class Run:
    """Lines that follow from each other. numbers: n of its first and last line; None: not readable as entry.

    previous: what the first line holds of the line before it. digest: SHA-512 of the last line.
    """

    first: int
    last: int
    numbers: tuple[int, int] | None
    previous: str | None
    digest: str

    @property
    def length(self) -> int:
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True)
class RawLine:
    """A line without its end. data is None when it is longer than LONGEST_LINE; ended: a line end follows."""

    data: bytes | None
    digest: str
    size: int
    ended: bool


def raw_lines(blocks: Iterable[bytes]) -> Iterator[RawLine]:
    """The lines of a file in blocks, each with its SHA-512; never holds more than one block and one line."""
    rest: list[bytes] = []
    size = 0
    digest = hashlib.sha512()
    for block in blocks:
        *whole, tail = block.split(b"\n")
        for part in whole:
            if size:
                digest.update(part)
                size += len(part)
                data = b"".join([*rest, part]) if size <= LONGEST_LINE else None
                yield RawLine(data, digest.hexdigest(), size, True)
                rest, size, digest = [], 0, hashlib.sha512()
            else:
                data = part if len(part) <= LONGEST_LINE else None
                yield RawLine(data, hashlib.sha512(part).hexdigest(), len(part), True)
        if tail:
            digest.update(tail)
            size += len(tail)
            if size <= LONGEST_LINE:
                rest.append(tail)
            else:
                rest = []
    if size:
        data = b"".join(rest) if size <= LONGEST_LINE else None
        yield RawLine(data, digest.hexdigest(), size, False)


def entry_of(line: bytes | None) -> dict[str, Any] | None:
    """The line as an entry with a number and a previous digest, else None."""
    if line is None:
        return None
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return None
    if not isinstance(entry, dict):
        return None
    number, previous = entry.get("n"), entry.get("previous")
    if type(number) is not int or not 0 < number < _TOO_LARGE or not isinstance(previous, str):
        return None
    return entry


def _plain(entry: dict[str, Any]) -> Entry:
    """The entry with null for each list or object where no line of a ledger has one: that counts as absent,
    whoever asks, and it may be looked for among words and names."""
    for name, value in entry.items():
        if type(value) in (list, dict) and name not in _COMPOUND:
            entry[name] = None
    return entry


def follows(entry: Entry | None, number: int, digest: str) -> bool:
    """Whether the entry says that it comes after line `number` with that SHA-512 (0 and zeros: nothing)."""
    return entry is not None and entry["n"] == number + 1 and entry["previous"] == digest


def read_chain(
    blocks: Blocks,
    *,
    witnesses: Sequence[Witness] = (),
    keep: bool = False,
    each: Callable[[int, Entry], None] | None = None,
) -> Chain:
    """Read a ledger and say what is wrong with it. Raises nothing of its own; only what blocks() raises.

    each: called with line number and entry for every line that reads as an entry, whether or not it is
    vouched for; a list or object where no line of a ledger has one is null in it. keep: collect those entries
    in the result. Memory does not grow with the number of lines unless keep is set.
    """
    kept: list[Entry] = []
    runs: list[Run] = []
    attested = {(w.entries, w.sha512) for w in witnesses}
    told: set[tuple[int, str]] = set()
    torn: Torn | None = None
    rest: Break | None = None
    hopeless = False
    line = 0
    run: Run | None = None
    for raw in raw_lines(blocks()):
        entry = entry_of(raw.data)
        if not raw.ended:
            number, digest = (run.numbers[1], run.digest) if run and run.numbers else (0, NO_PREVIOUS)
            known = run is None or run.numbers is not None
            complete = known and follows(entry, number, digest)
            if not complete and (raw.data is None or (known and not may_be_torn(raw.data, number, digest))):
                rest = _strange_end(raw, line)
                break
            torn = Torn(size=raw.size, complete=complete)
            if not complete:
                break
        line += 1
        if entry is not None:
            plain = _plain(entry)
            if keep:
                kept.append(plain)
            if each is not None:
                each(line, plain)
            number = entry["n"]
            if (number, raw.digest) in attested:
                told.add((number, raw.digest))
            if run is not None and run.numbers is not None and follows(entry, run.numbers[1], run.digest):
                run.last, run.numbers, run.digest = line, (run.numbers[0], number), raw.digest
                continue
        if len(runs) >= MOST_RUNS:
            hopeless = True
            if not keep and each is None:
                break
            continue
        numbers = (number, number) if entry is not None else None
        run = Run(line, line, numbers, entry["previous"] if entry is not None else None, raw.digest)
        runs.append(run)
    met = tuple(w.entries == 0 or (w.entries, w.sha512) in told for w in witnesses)
    head = (run.numbers[1], run.digest) if run is not None and run.numbers is not None else None
    breaks: tuple[Break, ...]
    if hopeless:
        breaks, head = (too_many(runs),), None
    elif _whole(runs) and all(met):
        breaks = ()
    else:
        from provpack.package.ledgerbreaks import explain_breaks

        wanted = {r.digest for r in runs} | {r.previous for r in runs} | {w.sha512 for w in witnesses}
        found = _places(blocks, wanted, line)
        breaks = explain_breaks(runs, found, witnesses, lines=line, torn=torn)
    if rest is not None and not hopeless:
        breaks = (*breaks, rest)
    return Chain(lines=line, head=head, breaks=breaks, torn=torn, met=met, entries=tuple(kept))


def parse_chain(data: bytes, witnesses: Sequence[Witness] = ()) -> Chain:
    """read_chain over bytes in memory, with all entries."""
    return read_chain(lambda: (data,), witnesses=witnesses, keep=True)


def _strange_end(raw: RawLine, lines: int) -> Break:
    """Bytes after the last line end that no append leaves behind."""
    after = f"After line {lines} come" if lines else "The file holds nothing but"
    zeros = raw.data is not None and raw.data.startswith(b"\0")
    what = f"{after} {raw.size} bytes{', zeros at their beginning,' if zeros else ''} that are no entry"
    return Break(
        kind="unclear",
        entries=None,
        lines=(lines + 1,),
        what=f"{what} and that no append cut short leaves behind: the end was damaged, or put there.",
    )


def _whole(runs: Sequence[Run]) -> bool:
    if not runs:
        return True
    return len(runs) == 1 and runs[0].numbers is not None and runs[0].numbers[0] == 1 and (
        runs[0].previous == NO_PREVIOUS
    )  # fmt: skip


def _places(blocks: Blocks, wanted: set[str | None], lines: int) -> dict[str, list[int]]:
    """Where the lines with these digests stand; each copy begins a run, so there are MOST_RUNS at most."""
    found: dict[str, list[int]] = {}
    for number, raw in enumerate(raw_lines(blocks()), 1):
        if number > lines:
            break
        if raw.digest in wanted:
            found.setdefault(raw.digest, []).append(number)
    return found


def too_many(runs: Sequence[Run]) -> Break:
    """The one break of a file in more pieces than can be put together again."""
    first = runs[min(1, len(runs) - 1)]
    return Break(
        kind="too_many",
        entries=None,
        lines=(first.first,),
        what=f"From line {first.first} on the lines follow from each other no more, in hundreds of places.",
    )
