"""Results of `catalogue` as lines of plain text: for somebody who looks for a tape in the night."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from provpack.package.figures import counted, numbered
from provpack.report.text import count_words, finding_lines

if TYPE_CHECKING:
    from provpack.jobs.harvest import HarvestResult
    from provpack.jobs.harvestlook import Answered, Hit, Hits, Known

_TITLE, _CLIENT, _CHECK = 32, 26, 26


def catalogue_lines(result: Answered) -> Iterator[str]:
    """The result of `catalogue`, whatever was asked."""
    if result.harvest is not None:
        yield from _harvest(result, result.harvest)
    if result.found is not None:
        yield from _found(result.found)
    if result.known is not None:
        yield from _state(result, result.known)


def _harvest(result: Answered, done: HarvestResult) -> Iterator[str]:
    if done.findings:
        yield from finding_lines(done.findings)
        yield ""
    for root in done.roots:
        yield f"Looked at {root}"
    for root in done.away:
        yield f"NOT THERE: {root}; what is known of it was kept"
    yield f"Catalogue {result.shown}: {counted(done.packages, 'package')} taken in"
    if done.unchanged:
        yield f"  {counted(done.unchanged, 'package')} known and unchanged, not read again"
    if done.gone:
        yield f"  {counted(done.gone, 'package')} not there any more"
    if done.incomplete:
        yield f"  of {counted(done.incomplete, 'package')} not everything could be read"
    if done.not_whole:
        yield f"  of {counted(done.not_whole, 'package')} PAYLOAD FILES are not there, or of another size"
    broken = f", {numbered(done.broken)} of them BROKEN" if done.broken else ""
    yield f"  {counted(done.ledgers, 'custody ledger')} read{broken}"
    yield f"{count_words(done.findings)}."
    yield "Nothing was verified: of the audio only names and sizes were looked at."
    yield "Next: provpack audit; provpack verify ROOT"


def _found(found: Hits) -> Iterator[str]:
    if not found.hits:
        yield "Nothing was found. (Only what the catalogue knows was searched: provpack catalogue state)"
        return
    yield f"{'Title':{_TITLE}}  {'Client':{_CLIENT}}  {'Last check':{_CHECK}}  Place"
    for hit in found.hits:
        yield _row(hit)
        if hit.file:
            yield f"    file {hit.file}"
    told = len(found.hits)
    yield ""
    more = f", the first {numbered(told)} are told (--limit 0: all)" if told < found.total else ""
    least = "At least " if found.more else ""
    yield f"{least}{counted(found.total, 'package')} found{more}."


def _row(hit: Hit) -> str:
    p = hit.package
    gone = " (NOT THERE when last looked)" if p.gone else ""
    cells = [(p.title or p.name, _TITLE), (p.client or "?", _CLIENT), (_check(hit), _CHECK)]
    return "  ".join(f"{_cut(text, width):{width}}" for text, width in cells) + f"  {p.place}{gone}"


def _check(hit: Hit) -> str:
    p = hit.package
    if not p.last_checked_at:
        return "never (once bad)" if p.once_bad else "never"
    once = " (once bad)" if p.once_bad and p.last_outcome == "good" else ""
    return f"{p.last_checked_at[:10]} {p.last_outcome or '?'}{once}"


def _state(result: Answered, known: Known) -> Iterator[str]:
    yield f"Catalogue {result.shown} ({result.engine}, version {result.version})"
    for name, many in known.size.items():
        yield f"  {name:10} {numbered(many):>12}"
    yield "Roots, and when they were last looked at:" if known.roots else "No root was looked at yet."
    for root, at, days in known.roots:
        ago = "" if days is None else " (today)" if days == 0 else f" ({counted(days, 'day')} ago)"
        yield f"  {at[:10] or 'never':10}{ago}  {root}"
    yield ""
    yield "This is only an index: everything in it stands in the packages and ledgers."
    yield "What changed since:  provpack catalogue add"
    yield "Made anew:           provpack catalogue rebuild ROOT..."


def _cut(text: str, width: int) -> str:
    line = " ".join(text.split())
    return line if len(line) <= width else line[: width - 1] + "…"
