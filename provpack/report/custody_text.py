"""Results of `custody` and `enter` as lines of plain text: what is wrong, since when, what to do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import groupby
from typing import TYPE_CHECKING

from provpack.package.custodystate import moment_of
from provpack.package.figures import counted, numbered
from provpack.package.ledgerwords import sentence
from provpack.report.text import finding_lines, hanging

if TYPE_CHECKING:
    from provpack.jobs.custodyview import CustodyResult
    from provpack.jobs.enter import EnterResult

_SHOWN = 20


def custody_lines(result: CustodyResult, titles: Mapping[str, str]) -> Iterator[str]:
    """The result of `custody`. titles: rule id -> heading."""
    chain = result.chain
    yield f"Custody ledger {result.path}"
    if chain.breaks:
        yield f"The chain is BROKEN ({counted(len(chain.breaks), 'place')})."
    elif chain.lines == 0:
        yield "It is empty."
    else:
        many = counted(chain.lines, "entry", "entries")
        yield f"The chain holds: {many}, each follows from the one before."
    if chain.head:
        yield f"Last SHA-512: {chain.head[1]}"
    for paper in result.papers:
        said = {
            "met": f"agrees (entry {paper.entries})",
            "contradicted": f"DISAGREES about entry {paper.entries}",
            "tells_nothing": "tells nothing about a ledger",
        }[paper.verdict]
        yield f"Compared with {paper.path}: {said}."
    if not result.papers and chain.lines:
        yield "Not compared with any paper: a change of the last line, or a cut, shows only with --against."
    yield ""
    if result.findings:
        yield from finding_lines(result.findings)
        yield ""
    if result.asked:
        yield f"What the ledger says of {result.asked}:"
        for entry in result.history:
            when = moment_of(entry)[:16].replace("T", " ") or "?"
            yield from hanging(f"{when:16}  {sentence(entry)} [entry {entry['n']}]", "  ", " " * 20)
        yield ""
    for rule, group in groupby(result.open, key=lambda o: o.finding.rule):
        things = list(group)
        yield f"{titles[rule]} ({numbered(len(things))}):"
        for one in things:
            yield from hanging(f"{one.finding.what} [{one.finding.where}]", "    ")
            if one.equipment_id and one.packages:
                left = len(one.packages) - _SHOWN
                more = f" and {numbered(left)} more" if left > 0 else ""
                yield from hanging(f"may be touched: {', '.join(one.packages[:_SHOWN])}{more}", "      ")
        yield from hanging(f"To do: {things[0].finding.todo}", "  ")
        yield ""
    if not result.open:
        yield "Nothing is open." if chain.holds else "Nothing is open, as far as a broken ledger can tell."


def enter_lines(result: EnterResult) -> Iterator[str]:
    """The result of `enter`."""
    for line in result.lines:
        yield f"{line['n']:6}  {moment_of(line)[:16].replace('T', ' ')}  {sentence(line)}"
    if not result.lines:
        yield "Nothing new: the ledger has all of it already."
    else:
        yield f"{counted(len(result.lines), 'line')} appended to {result.path}."
    if result.head:
        many = counted(result.head[0], "entry", "entries")
        yield f"The ledger has {many} now; last SHA-512 {result.head[1]}"
    if result.findings:
        yield ""
        yield from finding_lines(result.findings)
