"""Everything in a custody ledger that waits for somebody to do something."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from provpack.findings import Finding, Rule
from provpack.jobs import custodyrules as rules
from provpack.model.formats import is_date
from provpack.package import ledgerline as kinds
from provpack.package.bagpaths import readable
from provpack.package.custodystate import Carrier, CustodyState, Delivery, Event, FaultKey
from provpack.package.figures import counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Open:
    """One open thing. days: since `since`, None when the day is not known; line: of the ledger."""

    finding: Finding
    line: int
    since: str | None
    days: int | None
    carrier: str | None = None
    packages: tuple[str, ...] = ()
    equipment_id: str | None = None
    delivery_id: str | None = None
    organisation: str | None = None
    until: str | None = None

    def as_json(self) -> dict[str, Any]:
        return {
            "topic": self.finding.rule.removeprefix("custody-").replace("-", "_"),
            "carrier": self.carrier,
            "packages": list(self.packages),
            "equipment_id": self.equipment_id,
            "delivery_id": self.delivery_id,
            "organisation": self.organisation,
            "since": self.since,
            "until": self.until,
            "days": self.days,
            "line": self.line,
            "finding": self.finding.as_json(),
        }


def open_things(
    state: CustodyState, today: date, touched: Mapping[FaultKey, Iterable[str]]
) -> Iterator[Open]:
    """The open things, the most pressing kind first, within a kind in the order of the ledger.

    touched: open fault -> packages or transfers its equipment may have spoilt.
    """
    yield from sorted(_failed(state, today), key=_line)
    for wanted in (kinds.REFUSED, None):
        yield from sorted(_deliveries(state, today, wanted), key=_line)
    waiting = sorted(_carriers(state, today), key=_line)
    yield from (o for o in waiting if o.finding.rule == rules.NO_OUTCOME.id)
    yield from (o for o in waiting if o.finding.rule != rules.NO_OUTCOME.id)
    yield from sorted(_faults(state, today, touched), key=_line)
    yield from sorted(_retention(state, today), key=_line)
    yield from sorted(_unchecked(state, today), key=_line)


def _line(one: Open) -> int:
    return one.line


def _open(
    rule: Rule, what: str, event: Event, today: date, *, since: str | None = None, **facts: Any
) -> Open:
    moment = event.moment if since is None else since
    days = days_since(moment, today)
    when = f" since {moment[:10]}" + (f" ({_days(days)})" if days is not None else "") if moment else ""
    finding = rule.found(f"{what}{when}.", f"line {event.line}", position={"row": event.line})
    return Open(finding=finding, line=event.line, since=moment or None, days=days, **facts)


def days_since(moment: str, today: date) -> int | None:
    """Whole days from the day of a moment to today; None when there is no such day."""
    return (today - date.fromisoformat(moment[:10])).days if is_date(moment[:10]) else None


def _days(days: int) -> str:
    return "today" if days == 0 else counted(days, "day")


def _failed(state: CustodyState, today: date) -> Iterator[Open]:
    for name, held in state.packages.items():
        if held.checked is not None and held.outcome != "good" and not held.gone:
            what = f"{readable(name)}: the last check said {held.outcome or 'nothing'},"
            yield _open(rules.CHECK_FAILED, what, held.checked, today, packages=(name,))


def _deliveries(state: CustodyState, today: date, wanted: str | None) -> Iterator[Open]:
    for held in state.deliveries.values():
        names = tuple(name for name, answer in held.answers.items() if answer == wanted)
        if not names:
            continue
        packages = tuple(n for n in names if n)
        event = held.answered if wanted and held.answered else held.event
        side = (event.organisation or held.event.organisation) if wanted else held.event.organisation
        said = f"{_what(held, packages)}: {_refused(side) if wanted else _delivered(side)}"
        rule = rules.WAS_REFUSED if wanted else rules.NO_RECEIPT
        yield _open(
            rule, said, event, today, packages=packages, delivery_id=held.delivery_id, organisation=side
        )


def _refused(side: str | None) -> str:
    return f"refused by {readable(side)}" if side else "refused"


def _delivered(side: str | None) -> str:
    return f"handed over to {readable(side)} without receipt" if side else "handed over without receipt"


def _what(held: Delivery, packages: tuple[str, ...]) -> str:
    if len(packages) == 1:
        return readable(packages[0])
    named = f"Delivery {held.delivery_id}" if held.delivery_id else "A delivery"
    return f"{named} ({counted(len(packages), 'package')})" if packages else named


def _carriers(state: CustodyState, today: date) -> Iterator[Open]:
    for name, held in state.carriers.items():
        if held.received is None or not state.in_house(held):
            continue
        packages = tuple(sorted(p for p in held.packages if p in state.packages))
        facts: dict[str, Any] = {
            "carrier": name, "packages": packages, "organisation": held.received.organisation,
        }  # fmt: skip
        if state.outcome_of(held):
            came = _came(held, packages)
            yield _open(
                rules.IN_HOUSE, f"{readable(name)}: in the house{came},", held.received, today, **facts
            )
        else:
            what = f"{readable(name)}: received{_from(held)} and nothing came of it,"
            yield _open(rules.NO_OUTCOME, what, held.received, today, **facts)


def _from(held: Carrier) -> str:
    side = held.received.organisation if held.received else None
    return f" from {readable(side)}" if side else ""


def _came(held: Carrier, packages: tuple[str, ...]) -> str:
    if packages:
        return f", wrapped as {readable(packages[0])}" + (
            f" and {len(packages) - 1} more" * (len(packages) > 1)
        )
    return ", played without result" if held.without_result else ""


def _faults(state: CustodyState, today: date, touched: Mapping[FaultKey, Iterable[str]]) -> Iterator[Open]:
    for key, fault in state.faults.items():
        names = tuple(touched.get(key, ()))
        sealed = tuple(n for n in names if n in state.packages)
        span = f" (effect from {fault.since or 'an unknown day'} to {fault.until or 'now'})"
        many = f"; transfers made on it in that time: {len(names)}" if names else "; no pass on it is known"
        notice = f", notice {readable(fault.notice_id)}" if fault.notice_id else ""
        said = f" {readable(fault.note)}" if fault.note else ""
        what = f"{readable(fault.equipment_id)}{notice}:{said}{span}{many}; noted"
        yield _open(
            rules.FAULT_OPEN, what, fault.event, today, equipment_id=fault.equipment_id,
            packages=sealed or names, until=fault.until,
        )  # fmt: skip


def _retention(state: CustodyState, today: date) -> Iterator[Open]:
    for name, kept in state.kept.items():
        if is_date(kept.until[:10]) and date.fromisoformat(kept.until[:10]) < today:
            facts: dict[str, Any] = {"packages": (name,)} if kept.is_package else {"carrier": name}
            what = f"{readable(name)}: was to be kept until {kept.until[:10]}; overdue"
            yield _open(
                rules.RETENTION_ENDED, what, kept.event, today, since=kept.until, until=kept.until, **facts
            )


def _unchecked(state: CustodyState, today: date) -> Iterator[Open]:
    for name, held in state.packages.items():
        if held.sealed is not None and held.checked is None and not held.gone:
            what = f"{readable(name)}: sealed and never checked,"
            yield _open(rules.NEVER_CHECKED, what, held.sealed, today, packages=(name,))
