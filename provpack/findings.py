"""Findings: what is wrong or worth saying, in one shape everywhere.

A room declares its rules once, as `Rule` values in its own `rules.py`; the generated rule table in
DEVELOPERS.md is read from them. A rule id is stable for ever: it may be retired, never reused.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

Severity = Literal["error", "warning", "note"]
Position = Mapping[str, str | int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing found.

    where is for people; position holds the same place for programs, with any of the keys file, row,
    column, key, chunk, offset, block, frame, path.
    """

    rule: str
    severity: Severity
    what: str
    where: str
    todo: str
    reference: str = ""
    position: Position = field(default_factory=dict)

    def as_json(self) -> dict[str, object]:
        """The shape `finding` of the result schemas."""
        return {
            "rule": self.rule,
            "severity": self.severity,
            "what": self.what,
            "where": self.where,
            "todo": self.todo,
            "reference": self.reference,
            "position": dict(self.position),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A rule we can find broken: stable id, usual severity, a title, what to do, and its reference."""

    id: str
    severity: Severity
    title: str
    todo: str
    reference: str = ""

    def found(
        self,
        what: str,
        where: str,
        *,
        todo: str = "",
        severity: Severity | None = None,
        position: Position | None = None,
    ) -> Finding:
        """A finding of this rule; todo and severity may be sharpened for the case at hand."""
        return Finding(
            rule=self.id,
            severity=severity or self.severity,
            what=what,
            where=where,
            todo=todo or self.todo,
            reference=self.reference,
            position=dict(position or {}),
        )


def worst(findings: Iterable[Finding]) -> Severity | None:
    """The gravest severity present, None when there is no finding."""
    present = {f.severity for f in findings}
    order: tuple[Severity, ...] = ("error", "warning", "note")
    return next((s for s in order if s in present), None)
