"""What looking back has found, as plain values, and as the JSON object of `audit --json`.

Everything here is derived: from records (declared there, or measured), ledgers and the disk, as far as the
catalogue or a look at the disk tells.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from provpack.catalogue.values import Trend
from provpack.findings import Rule, Severity
from provpack.jobs.auditrules import MEANINGS
from provpack.package.bagpaths import readable

SUBJECTS = ("deck", "decoder", "stock")
"""What trends are told of: the catalogue's words for playback machine, decoder and tape stock."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One thing found. what: the sentence about it; where: a path, an address, or a path with a line.

    where_base64: the bytes of the path where it is no plain text. package, client, carrier ...: None when
    nobody told. since: the moment or day it hangs on, as it is known.
    """

    rule: str
    severity: Severity
    what: str
    where: str
    todo: str
    where_base64: str | None = None
    package: str | None = None
    client: str | None = None
    job_id: str | None = None
    transfer_id: str | None = None
    title: str | None = None
    carrier: str | None = None
    since: str | None = None

    def as_json(self) -> dict[str, Any]:
        """The shape `items` of schemas/result-audit.schema.json."""
        return {
            "rule": self.rule,
            "severity": self.severity,
            "what": self.what,
            "where": readable(self.where),
            "where_base64": self.where_base64,
            "package": self.package,
            "client": self.client,
            "job_id": self.job_id,
            "transfer_id": self.transfer_id,
            "title": self.title,
            "carrier": self.carrier,
            "since": self.since,
            "todo": self.todo,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """One rule that today's version raises on records of the past. title, todo: "" for a rule that this
    version does not know."""

    rule: str
    severity: Severity
    packages: int
    title: str = ""
    todo: str = ""

    def as_json(self) -> dict[str, Any]:
        return {
            "rule": self.rule, "severity": self.severity, "packages": self.packages, "title": self.title,
            "todo": self.todo,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One question and its answer. total None: not looked at, why says why. items: the first of them.

    rule: the section's own, or the rule asked for by its id. severity: the gravest in it. todo: sharpened for
    the command line at hand, else the rule's.
    """

    rule: Rule
    total: int | None
    items: tuple[Item, ...] = ()
    groups: tuple[Group, ...] = ()
    severity: Severity | None = None
    todo: str = ""
    why: str = ""

    @property
    def counts(self) -> bool:
        """Whether something was found that asks for somebody: a note alone does not."""
        return bool(self.total) and self.gravest != "note"

    @property
    def gravest(self) -> Severity:
        return self.severity or self.rule.severity

    @property
    def means(self) -> str:
        return MEANINGS.get(self.rule.id, "")

    def as_json(self) -> dict[str, Any]:
        return {
            "rule": self.rule.id,
            "severity": self.gravest,
            "title": self.rule.title,
            "means": self.means,
            "todo": self.todo or self.rule.todo,
            "total": self.total,
            "not_looked_at": self.why or None,
            "items": [item.as_json() for item in self.items],
            "groups": [group.as_json() for group in self.groups],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What the answers rest on. catalogue: None when everything was read for this run only.

    known: packages, files, checks, ledgers as the catalogue counts them. seen: (root, when it was last looked
    through). looked: folders whose disk was looked at in this run.
    """

    catalogue: str | None
    known: Mapping[str, int]
    seen: tuple[tuple[str, str], ...] = ()
    looked: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        return {
            "catalogue": self.catalogue,
            "known": {key: self.known.get(key, 0) for key in KNOWN},
            "seen": [{"root": readable(root), "at": at} for root, at in self.seen],
            "looked": [readable(root) for root in self.looked],
        }


KNOWN = ("packages", "ours", "files", "checks", "ledgers", "gone")


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditResult:
    """The whole answer. today: the day up to which days are counted. not_checked_since: checks before this
    moment are too old. remarks: what has to be known to read the answer rightly."""

    today: str
    basis: Basis
    older_than: str
    not_checked_since: str
    chain_check_days: int
    limit: int
    asked: str | None
    sections: tuple[Section, ...]
    trends: Mapping[str, tuple[Trend, ...]]
    remarks: tuple[str, ...] = ()
    csv: str | None = None
    page: str | None = None

    @property
    def exit_code(self) -> int:
        """1 when something asks for somebody, else 0; notes alone do not."""
        return 1 if any(section.counts for section in self.sections) else 0

    @property
    def outcome(self) -> str:
        return "found" if self.exit_code else "good"

    def as_json(self) -> dict[str, Any]:
        """The shape of schemas/result-audit.schema.json, without its head."""
        return {
            "outcome": self.outcome,
            "today": self.today,
            "basis": self.basis.as_json(),
            "settings": {
                "older_than": self.older_than,
                "not_checked_since": self.not_checked_since,
                "chain_check_days": self.chain_check_days,
                "limit": self.limit,
                "rule": self.asked,
            },
            "sections": [section.as_json() for section in self.sections],
            "trends": {subject: [_trend(t) for t in self.trends.get(subject, ())] for subject in SUBJECTS},
            "remarks": list(self.remarks),
            "csv": readable(self.csv) if self.csv else None,
            "page": readable(self.page) if self.page else None,
        }


def _trend(trend: Trend) -> dict[str, Any]:
    return {
        "subject": trend.subject,
        "month": trend.month or None,
        "transfers": trend.transfers,
        "unmeasured": trend.unmeasured,
        "hours": round(trend.hours, 6),
        "damage_events": trend.damage_events,
        "damage_seconds": round(trend.damage_seconds, 6),
        "events_per_hour": per_hour(trend.damage_events, trend.hours),
        "seconds_per_hour": per_hour(trend.damage_seconds, trend.hours),
    }


def per_hour(amount: float, hours: float) -> float | None:
    """An amount of damage per hour of measured sound; None when no sound was measured."""
    return round(amount / hours, 3) if hours > 0 else None
