"""The result of `audit` as lines of plain text: first what was found in a table, then each section."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from provpack.package.bagpaths import readable
from provpack.package.figures import counted, numbered, plain
from provpack.report.audit_trends import KINDS, LIMITS, Line, hours_words, line_words, lines_of, rate_words
from provpack.report.text import hanging

if TYPE_CHECKING:
    from provpack.jobs.auditresult import AuditResult, Item, Section

MONTHS_SHOWN = 12
SUBJECTS_SHOWN = 20


def audit_lines(result: AuditResult) -> Iterator[str]:
    """The result of `audit`."""
    yield from _basis(result)
    yield ""
    if result.asked is None:
        yield from _overview(result)
    for section in result.sections:
        if section.total or result.asked is not None:
            yield from _section(section, result)
    if result.trends:
        yield from _trends(result)
    if result.csv:
        yield f"Everything that was found, as a table: {result.csv}"
    if result.page:
        yield f"As a page, with pictures of the trends: {result.page}"
    if any(section.total is None for section in result.sections):
        yield "Nothing else was found; what was not looked at is named above."
    elif not result.exit_code:
        yield "Nothing was found that asks for somebody."


def _basis(result: AuditResult) -> Iterator[str]:
    basis = result.basis
    known = basis.known
    many = counted(known.get("packages", 0), "package", "packages")
    if basis.catalogue is None:
        yield f"Looking back over {many}, read for this run, up to {result.today}"
    else:
        yield f"Looking back over {many} in the catalogue {basis.catalogue}, up to {result.today}"
    for root, at in basis.seen[:SUBJECTS_SHOWN]:
        if basis.catalogue is not None:
            yield f"  {readable(root)}: looked through on {at[:10]}"
    for root in basis.looked:
        yield f"  {readable(root)}: its disk was looked at now"
    for remark in result.remarks:
        yield from hanging(remark, "  ")


def _overview(result: AuditResult) -> Iterator[str]:
    for section in result.sections:
        figure = "-" if section.total is None else numbered(section.total)
        severity = section.gravest.upper() if section.total else ""
        yield f"  {figure:>9}  {severity:8} {section.rule.title}"
    yield ""
    whys = dict.fromkeys(section.why for section in result.sections if section.why)
    for why in whys:
        yield from hanging(f"(-) {why}", "  ")
    if whys:
        yield ""


def _section(section: Section, result: AuditResult) -> Iterator[str]:
    if section.total is None:
        yield f"{section.rule.title}: not looked at. {section.why}"
        yield ""
        return
    yield f"{section.gravest.upper()}  {section.rule.title}: {numbered(section.total)}"
    if section.means:
        yield from hanging(section.means, "  ", "  ")
    for group in section.groups:
        many = counted(group.packages, "package", "packages")
        title = group.title or "a rule of another version"
        yield from hanging(f"{group.severity:8}{group.rule}: {many}. {title}", "    ", " " * 14)
    for item in section.items:
        yield from _item(item)
    shown = len(section.items)
    if shown and section.total > shown:
        how = f"; all of them: the same command with --rule {section.rule.id}" if result.asked is None else ""
        yield f"    ... and {numbered(section.total - shown)} more{how}"
    if section.total:
        yield from hanging(f"To do: {section.todo or section.rule.todo}", "  ")
    yield f"  ({section.rule.id}{'; ' + section.rule.reference if section.rule.reference else ''})"
    yield ""


def _item(item: Item) -> Iterator[str]:
    of = f" [{readable(item.client)}]" if item.client else ""
    yield f"    {readable(item.where)}{of}"
    yield from hanging(item.what, "        ", "        ")


def _trends(result: AuditResult) -> Iterator[str]:
    told = False
    for kind, (heading, _) in KINDS.items():
        lines = lines_of(result.trends.get(kind, ()))
        if not lines:
            continue
        told = True
        yield f"{heading}: damage per hour of measured sound"
        for line in lines[:SUBJECTS_SHOWN]:
            yield from _trend(line)
        if len(lines) > SUBJECTS_SHOWN:
            yield f"    ... and {numbered(len(lines) - SUBJECTS_SHOWN)} more, in --json and --page"
        yield ""
    if told:
        for said in LIMITS:
            yield from hanging(said, "  ", "  ")
        yield ""


def _trend(line: Line) -> Iterator[str]:
    yield from hanging(f"{line.subject}: {plain(line_words(line))}", "  ", "      ")
    measured = [m for m in line.months if m.hours > 0][-MONTHS_SHOWN:]
    said = [f"{m.month} {rate_words(m.damage_events, m.hours)} ({hours_words(m.hours)})" for m in measured]
    if len(said) > 1:
        yield from hanging("by month: " + plain(", ".join(said)), "      ", "      ")
