"""Look back over every past job: ask the catalogue everything at once, and the disk where it may.

Read-only. Nothing is decided here that a record, a ledger or the disk does not say; an answer that was not
looked for says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Literal

from provpack.catalogue.values import Answer, Listed
from provpack.errors import UsageProblem
from provpack.findings import Rule, Severity
from provpack.jobs import auditrules as rules
from provpack.jobs.auditresult import AuditResult, Basis, Group, Item, Section
from provpack.jobs.auditwords import checked_at, day_of, days_since, days_words, detail_of, last_check
from provpack.model.ages import parse_age
from provpack.package.bagpaths import readable

if TYPE_CHECKING:
    from provpack.catalogue.asking import Asking
    from provpack.jobs.auditdisk import DiskLook

_GRAVEST: tuple[Severity, ...] = ("error", "warning", "note")
NO_ROOT = "The disk was not looked at: name the folders of your packages (ROOT) to have that done."
NO_CATALOGUE = (
    "Everything was read for this run alone; type --catalogue, too, to have the disk compared with one."
)
_NEAR = 3
SUBJECTS: tuple[Literal["deck", "decoder", "stock"], ...] = ("deck", "decoder", "stock")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What was asked. older_than: checks before now minus this are too old; older_words: as it was typed.
    limit: of things listed in one section, 0 for all. rule: only this one."""

    older_than: timedelta
    older_words: str
    chain_check_days: int = 30
    limit: int = 20
    rule: str | None = None


def read_age(text: str) -> timedelta:
    """An age as it is typed (see model/ages.py). Raises UsageProblem."""
    try:
        return parse_age(text)
    except ValueError as err:
        raise UsageProblem(
            "no-age", str(err), where="--older-than", todo="Type the age again, or leave it out."
        ) from None


class Audit:
    """The questions, bound to a catalogue, a moment and what a look at the disk has found (None: no look)."""

    def __init__(
        self,
        ask: Asking,
        wishes: Wishes,
        *,
        now: datetime,
        known_rules: Mapping[str, Rule],
        disk: DiskLook | None = None,
        catalogue: str | None = None,
    ) -> None:
        """known_rules: every rule of this version by id. catalogue: what people call it, None when there is
        none and everything was read for this run."""
        self._ask, self._wishes, self._disk, self._catalogue = ask, wishes, disk, catalogue
        self._known_rules = known_rules
        self.today = now.date()
        self.moment = f"{(now - wishes.older_than).astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
        self._questions: dict[str, Callable[[int], Section]] = {
            rules.LAST_NOT_GOOD.id: self._last_not_good,
            rules.GONE.id: self._gone,
            rules.SEALED_UNKNOWN.id: self._sealed_unknown,
            rules.LEDGER_BROKEN.id: self._ledgers_broken,
            rules.OTHER.id: lambda limit: self._told(rules.OTHER, self._ask.other_than_sealed(limit)),
            rules.ROOT_AWAY.id: self._roots_away,
            rules.NOTHING_HERE.id: lambda limit: self._on_disk(rules.NOTHING_HERE, limit),
            rules.NOT_KNOWN.id: lambda limit: self._on_disk(rules.NOT_KNOWN, limit),
            rules.NOT_LOOKED_AT.id: lambda limit: self._on_disk(rules.NOT_LOOKED_AT, limit),
            rules.NOT_READ.id: lambda limit: self._told(rules.NOT_READ, self._ask.not_read(limit)),
            rules.DUE.id: self._due,
            rules.NOT_CHECKED.id: self._not_checked,
            rules.NO_OUTCOME.id: self._no_outcome,
            rules.CLAIM.id: lambda limit: self._told(rules.CLAIM, self._ask.claims_refused(limit)),
            rules.RULES_TODAY.id: self._rules_today,
            rules.EMPHASIS_UNKNOWN.id: self._emphasis,
            rules.CHAIN_CHECK.id: self._chain,
            rules.RIGHTS_GAP.id: self._rights,
            rules.LEFTOVER.id: lambda limit: self._on_disk(rules.LEFTOVER, limit),
            rules.LEDGER_TORN.id: lambda limit: self._on_disk(rules.LEDGER_TORN, limit),
            rules.SET_ASIDE.id: lambda limit: self._on_disk(rules.SET_ASIDE, limit),
            rules.ONCE_BAD.id: self._once_bad,
        }

    def result(self) -> AuditResult:
        """All answers, or the one asked for. Raises UsageProblem for a rule that nobody knows."""
        wishes = self._wishes
        return AuditResult(
            today=self.today.isoformat(),
            basis=Basis(
                catalogue=self._catalogue,
                known=self._ask.size(),
                seen=tuple(self._ask.roots()),
                looked=self._disk.roots if self._disk is not None else (),
            ),
            older_than=wishes.older_words,
            not_checked_since=self.moment,
            chain_check_days=wishes.chain_check_days,
            limit=wishes.limit,
            asked=wishes.rule,
            sections=tuple(self._sections(wishes.limit)),
            trends={s: tuple(self._ask.trends(s)) for s in SUBJECTS} if wishes.rule is None else {},
            remarks=self._disk.remarks if self._disk is not None else (),
        )

    def every_item(self) -> Iterator[Item]:
        """Everything found, without a limit, section after section; for a table that holds all of it."""
        for section in self._sections(0):
            yield from section.items
            for rule_id in dict.fromkeys(group.rule for group in section.groups):
                yield from self._raising(rule_id, 0).items

    def _sections(self, limit: int) -> Iterator[Section]:
        asked = self._wishes.rule
        if asked is None:
            for rule in rules.RULES:
                yield self._questions[rule.id](limit)
        elif asked in self._questions:
            yield self._questions[asked](limit)
        else:
            yield self._raising(asked, limit)

    # --- fixity ---

    def _last_not_good(self, limit: int) -> Section:
        return self._section(
            rules.LAST_NOT_GOOD, self._ask.last_not_good(limit), last_check, since=checked_at
        )

    def _once_bad(self, limit: int) -> Section:
        def what(one: Listed) -> str:
            return (
                "A check found it, or a copy of the same package, bad or missing. "
                f"Checks of this one: {one.checks}. {last_check(one)}"
            )

        return self._section(rules.ONCE_BAD, self._ask.once_bad(limit), what, since=checked_at)

    def _due(self, limit: int) -> Section:
        def what(one: Listed) -> str:
            day = f" ({one.detail})" if one.detail else ""
            return f"The day its record names for the next check is past{day}. {last_check(one)}"

        answer = self._ask.due(self.today.isoformat(), limit)
        return self._section(rules.DUE, answer, what, since=detail_of)

    def _not_checked(self, limit: int) -> Section:
        def what(one: Listed) -> str:
            days = days_since(one.last_checked_at, self.today)
            return last_check(one) + (f" That was {days_words(days)} ago." if days is not None else "")

        answer = self._ask.not_checked_since(self.moment, limit)
        return self._section(rules.NOT_CHECKED, answer, what, since=checked_at)

    # --- what is where ---

    def _gone(self, limit: int) -> Section:
        found = self._disk.gone if self._disk is not None else ()
        known = {item.where for item in found}
        answer = self._ask.gone(limit)
        section = self._section(rules.GONE, answer, lambda one: "It is no longer there. " + last_check(one))
        marked = tuple(item for item in section.items if item.where not in known)
        total = answer.total + len(found) - (len(section.items) - len(marked))
        return replace(section, total=total, items=_first((*found, *marked), limit))

    def _on_disk(self, rule: Rule, limit: int) -> Section:
        if self._disk is None:
            return Section(rule=rule, total=None, why=NO_ROOT)
        if rule is rules.NOT_KNOWN and self._catalogue is None:
            return Section(rule=rule, total=None, why=NO_CATALOGUE)
        found = self._disk.found.get(rule.id, ())
        return Section(rule=rule, total=len(found), items=_first(found, limit))

    def _sealed_unknown(self, limit: int) -> Section:
        items = [
            Item(
                rule=rules.SEALED_UNKNOWN.id,
                severity=rules.SEALED_UNKNOWN.severity,
                what=f"The ledger says in line {sealed.line} that {readable(sealed.package)} was sealed "
                f"({day_of(sealed.at)}), and nobody knows where it is.",
                where=f"{ledger}, line {sealed.line}",
                todo=rules.SEALED_UNKNOWN.todo,
                package=sealed.package,
                since=sealed.at or None,
            )
            for ledger, sealed in self._ask.sealed_but_unknown(0)
        ]
        return Section(rule=rules.SEALED_UNKNOWN, total=len(items), items=_first(items, limit))

    def _ledgers_broken(self, limit: int) -> Section:
        items = [
            Item(
                rule=rules.LEDGER_BROKEN.id,
                severity=rules.LEDGER_BROKEN.severity,
                what=ledger.broken,
                where=ledger.path,
                todo=rules.LEDGER_BROKEN.todo,
            )
            for ledger in self._ask.broken_ledgers()
        ]
        return Section(rule=rules.LEDGER_BROKEN, total=len(items), items=_first(items, limit))

    def _roots_away(self, limit: int) -> Section:
        items = [
            Item(
                rule=rules.ROOT_AWAY.id,
                severity=rules.ROOT_AWAY.severity,
                what=f"Nothing that the catalogue knows of it is there (seen first on {day_of(since)}).",
                where=root,
                todo=rules.ROOT_AWAY.todo,
                since=since,
            )
            for root, since in self._ask.roots_away()
        ]
        return Section(rule=rules.ROOT_AWAY, total=len(items), items=_first(items, limit))

    def _no_outcome(self, limit: int) -> Section:
        total, found = self._ask.carriers_without_outcome(limit)
        items = []
        for ledger, carrier in found:
            days = days_since(carrier.received_at, self.today)
            ago = f", {days_words(days)} ago" if days is not None else ""
            came = f"came in on {day_of(carrier.received_at)}{ago}" if carrier.received_at else "came in"
            items.append(
                Item(
                    rule=rules.NO_OUTCOME.id,
                    severity=rules.NO_OUTCOME.severity,
                    what=f"Carrier {readable(carrier.carrier)} {came}; what came of it is not entered.",
                    where=ledger,
                    todo=rules.NO_OUTCOME.todo,
                    client=carrier.client,
                    carrier=carrier.carrier,
                    since=carrier.received_at,
                )
            )
        return Section(rule=rules.NO_OUTCOME, total=total, items=tuple(items))

    # --- what the records say ---

    def _told(self, rule: Rule, answer: Answer) -> Section:
        """What the catalogue itself says of each."""
        return self._section(rule, answer, lambda one: one.detail)

    def _emphasis(self, limit: int) -> Section:
        def what(one: Listed) -> str:
            return one.detail or "Its record says that it is unknown, or does not say."

        return self._section(rules.EMPHASIS_UNKNOWN, self._ask.emphasis_unknown(limit), what)

    def _chain(self, limit: int) -> Section:
        allowed = self._wishes.chain_check_days

        def what(one: Listed) -> str:
            if one.detail.isdigit():
                age = days_words(int(one.detail))
                return f"The last check of the chain was {age} old (allowed here: {allowed})."
            return one.detail or "No dated check of the chain before the transfer is on record."

        return self._section(rules.CHAIN_CHECK, self._ask.chain_check_old(allowed, limit), what)

    def _rights(self, limit: int) -> Section:
        def what(one: Listed) -> str:
            return one.detail or "Its record does not say on what basis it may be used."

        return self._section(rules.RIGHTS_GAP, self._ask.rights_gaps(self.today.isoformat(), limit), what)

    def _rules_today(self, limit: int) -> Section:
        groups = tuple(
            Group(
                rule=rule,
                severity=_severity(severity),
                packages=packages,
                title=self._known_rules[rule].title if rule in self._known_rules else "",
                todo=self._known_rules[rule].todo if rule in self._known_rules else "",
            )
            for rule, severity, packages in self._ask.rules_raised()
        )
        groups = tuple(sorted(groups, key=lambda g: (_GRAVEST.index(g.severity), -g.packages, g.rule)))
        return Section(
            rule=rules.RULES_TODAY,
            total=sum(group.packages for group in groups),
            groups=groups,
            severity=groups[0].severity if groups else None,
        )

    def _raising(self, asked: str, limit: int) -> Section:
        """The packages on whose record one rule is raised. Raises UsageProblem when nobody knows the rule."""
        groups = self._rules_today(0).groups  # gravest first, so the gravest of a rule is written last
        raised = {group.rule: group.severity for group in reversed(groups)}
        rule = self._known_rules.get(asked)
        if rule is None and asked not in raised:
            raise self._no_such_rule(asked, raised)
        severity = raised.get(asked, rule.severity if rule is not None else "warning")
        if rule is None:
            todo = (
                "This version does not know the rule: refresh the catalogue, provpack catalogue rebuild ROOT."
            )
            rule = Rule(id=asked, severity=severity, title="A rule of another version", todo=todo)
        section = self._section(
            replace(rule, severity=severity), self._ask.raising(asked, limit), lambda one: one.detail
        )
        return replace(section, severity=severity)

    def _no_such_rule(self, asked: str, raised: Iterable[str]) -> UsageProblem:
        import difflib

        names = {*self._questions, *self._known_rules, *raised}
        near = difflib.get_close_matches(asked, sorted(names), n=_NEAR)
        return UsageProblem(
            "no-such-rule",
            f"There is no rule {readable(asked)!r}." + (f" Did you mean {', '.join(near)}?" if near else ""),
            where="--rule",
            todo="Type `provpack audit` without --rule: it names every rule that was raised.",
        )

    def _section(
        self,
        rule: Rule,
        answer: Answer,
        what: Callable[[Listed], str],
        *,
        since: Callable[[Listed], str | None] = lambda one: one.transferred_at,
    ) -> Section:
        items = tuple(
            Item(
                rule=rule.id,
                severity=rule.severity,
                what=what(one),
                where=one.place,
                where_base64=one.place_base64,
                todo=rule.todo,
                package=one.name,
                client=one.client,
                job_id=one.job_id,
                transfer_id=one.transfer_id,
                title=one.title,
                carrier=one.carrier_id,
                since=since(one),
            )
            for one in answer.first
        )
        return Section(rule=rule, total=answer.total, items=items)


def _first(items: Sequence[Item], limit: int) -> tuple[Item, ...]:
    return tuple(items if limit == 0 else items[:limit])


def _severity(text: str) -> Severity:
    return next((known for known in _GRAVEST if known == text), "warning")
