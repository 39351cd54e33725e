"""What strangers write into their records is stored safely or cut with a mark; nothing crashes."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provpack.catalogue import words
from provpack.catalogue.opening import Catalogue
from provpack.catalogue.values import Carrier, Check, Fault, File, Ledger, Package, Part, Raised, Sealed

NASTY = [
    "\0", "a\0b", "\udcff", "\ud800", "\U0010ffff", "é" * 30_000, "x" * 3_000_000, "🎺" * 9000,
    "'; DROP TABLE package; --",
    "%s %(x)s :x ? {}", "\x1f", "\n\r\t", "\\x00", "\u202e\u2028", "", " ", "9999-99-99",
    "0000-00-00T00:00:00Z",
    "2030-02-30", "9999-12-31T23:59:59-12:00", "NaN", "\ufeff", "\\.", "\\N", "ﬃ" * 9000,
]  # fmt: skip
NUMBERS = [0, -1, 2**31, 2**63 - 1, 2**63, -(2**63) - 1, 10**400]
FLOATS = [0.0, -1.0, float("inf"), float("nan"), 1e308, 10**400]


def hostile(kind: Any, seed: int, **fixed: Any) -> Any:
    """A value whose every text and number is nasty."""
    given: dict[str, Any] = {}
    for n, field in enumerate(fields(kind)):
        told = str(field.type)
        if told.startswith("str"):
            given[field.name] = NASTY[(seed + n) % len(NASTY)]
        elif told.startswith("int"):
            given[field.name] = NUMBERS[(seed + n) % len(NUMBERS)]
        elif told.startswith("float"):
            given[field.name] = FLOATS[(seed + n) % len(FLOATS)]
        elif told == "bool":
            given[field.name] = bool((seed + n) % 2)
    return kind(**(given | fixed))


def test_nothing_crashes(catalogue: Catalogue) -> None:
    with catalogue.writing() as writer:
        for seed in range(len(NASTY)):
            package = hostile(
                Package, seed, storage="folder", ledger=NASTY[seed],
                files=(hostile(File, seed),), parts=(hostile(Part, seed), hostile(Part, seed)),
                raised=(hostile(Raised, seed), hostile(Raised, seed)),
            )  # fmt: skip
            writer.package(package)
            writer.ledger(
                hostile(
                    Ledger, seed, path=NASTY[seed], lines=seed, head="h",
                    checks=tuple(hostile(Check, seed + n) for n in range(4)),
                    sealed=(hostile(Sealed, seed), hostile(Sealed, seed)),
                    carriers=(hostile(Carrier, seed), hostile(Carrier, seed)), faults=(hostile(Fault, seed),),
                )
            )  # fmt: skip
            assert writer.known_ledger(NASTY[seed]) is not None
        for nasty in NASTY:
            writer.stamps(nasty)
            writer.gone(nasty, {nasty})
            writer.seen_root(nasty, nasty)
    ask = catalogue.ask
    for nasty in NASTY:
        for one in (ask.find, ask.raising, ask.due, ask.rights_gaps, ask.not_checked_since):
            answer = one(nasty, 0)
            assert answer.total == len(answer.first)
        for many in (ask.by_digest, ask.parts_like):
            assert isinstance(many(nasty, 5), list)
        assert all(fault.equipment == words.key(nasty) for fault in ask.faults(nasty))
        assert all(touch.what == words.key(nasty) for touch in ask.touched(nasty, nasty, nasty))
        assert len(list(ask.to_verify(nasty, nasty))) <= len(list(ask.known_beneath(nasty)))
    for days in (*NUMBERS, -(10**400)):
        answer = ask.chain_check_old(days, 0)
        assert answer.total == len(answer.first)
    for subject in ("deck", "decoder", "stock"):
        assert all(t.transfers > 0 for t in ask.trends(subject))  # type: ignore[arg-type]
    size = ask.size()
    assert 0 < size["packages"] + size["gone"] <= len(NASTY)
    assert len(ask.emphasis_unknown(0).first) == ask.emphasis_unknown(0).total
    total, carriers = ask.carriers_without_outcome(0)
    assert total == len(carriers) and ask.roots() and ask.rules_raised() is not None
    assert ask.broken_ledgers() and ask.sealed_but_unknown(0)


def test_long_paths_are_kept_and_told_apart(catalogue: Catalogue) -> None:
    """A path on Linux has up to 4096 bytes (PATH_MAX, linux/limits.h); no index of PostgreSQL takes that."""
    places = [f"/{'é' * 240}" * 8 + f"/{n}" for n in range(3)]
    with catalogue.writing() as writer:
        for place in places:
            writer.package(Package(place=place, name="x", stamp=place[-1]))
    with catalogue.writing() as writer:
        writer.package(Package(place=places[1], name="x", stamp="new"))
        assert writer.stamps(f"/{'é' * 240}" * 8) == {places[0]: "0", places[1]: "new", places[2]: "2"}
        assert writer.stamps(f"/{'é' * 240}" * 7 + "/no") == {}
    assert catalogue.ask.size()["packages"] == 3


def test_two_places_that_read_the_same(catalogue: Catalogue) -> None:
    """One name has the byte 0xff, the other the four characters that stand for it."""
    with catalogue.writing() as writer:
        writer.package(Package(place="/a/\\xff", place_base64="L2Ev/w==", name="x", stamp="1"))
        writer.package(Package(place="/a/\\xff", name="x", stamp="2"))
        assert writer.stamps("/a") == {"/a/\\xff": ""}  # both are read again
    assert catalogue.ask.size()["packages"] == 2


def test_what_is_cut_says_so(catalogue: Catalogue) -> None:
    with catalogue.writing() as writer:
        writer.package(Package(place="/a/x", name="x", stamp="1", title="t" * 100_000, job_id="j" * 5000))
    (one,) = catalogue.ask.to_verify(None, None)
    assert one.title is not None and len(one.title) == words.LONGEST_TEXT and one.title.endswith(words.CUT)
    assert one.job_id is not None and len(one.job_id) == words.LONGEST_KEY and "…" in one.job_id


@given(st.text(alphabet=st.characters()))
def test_text_and_keys_are_fit(value: str) -> None:
    for fit in (words.text(value), words.key(value)):
        assert fit is not None and "\0" not in fit and len(fit) <= words.LONGEST_TEXT
        fit.encode()
    for word in words.words_of([value]):
        assert word and word.isalnum() and word == words.words_of([word])[0]


@given(st.text(min_size=400, max_size=600), st.text(min_size=400, max_size=600))
def test_keys_stay_different(one: str, other: str) -> None:
    if words.text(one) != words.text(other):
        assert words.key(one) != words.key(other)


@pytest.mark.parametrize(
    ("given", "wanted"),
    [
        ("2030-01-02", "2030-01-02T00:00:00Z"),
        ("2030-01-02T03:04:05Z", "2030-01-02T03:04:05Z"),
        ("2030-01-02T03:04:05.9+02:00", "2030-01-02T01:04:05Z"),
        ("2030-13-02", None),
        ("yesterday", None),
        (None, None),
    ],
)
def test_moments(given: str | None, wanted: str | None) -> None:
    assert words.moment(given) == wanted
    assert words.day(given) == (wanted and wanted[:10])
