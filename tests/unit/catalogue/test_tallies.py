"""After any writes the tallies are a full count, and every question answers as a loop over all does."""

from __future__ import annotations

import random
from contextlib import ExitStack
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import select
from support.countedbyhand import ByHand

from provpack.catalogue import settling, tables
from provpack.catalogue.opening import Catalogue, open_catalogue
from provpack.catalogue.tallies import count_keys, count_record, count_trends, keys
from provpack.catalogue.values import Carrier, Check, File, Ledger, Package, Part, Raised, Sealed

TODAY, MOMENT, DAYS = "2030-06-15", "2030-03-03T12:00:00Z", 30


def a_day(dice: random.Random) -> str:
    return f"20{dice.randint(28, 31)}-{dice.randint(1, 12):02d}-{dice.randint(1, 28):02d}"


def a_moment(dice: random.Random) -> str:
    return dice.choice((MOMENT, f"{a_day(dice)}T{dice.randint(0, 23):02d}:00:00Z", "2030-03-03T11:59:59Z"))


def maybe(dice: random.Random, value: Any) -> Any:
    return value if dice.random() < 0.7 else None


def a_package(dice: random.Random) -> Package:
    job, name = dice.randrange(3), f"tape-{dice.randrange(5)}"
    return Package(
        place=f"/store/job{job}/{name}",
        name=name,
        stamp=str(dice.random()),
        ledger=maybe(dice, f"/store/job{job}/custody-ledger.jsonl"),
        ours=dice.random() < 0.8,
        identity=maybe(dice, dice.choice("abc") * 128),
        record_version=maybe(dice, "1.0.0"),
        record_id=maybe(dice, f"record-{dice.randrange(8)}"),
        supersedes=dice.choice((None, None, None, "c" * 128, "record-3", "record-4")),
        outcome=maybe(dice, "complete"),
        audio_sha256=maybe(dice, "d" * 64),
        tape_emphasis=dice.choice((None, "unknown", "on", "off")),
        file_emphasis=dice.choice((None, "unknown", "absent", "absent", "absent")),
        deck_id=dice.choice((None, "deck-1", "deck-2")),
        transferred_at=maybe(dice, a_moment(dice)),
        check_age_days=maybe(dice, dice.choice((0, 29, 30, 31, 400, 10**30))),
        rights_basis=dice.choice((None, "unknown", "owner", "owner")),
        access_restriction_until=maybe(dice, dice.choice((a_day(dice), TODAY))),
        next_check_due=maybe(dice, dice.choice((a_day(dice), TODAY, MOMENT[:10]))),
        duration_s=maybe(dice, float(dice.randrange(5000))),
        damage_events=maybe(dice, dice.randrange(9)),
        damage_seconds=maybe(dice, dice.random()),
        files=tuple(File(path=f"data/{n}") for n in range(dice.randrange(4))),
        parts=tuple(
            Part(what=dice.choice(("deck-1", "cable-2")), role=dice.choice(("deck", "cable")))
            for _ in range(dice.randrange(4))
        ),
        raised=tuple(
            Raised(rule=rule, severity="warning", what="made up", where="/")
            for rule in dice.choices(("rec-one", "rec-two"), k=dice.randrange(3))
        ),
    )


def some_checks(dice: random.Random, first: int, count: int) -> tuple[Check, ...]:
    return tuple(
        Check(
            line=first + n,
            at=a_moment(dice),
            package=f"tape-{dice.randrange(5)}",
            outcome=dice.choice(("good", "good", "good", "bad", "missing", "could_not_check")),
            depth=dice.choice(("listed", "bytes", "meaning", None)),
            identity=maybe(dice, dice.choice("aaab") * 128),
            place=f"/store/job{dice.randrange(3)}/tape-{dice.randrange(5)}" if dice.random() < 0.2 else None,
        )
        for n in range(count)
    )


def a_ledger(dice: random.Random, known: Ledger | None, path: str) -> tuple[Ledger, bool]:
    """A ledger, and whether it goes on after what is known of it."""
    goes_on = known is not None and known.lines > 0 and dice.random() < 0.6
    first = known.lines + 1 if known is not None and goes_on else 1
    more = dice.randrange(5)
    return (
        Ledger(
            path=path,
            lines=first - 1 + more,
            head=known.head if known is not None and goes_on and not more else f"head {dice.random()}",
            size=100,
            checks=some_checks(dice, first, more),
            sealed=tuple(
                Sealed(
                    package=f"tape-{n}",
                    line=n + 1,
                    at="2029-01-01T00:00:00Z",
                    identity=maybe(dice, dice.choice("abce") * 128),
                    stays=dice.random() < 0.8,
                )
                for n in sorted(dice.sample(range(6), 3))
            ),
            carriers=tuple(
                Carrier(carrier=f"carrier-{n}", ended=maybe(dice, "returned"))
                for n in range(dice.randrange(4))
            ),
        ),
        goes_on,
    )


def some_writes(catalogue: Catalogue, judge: ByHand, dice: random.Random) -> None:
    with catalogue.writing() as writer:
        for _ in range(dice.randrange(1, 12)):
            what = dice.random()
            if what < 0.5:
                package = a_package(dice)
                writer.package(package)
                judge.package(package)
            elif what < 0.8:
                path = f"/store/job{dice.randrange(3)}/custody-ledger.jsonl"
                known = writer.known_ledger(path)
                told = judge.ledgers.get(path)
                assert known == ((told.lines, told.head, told.size) if told else None)
                ledger, goes_on = a_ledger(dice, told, path)
                if not goes_on:
                    writer.ledger(Ledger(path=path, lines=0, head="", size=0))
                writer.ledger(ledger)
                judge.ledger(ledger, goes_on=goes_on)
            elif what < 0.95:
                beneath = dice.choice(("/store", "/store/job1", "/store/job1/tape-2", "/store/job", "/"))
                still = {place for place in judge.held if dice.random() < 0.7}
                writer.gone(beneath, still)
                judge.gone(beneath, still)
            else:
                stamps = {h.package.place: h.package.stamp for h in judge.held.values() if not h.gone}
                assert writer.stamps("/store") == stamps


def answers(catalogue: Catalogue) -> dict[str, Any]:
    """The same shape as ByHand.answers. Totals must be what is listed."""
    ask = catalogue.ask

    def places(answer: Any) -> list[str]:
        assert answer.total == len(answer.first), answer
        return sorted(one.place for one in answer.first)

    for rule, _, n in ask.rules_raised():
        assert len(places(ask.raising(rule, 0))) == n
    return {
        "size": ask.size(),
        "rules": sorted(ask.rules_raised()),
        "lost": sorted((ledger, sealed.package) for ledger, sealed in ask.sealed_but_unknown(0)),
        "carriers": ask.carriers_without_outcome(0)[0],
        "trends": sorted(
            (t.subject, t.month, t.transfers, t.unmeasured, t.damage_events, round(t.hours * 3600))
            for t in ask.trends("deck")
        ),
        "parts": sorted(ask.parts_like("deck-1", 0) + ask.parts_like("cable-2", 0)),
        "to_verify": [one.place for one in ask.to_verify("/store", MOMENT)],
        "emphasis": places(ask.emphasis_unknown(0)),
        "rights": places(ask.rights_gaps(TODAY, 0)),
        "chain": places(ask.chain_check_old(DAYS, 0)),
        "due": places(ask.due(TODAY, 0)),
        "not_checked": places(ask.not_checked_since(MOMENT, 0)),
        "not_good": places(ask.last_not_good(0)),
        "once_bad": places(ask.once_bad(0)),
        "gone": places(ask.gone(0)),
        "other": places(ask.other_than_sealed(0)),
        "claim": places(ask.claims_refused(0)),
    }


def assert_recount(catalogue: Catalogue) -> None:
    """The tallies are those of all rows."""
    wanted: dict[tuple[str, str], int] = {}
    trends: dict[tuple[str, ...], int] = {}
    with catalogue._reading() as conn:
        packages = {row["id"]: row for row in conn.execute(select(tables.package)).mappings()}
        raised = conn.execute(select(tables.raised)).all()
        parts = conn.execute(select(tables.part)).all()
        for told in conn.execute(select(tables.standing)).mappings():
            package = packages[told["package_id"]]
            assert {topic: told[topic] for topic in tables.TOPICS} == keys(package, told)
            own_rules = [(r.rule, r.severity) for r in raised if r.package_id == package["id"]]
            own_parts = {(x.what, x.role) for x in parts if x.package_id == package["id"]}
            for counts in (count_keys(told), count_record(package, told, own_rules, own_parts)):
                for key, n in counts.items():
                    wanted[key] = wanted.get(key, 0) + n
            for at, n in count_trends(package, told).items():
                trends[at] = trends.get(at, 0) + n
        found = {(row.topic, row.key): row.n for row in conn.execute(select(tables.tally)).all()}
        summed = {
            (row["subject"], row["name"], row["month"], column): row[column]
            for row in conn.execute(select(tables.trend)).mappings()
            for column in ("transfers", "unmeasured", "audio_ms", "damage_events", "damage_ms")
        }
    own = {
        k: n for k, n in found.items() if k not in {("size", "checks"), ("size", "ledgers"), ("carrier", "")}
    }
    assert own == {k: n for k, n in wanted.items() if n}
    assert {k: n for k, n in summed.items() if n} == {k: n for k, n in trends.items() if n}


@pytest.mark.parametrize("seed", range(25))
def test_any_writes_in_memory(seed: int) -> None:
    dice, judge = random.Random(seed), ByHand()
    with open_catalogue(":memory:") as catalogue:
        for _ in range(4):
            some_writes(catalogue, judge, dice)
            assert_recount(catalogue)
            assert answers(catalogue) == judge.answers(TODAY, MOMENT, DAYS)


@pytest.mark.parametrize("seed", range(30, 36))
def test_any_writes_settled_at_every_turn(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settling, "_MANY", 0)
    test_any_writes_in_memory(seed)


@pytest.mark.parametrize("seed", range(60, 63))
def test_any_writes_on_both_engines(seed: int, both: tuple[Catalogue, Catalogue]) -> None:
    judges = (ByHand(), ByHand())
    dice = (random.Random(seed), random.Random(seed))
    for _ in range(4):
        for catalogue, judge, own in zip(both, judges, dice, strict=True):
            some_writes(catalogue, judge, own)
            assert_recount(catalogue)
        first, second = (answers(catalogue) for catalogue in both)
        assert first == second == judges[0].answers(TODAY, MOMENT, DAYS)


@pytest.mark.parametrize("seed", range(80, 90))
def test_any_rebuild(seed: int) -> None:
    """Where there was nothing before, what packages say of each other is found in another way."""
    dice = random.Random(seed)
    with open_catalogue(":memory:") as catalogue:
        some_writes(catalogue, ByHand(), dice)
        catalogue.forget_everything()
        judge = ByHand()
        with catalogue.writing() as writer:
            for _ in range(40):
                package = a_package(dice)
                writer.package(package)
                judge.package(package)
            for job in range(3):
                path = f"/store/job{job}/custody-ledger.jsonl"
                ledger, _ = a_ledger(dice, None, path)
                writer.ledger(ledger)
                judge.ledger(ledger, goes_on=False)
        assert_recount(catalogue)
        assert answers(catalogue) == judge.answers(TODAY, MOMENT, DAYS)


def test_a_failed_write_changes_nothing(catalogue: Catalogue) -> None:
    dice, judge = random.Random(1), ByHand()
    some_writes(catalogue, judge, dice)
    before = answers(catalogue)
    with ExitStack() as stack:
        stack.enter_context(pytest.raises(ZeroDivisionError))
        writer = stack.enter_context(catalogue.writing())
        writer.package(replace(a_package(dice), place="/store/new"))
        writer.gone("/", set())
        raise ZeroDivisionError
    assert answers(catalogue) == before
