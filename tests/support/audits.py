"""Results of an audit made by hand: every kind of section, trends of several machines. All names invented."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from provpack.catalogue.values import Trend
from provpack.jobs import auditrules as rules
from provpack.jobs.auditresult import AuditResult, Basis, Group, Item, Section

KNOWN = {"packages": 1204, "ours": 1190, "files": 9000, "checks": 3600, "ledgers": 12, "gone": 1}


def trend(subject: str, month: str, hours: float, events: int, **more: Any) -> Trend:
    """One month; a transfer for each begun hour unless told otherwise."""
    made = {"transfers": max(1, round(hours)), "unmeasured": 0, "damage_seconds": events * 0.02, **more}
    return Trend(subject=subject, month=month, hours=hours, damage_events=events, **made)


def trends() -> dict[str, tuple[Trend, ...]]:
    """Two years of two decks, one decoder, two stocks, with months of every kind."""
    decks = []
    for n in range(24):
        month = f"{2029 + n // 12}-{n % 12 + 1:02}"
        if n % 7 != 5:
            decks.append(trend("DECK-1", month, 6.5 + n % 4, (n * n) // 6))
        if n > 8:
            decks.append(
                trend("DECK-2 of the small room", month, 0.4 if n == 11 else 3.0, 90 if n == 11 else n)
            )
    decks.append(trend("DECK-1", "2031-01", 0.0, 0, transfers=3, unmeasured=3, damage_seconds=0.0))
    decks.append(trend("DECK-1", "", 1.2, 2))
    return {
        "deck": tuple(decks),
        "decoder": tuple(trend("DEC-1", t.month, t.hours, 0) for t in decks[:6]),
        "stock": (trend("Quorrin High Grade", "2029-03", 40.0, 12), trend("", "2029-04", 1.0, 3)),
    }


def item(rule: Any, n: int = 1, **more: Any) -> Item:
    """A thing found about an invented package."""
    made = {
        "rule": rule.id,
        "severity": rule.severity,
        "what": "Last checked on 2029-05-04: bad, every byte read.",
        "where": f"/store/2029/job-7_t{n:02}",
        "todo": rule.todo,
        "package": f"job-7_t{n:02}",
        "client": "Ambersund Chamber Archive",
        "title": "Evening of songs",
        "job_id": "JOB-7",
        "transfer_id": f"T{n:02}",
        "carrier": f"C-{n:03}",
        "since": "2029-05-04T10:00:00Z",
        **more,
    }
    return Item(**made)


def result(
    *,
    items: Mapping[str, Sequence[Item]] | None = None,
    groups: Sequence[Group] = (),
    told: Mapping[str, Sequence[Trend]] | None = None,
    **more: Any,
) -> AuditResult:
    """A result with these things found and nothing else; a rule that is not in items found nothing."""
    items = items or {}
    sections = []
    for rule in rules.RULES:
        found = tuple(items.get(rule.id, ()))
        own = tuple(groups) if rule is rules.RULES_TODAY else ()
        total = len(found) + sum(g.packages for g in own)
        sections.append(
            Section(
                rule=rule, total=total, items=found, groups=own, severity=own[0].severity if own else None
            )
        )
    made = {
        "today": "2031-03-04",
        "basis": Basis(
            catalogue="/home/keeper/.local/share/provpack/catalogue.sqlite",
            known=KNOWN,
            seen=(("/store", "2031-03-01T02:00:00Z"),),
            looked=("/store",),
        ),
        "older_than": "365d",
        "not_checked_since": "2030-03-04T10:00:00Z",
        "chain_check_days": 30,
        "limit": 20,
        "asked": None,
        "sections": tuple(sections),
        "trends": {kind: tuple(of) for kind, of in (told or {}).items()},
        **more,
    }
    return AuditResult(**made)


def full() -> AuditResult:
    """Something under every rule, rules raised, trends, remarks."""
    items = {r.id: [item(r, n) for n in (1, 2, 3)] for r in rules.RULES if r is not rules.RULES_TODAY}
    groups = [
        Group(rule="rec-schema", severity="error", packages=2, title="The document breaks its schema"),
        Group(rule="rec-chain-check-old", severity="warning", packages=118,
              title="The chain was last tested more than 30 days before the pass"),
        Group(rule="rec-of-another-time", severity="warning", packages=4),
    ]  # fmt: skip
    remark = (
        "The catalogue is behind /store: it looked it through last on 2031-03-01, 3 packages not known to it."
    )
    return result(items=items, groups=groups, told=trends(), remarks=(remark,))
