"""Every question on both engines over the same values: the same answers, and those one would expect."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from support import manypackages as many

from provpack.catalogue.opening import Catalogue
from provpack.catalogue.values import Check, Fault, File, Ledger, Listed, Package, Part, Raised

SOME = 240


@pytest.fixture
def filled(both: tuple[Catalogue, Catalogue]) -> tuple[Catalogue, Catalogue]:
    """The same 240 made-up packages in both; one job of them is gone."""
    for catalogue in both:
        with catalogue.writing() as writer:
            for value in many.everything(SOME):
                if isinstance(value, Package):
                    writer.package(value)
                else:
                    writer.ledger(value)
            writer.gone(many.folder_of(40), set())
            writer.seen_root("/store", "2031-01-01T00:00:00Z")
            writer.seen_root("s3://bucket/more", "2031-01-02T00:00:00Z")
    return both


COMMON = many.VOCABULARY[0]
QUESTIONS: dict[str, Callable[[Catalogue, int], Any]] = {
    "size": lambda c, _: c.ask.size(),
    "roots": lambda c, _: c.ask.roots(),
    "rules_raised": lambda c, _: c.ask.rules_raised(),
    "raising": lambda c, n: c.ask.raising(many.RULES[0][0], n),
    "emphasis_unknown": lambda c, n: c.ask.emphasis_unknown(n),
    "rights_gaps": lambda c, n: c.ask.rights_gaps("2030-01-01", n),
    "chain_check_old": lambda c, n: c.ask.chain_check_old(20, n),
    "due": lambda c, n: c.ask.due("2028-01-01", n),
    "not_checked_since": lambda c, n: c.ask.not_checked_since("2029-04-01T11:22:33Z", n),
    "last_not_good": lambda c, n: c.ask.last_not_good(n),
    "once_bad": lambda c, n: c.ask.once_bad(n),
    "gone": lambda c, n: c.ask.gone(n),
    "sealed_but_unknown": lambda c, n: c.ask.sealed_but_unknown(n),
    "carriers_without_outcome": lambda c, n: c.ask.carriers_without_outcome(n),
    "broken_ledgers": lambda c, _: c.ask.broken_ledgers(),
    "trends deck": lambda c, _: c.ask.trends("deck"),
    "trends decoder": lambda c, _: c.ask.trends("decoder"),
    "trends stock": lambda c, _: c.ask.trends("stock"),
    "touched": lambda c, _: list(c.ask.touched(many.OPERATORS[1], "2021-01-01", "2023-06-30")),
    "touched ever": lambda c, _: list(c.ask.touched(many.DECKS[1], None, None)),
    "parts_like": lambda c, n: c.ask.parts_like("Deck 12", n),
    "faults": lambda c, _: [c.ask.faults(deck) for deck in many.DECKS],
    "find": lambda c, n: c.ask.find(COMMON, n),
    "find two": lambda c, n: c.ask.find(f"{COMMON} {many.VOCABULARY[1]}", n),
    "by_digest": lambda c, n: c.ask.by_digest(many.package(7).files[1].sha512 or "", n),
    "to_verify": lambda c, _: list(c.ask.to_verify(None, None)),
    "to_verify older": lambda c, _: list(c.ask.to_verify("/store", "2029-04-01T00:00:00Z")),
    "known_beneath": lambda c, _: list(c.ask.known_beneath(many.folder_of(100))),
}
MAY_BE_EMPTY = {"broken_ledgers"}


def test_both_engines_answer_alike(filled: tuple[Catalogue, Catalogue]) -> None:
    for name, ask in QUESTIONS.items():
        for limit in (0, 1, 7):
            first, second = (ask(catalogue, limit) for catalogue in filled)
            assert first == second, name
            assert first or name in MAY_BE_EMPTY, name


def test_limits_are_the_beginning_of_all(filled: tuple[Catalogue, Catalogue]) -> None:
    for name, ask in QUESTIONS.items():
        for catalogue in filled:
            every, some = ask(catalogue, 0), ask(catalogue, 3)
            if hasattr(every, "first"):
                assert some.first == every.first[:3] and some.total == every.total == len(every.first), name
            elif isinstance(every, list) and name in ("sealed_but_unknown", "parts_like", "by_digest"):
                assert some == every[:3], name


# --- single questions ---

RECORD = "0a1b2c3d-0000-4000-8000-00000000abcd"


def put(catalogue: Catalogue, *values: Package | Ledger) -> None:
    with catalogue.writing() as writer:
        for value in values:
            if isinstance(value, Package):
                writer.package(value)
            else:
                writer.ledger(value)


def made(name: str, **more: Any) -> Package:
    return Package(
        place=f"/a/{name}", name=name, stamp="1", ledger="/a/custody-ledger.jsonl", ours=True, **more
    )


def the_names(of: Iterator[Listed] | tuple[Listed, ...]) -> list[str]:
    return [one.name for one in of]


def test_words_are_only_words(catalogue: Catalogue) -> None:
    put(
        catalogue,
        made("one", title="Müllers Straßenlied", notes="AND or near café 🎺 dvojčata", carrier_id="TH-0042"),
        made("two", title="Ødegård", label="naïve\nsecond line", notes="Tape 12"),
        made("three", title="two words", client="Ångström & Søn", record_id=RECORD),
    )
    asked = {
        "MULLERS": ["one"],
        "müllers strassenlied": ["one"],
        "cafe": ["one"],
        "café": ["one"],
        "AND": ["one"],
        "dvojcata 🎺": ["one"],
        "th-0042": ["one"],
        "0042": ["one"],
        "odegard": ["two"],
        "naive second": ["two"],
        "naïve": ["two"],
        "angstrom son": ["three"],
        RECORD.upper(): ["three"],
        "muller": [],
        '"two words"': ["three"],
        'words" OR "tape': [],
        "tape*": ["two"],
        "(tape) & !12 | ' \\ :* <-> NEAR(": [],
        "text:tape": [],
        "'; DROP TABLE words; --": [],
        "🎺": [],
        "": [],
        " \0 \udcff ": [],
        "^tape -12": ["two"],
    }
    for words, names in asked.items():
        answer = catalogue.ask.find(words, 0)
        assert the_names(answer.first) == names and answer.total == len(names), words
    put(catalogue, made("two", title="Replaced"))
    assert catalogue.ask.find("odegard", 0).total == 0
    assert the_names(catalogue.ask.find("replaced", 0).first) == ["two"]


def test_words_that_stand_everywhere_are_not_counted_on(catalogue: Catalogue) -> None:
    put(catalogue, *(made(f"n{n}", title="concert") for n in range(1100)))
    answer = catalogue.ask.find("concert", 5)
    assert (answer.total, answer.more, len(answer.first)) == (1000, True, 5)
    assert not catalogue.ask.find("concert n7", 5).more


def test_digests_of_files_audio_and_packages(catalogue: Catalogue) -> None:
    file = File(path="data/a.wav", sha256="ab" * 32, sha512="cd" * 64)
    near = File(path="data/b.wav", sha256="ab" * 31 + "ac", sha512="cd" * 63 + "ce")
    put(catalogue, made("x", files=(file, near), audio_sha256="ef" * 32, identity="01" * 64))
    ask = catalogue.ask
    assert [(one.name, path) for one, path in ask.by_digest("AB" * 32, 0)] == [("x", "data/a.wav")]
    assert [path for _, path in ask.by_digest(" " + "cd" * 64, 0)] == ["data/a.wav"]
    assert [path for _, path in ask.by_digest("ef" * 32, 0)] == [""]
    assert [path for _, path in ask.by_digest("01" * 64, 0)] == [""]
    for none in ("", "ab", "zz" * 32, "ab" * 20, "é" * 64, "\udcff" * 64):
        assert ask.by_digest(none, 0) == []


def test_what_a_check_of_another_identity_says(catalogue: Catalogue) -> None:
    """A good check of the package that lay there before says nothing of this one; a bad one counts."""

    def ledger(outcome: str) -> Ledger:
        check = Check(line=1, at="2030-01-01T00:00:00Z", package="x", outcome=outcome, identity="bb" * 64)
        return Ledger(path="/a/custody-ledger.jsonl", lines=1, head=outcome, size=1, checks=(check,))

    put(catalogue, made("x", identity="aa" * 64), ledger("good"))
    (one,) = catalogue.ask.to_verify(None, None)
    assert (one.checks, one.last_checked_at) == (0, None)
    put(catalogue, Ledger(path="/a/custody-ledger.jsonl", lines=0, head="", size=0), ledger("bad"))
    assert catalogue.ask.once_bad(0).total == 1
    put(catalogue, Ledger(path="/a/custody-ledger.jsonl", lines=0, head="", size=0), ledger("good"))
    put(catalogue, made("x", identity="bb" * 64))
    (one,) = catalogue.ask.to_verify(None, None)
    assert (one.checks, one.last_outcome, catalogue.ask.once_bad(0).total) == (1, "good", 0)


def test_a_check_that_read_nothing_is_none(catalogue: Catalogue) -> None:
    told = (("bad", "bytes"), ("could_not_check", "bytes"), ("good", "listed"))
    checks = tuple(
        Check(line=n, at=f"2030-01-0{n}T00:00:00Z", package="x", outcome=outcome, depth=depth)
        for n, (outcome, depth) in enumerate(told, 1)
    )
    ledger = Ledger(path="/a/custody-ledger.jsonl", lines=3, head="h", size=9, checks=checks)
    put(catalogue, made("x"), ledger)
    ask = catalogue.ask
    assert ask.not_checked_since("2030-01-02", 0).total == 1
    assert ask.not_checked_since("2030-01-01T00:00:00Z", 0).total == 0
    assert ask.last_not_good(0).total == 1  # names and sizes fit again; nobody has read it since
    (one,) = ask.once_bad(0).first
    assert (one.last_outcome, one.last_depth, one.checks, one.once_bad) == ("good", "listed", 3, True)


def test_passes_in_a_window(catalogue: Catalogue) -> None:
    day = "2030-01-10"

    def part(start: str | None, stop: str | None, n: int) -> Part:
        return Part(what="D", role="deck", pass_n=n, started_at=start, stopped_at=stop)

    put(
        catalogue,
        made("b", client="B", parts=(part(f"{day}T10:00:00Z", f"{day}T11:00:00Z", 1), part(None, None, 2))),
        made(
            "a", client="A", parts=(part(f"{day}T12:00:00Z", None, 1), part(None, "2030-01-05T12:00:00Z", 2))
        ),
        made("n", parts=(replace(part("2030-01-10T10:00:00Z", None, 1), what="E"),)),
    )

    def asked(since: str | None, until: str | None) -> list[tuple[str, int | None]]:
        return [(t.package.name, t.pass_n) for t in catalogue.ask.touched("D", since, until)]

    assert asked(None, None) == [("a", 2), ("a", 1), ("b", 2), ("b", 1)]
    assert asked("2030-01-10", "2030-01-10") == [("a", 1), ("b", 2), ("b", 1)]
    assert asked("2030-01-10T11:00:01Z", None) == [("a", 1), ("b", 2)]
    assert asked(None, "2030-01-09") == [("a", 2), ("b", 2)]
    assert asked("2030-01-10T11:00:00Z", "2030-01-10T11:00:00Z") == [("b", 2), ("b", 1)]
    assert asked(None, "2020-01-01") == [("a", 2), ("b", 2)]


def test_near_names(catalogue: Catalogue) -> None:
    names = (Part(what="DECK-07", role="deck"), Part(what="Rósa Quill", role="operator"))
    put(catalogue, made("x", parts=names))
    assert catalogue.ask.parts_like("deck07", 5) == [("DECK-07", "deck", 1)]
    assert catalogue.ask.parts_like("rosa", 5) == [("Rósa Quill", "operator", 1)]
    assert catalogue.ask.parts_like("zzz", 5) == [] and catalogue.ask.parts_like("", 5) == []


def test_rules_and_how_often(catalogue: Catalogue) -> None:
    twice = (Raised(rule="r", severity="warning", what="First.", where="/a"),) * 2
    put(catalogue, made("x", raised=twice), made("y", raised=twice[:1]))
    assert catalogue.ask.rules_raised() == [("r", "warning", 2)]
    details = [one.detail for one in catalogue.ask.raising("r", 0).first]
    assert details == ["First. (and 1 more of this rule)", "First."]
    assert catalogue.ask.raising("no-such", 0).total == 0


def test_faults_as_they_were_noted(catalogue: Catalogue) -> None:
    noted = "2030-01-02T00:00:00+02:00"
    fault = Fault(equipment="D", notice_id="N", since="2030-01-01", noted_at=noted, what="hum")
    told = Ledger(path="/l", lines=1, head="h", size=1, broken="Line 1 was changed.", faults=(fault,))
    put(catalogue, told)
    assert catalogue.ask.faults("D") == [fault] and catalogue.ask.faults("E") == []
    assert [ledger.broken for ledger in catalogue.ask.broken_ledgers()] == ["Line 1 was changed."]


def test_roots_are_folders_and_not_beginnings_of_names(catalogue: Catalogue) -> None:
    for n, place in enumerate(("/a/b", "/a/b/c", "/a/bc", "/a/b-x/c", "s3://k/a/b", "/A/b")):
        put(catalogue, replace(made("x"), place=place, stamp=str(n)))
    with catalogue.writing() as writer:
        assert sorted(writer.stamps("/a/b")) == sorted(writer.stamps("/a/b/")) == ["/a/b", "/a/b/c"]
        assert sorted(writer.stamps("s3://k")) == ["s3://k/a/b"]
        assert len(writer.stamps("/")) == 5
        assert writer.gone("/a/b", {"/a/b"}) == 1
        assert sorted(writer.stamps("/a/b")) == ["/a/b"]
    assert [place for place, _, _ in catalogue.ask.known_beneath("/a/b")] == ["/a/b"]
    assert catalogue.ask.gone(0).first[0].place == "/a/b/c"
