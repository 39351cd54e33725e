"""The result of `audit` as a page: every question with its answer, and pictures of damage over time.

Self-contained, no script; what comes from records is escaped by the template engine, the pictures for
themselves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from provpack.package.bagpaths import readable
from provpack.package.figures import count, moment_words, number
from provpack.package.readfirst_words import one_line
from provpack.report.audit_trends import (
    KINDS,
    LIMITS,
    Line,
    hours_words,
    lines_of,
    per_hour,
    rate_words,
)
from provpack.report.html import page_of
from provpack.report.trend_picture import trend_picture

if TYPE_CHECKING:
    from provpack.catalogue.values import Trend
    from provpack.jobs.auditresult import AuditResult, Item, Section

LINES_MAX = 400
"""Of one table of figures; the rest is in --json."""
_SIGNS: Final = {"error": ("■", "pressing"), "warning": ("▲", "to look at"), "note": ("○", "to know")}


def audit_page(result: AuditResult) -> str:
    """The page as text, to be written as UTF-8."""
    sections = [_section(section) for section in result.sections]
    found = [section for section in sections if section["things"] or section["groups"]]
    return page_of(
        "audit.html.j2",
        today=result.today,
        heading=_heading(result),
        basis=_basis(result),
        lead=_lead(result),
        remarks=[*_seen(result), *(one_line(r, 600) for r in result.remarks)],
        settings=_settings(result),
        sections=sections,
        found=found,
        trends=[trend for kind in KINDS if (trend := _trend(kind, result)) is not None],
        limits=LIMITS,
    )


def _heading(result: AuditResult) -> str:
    known = result.basis.known
    packages = count(known.get("packages", 0), "package", "packages")
    return f"{packages}, {count(known.get('checks', 0), 'check', 'checks')}"


def _basis(result: AuditResult) -> str:
    if result.basis.catalogue is None:
        return "Everything was read for this page alone."
    return f"From the catalogue {one_line(readable(result.basis.catalogue), 300)}."


def _lead(result: AuditResult) -> str:
    asking = [section for section in result.sections if section.counts]
    left = sum(section.total is None for section in result.sections)
    said = (
        f"{count(len(asking), 'question', 'questions')} of {len(result.sections)} brought up something that "
        "asks for somebody."
        if asking
        else "Nothing was found that asks for somebody."
    )
    return said + (f" {count(left, 'question was', 'questions were')} not looked at." if left else "")


def _seen(result: AuditResult) -> list[str]:
    """When the folders were last looked through, and which were looked at now."""
    basis = result.basis
    seen = basis.seen if basis.catalogue is not None else ()
    said = [f"{readable(root)}: looked through for the catalogue {moment_words(t)}." for root, t in seen[:20]]
    return said + [f"{readable(root)}: its disk was looked at for this page." for root in basis.looked]


def _settings(result: AuditResult) -> list[tuple[str, str]]:
    out = [
        ("A check is too old after", result.older_than),
        ("that is, before", moment_words(result.not_checked_since)),
        ("A chain check is too old after", f"{result.chain_check_days} days (domain rule 30 names 30)"),
        ("Listed of each answer", f"the first {result.limit}" if result.limit else "all"),
    ]
    return out if result.asked is None else [*out, ("Only this rule", result.asked)]


def _section(section: Section) -> dict[str, Any]:
    sign, weight = _SIGNS[section.gravest]
    shown = len(section.items)
    total = section.total
    caption = (
        ""
        if total is None
        else f"The first {number(shown)} of {number(total)}"
        if shown < total
        else "All of them"
    )
    return {
        "id": section.rule.id,
        "rule": section.rule.id,
        "title": section.rule.title,
        "reference": section.rule.reference,
        "total": "–" if total is None else number(total),
        "severity": section.gravest,
        "sign": sign,
        "weight": weight if total else "",
        "without": "not looked at" if total is None else "nothing found",
        "means": section.means,
        "todo": section.todo or section.rule.todo,
        "caption": caption,
        "groups": [
            {
                "rule": one_line(group.rule, 120),
                "severity": group.severity,
                "packages": number(group.packages),
                "title": group.title or "A rule of another version",
            }
            for group in section.groups
        ],
        "things": [_item(item) for item in section.items],
    }


def _item(item: Item) -> dict[str, str]:
    where = readable(item.where)
    return {
        "name": one_line(item.package or item.carrier or where.rpartition("/")[2] or where, 200),
        "title": one_line(item.title or "", 200),
        "where": where,
        "client": one_line(item.client or "", 200),
        "what": one_line(item.what, 1000),
    }


def _trend(kind: str, result: AuditResult) -> dict[str, Any] | None:
    heading, one = KINDS[kind]
    lines = lines_of(result.trends.get(kind, ()))
    if not lines:
        return None
    table = [row for line in lines for row in _rows(line)]
    return {
        "kind": kind,
        "heading": heading,
        "picture": trend_picture(
            lines, title=f"Damage per hour over time: {heading.lower()}", prefix=f"trend-{kind}"
        ),
        "caption": f"{heading}, by month",
        "columns": (
            one[0].upper() + one[1:], "Month", "Transfers", "Not measured", "Time measured",
            "Places of damage", "Places per hour", "Damaged seconds per hour",
        ),
        "lines": table[:LINES_MAX],
        "more": number(len(table) - LINES_MAX) if len(table) > LINES_MAX else "",
    }  # fmt: skip


def _rows(line: Line) -> list[dict[str, Any]]:
    months = [*line.months, *((line.undated,) if line.undated is not None else ())]
    whole = _cells("all months", line.transfers, line.unmeasured, line.hours, line.events, line.seconds)
    rows = [{"name": line.subject, "whole": True, "cells": whole}]
    if len(months) > 1:
        rows += [{"name": line.subject, "whole": False, "cells": _month(trend)} for trend in months]
    else:
        rows[0]["cells"] = _month(months[0])
    return rows


def _month(trend: Trend) -> tuple[str, ...]:
    name = one_line(trend.month, 20) or "not dated"
    return _cells(
        name, trend.transfers, trend.unmeasured, trend.hours, trend.damage_events, trend.damage_seconds
    )


def _cells(
    name: str, transfers: int, unmeasured: int, hours: float, events: int, seconds: float
) -> tuple[str, ...]:
    damage = number(events) if hours > 0 else "–"
    lost = per_hour(seconds, hours)
    return (
        name, number(transfers), number(unmeasured), hours_words(hours), damage, rate_words(events, hours),
        "–" if lost is None else number(round(lost, 3)),
    )  # fmt: skip
