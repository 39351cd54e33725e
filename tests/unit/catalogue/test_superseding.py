"""Who takes whose place, and what is not what its ledger sealed; by adding and by rebuilding."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import text
from support.oldcatalogues import as_version_2

from provpack.catalogue import migrations
from provpack.catalogue.opening import Catalogue, open_catalogue
from provpack.catalogue.values import Ledger, Package, Part, Raised, Sealed

ONE, TWO, THREE = "1a" * 64, "2b" * 64, "3c" * 64
LEDGER = "/a/custody-ledger.jsonl"
Put = Callable[..., None]


@pytest.fixture(params=["add", "rebuild"])
def put(request: pytest.FixtureRequest, catalogue: Catalogue) -> Put:
    """Writes values into the catalogue: one after the other, or all at once into a new one."""

    def write(*values: Package | Ledger) -> None:
        if request.param == "rebuild":
            catalogue.forget_everything()
        for some in (values,) if request.param == "rebuild" else [(value,) for value in values]:
            with catalogue.writing() as writer:
                for value in some:
                    writer.package(value) if isinstance(value, Package) else writer.ledger(value)

    return write


def made(name: str, identity: str, **more: Any) -> Package:
    told: dict[str, Any] = {
        "record_version": "1.3.0", "record_id": f"record-{name}", "client": "Ambersund", "job_id": "J",
        "carrier_id": f"C-{name}", "tape_emphasis": "unknown", "outcome": "complete", "deck_id": "DECK-1",
        "audio_sha256": "ab" * 32, "parts": (Part(what="DECK-1", role="deck"),),
    }  # fmt: skip
    told |= more
    return Package(
        place=f"/a/{name}", name=name, stamp="1", ledger=LEDGER, ours=True, identity=identity, **told
    )


def ledger(head: str, **sealed: str) -> Ledger:
    lines = tuple(Sealed(package=n, line=k, at="", identity=i) for k, (n, i) in enumerate(sealed.items(), 1))
    return Ledger(path=LEDGER, lines=len(lines), head=head, size=1, sealed=lines)


def names(answer: Any) -> list[str]:
    assert answer.total == len(answer.first)
    return sorted(one.name for one in answer.first)


def superseded(catalogue: Catalogue) -> list[str]:
    return sorted(
        {t.package.name for t in catalogue.ask.touched("DECK-1", None, None) if t.package.superseded}
    )


REFUSED = {
    "another client": {"client": "Tarnwick"},
    "another job and carrier": {"job_id": "K"},
    "not believed": {"problem": "Its record differs."},
    "not valid": {"raised": (Raised(rule="bag-record-invalid", severity="error", what="x", where="/"),)},
}


@pytest.mark.parametrize("why", REFUSED)
def test_not_everybody_may_take_a_place(catalogue: Catalogue, put: Put, why: str) -> None:
    put(made("x", ONE), made("z", TWO, supersedes="record-x", tape_emphasis="off", **REFUSED[why]))
    ask = catalogue.ask
    assert "x" in names(ask.emphasis_unknown(0)) and superseded(catalogue) == []
    assert names(ask.claims_refused(0)) == ["z"] and "record-x" in ask.claims_refused(0).first[0].detail


@pytest.mark.parametrize("kin", [{}, {"carrier_id": "C-x", "job_id": "K"}])
def test_one_of_the_same_job_or_carrier_may(catalogue: Catalogue, put: Put, kin: dict[str, str]) -> None:
    put(made("z", TWO, supersedes=ONE, **kin), made("x", ONE))
    assert superseded(catalogue) == ["x"] and names(catalogue.ask.claims_refused(0)) == []
    assert names(catalogue.ask.emphasis_unknown(0)) == ["z"]


@pytest.mark.parametrize("length", [2, 3, 5])
def test_in_a_circle_nobody_is_superseded(catalogue: Catalogue, put: Put, length: int) -> None:
    ring = [
        made(f"p{n}", f"{n + 1:x}" * 128, supersedes=f"record-p{(n + 1) % length}") for n in range(length)
    ]
    put(*ring)
    every = [one.name for one in ring]
    assert superseded(catalogue) == [] and names(catalogue.ask.claims_refused(0)) == every
    assert names(catalogue.ask.emphasis_unknown(0)) == every
    with catalogue.writing() as writer:  # the circle opens
        writer.package(made("p0", "1" * 128))
    assert superseded(catalogue) == sorted(["p0", *every[2:]])
    assert names(catalogue.ask.claims_refused(0)) == []


def test_what_another_one_is_sealed_as_counts_for_nothing(catalogue: Catalogue, put: Put) -> None:
    put(made("x", TWO, supersedes="record-y"), made("y", THREE), ledger("h", x=ONE, y=THREE))
    ask = catalogue.ask
    assert names(ask.other_than_sealed(0)) == names(ask.not_read(0)) == ["x"]
    assert "another package was sealed" in ask.not_read(0).first[0].detail
    assert [s.package for _, s in ask.sealed_but_unknown(0)] == ["x"]
    assert [t.package.name for t in ask.touched("DECK-1", None, None)] == ["y"]
    assert ask.parts_like("DECK-1", 5) == [("DECK-1", "deck", 1)]
    assert sum(t.transfers for t in ask.trends("deck")) == 1
    assert names(ask.emphasis_unknown(0)) == ["y"] and superseded(catalogue) == []
    with catalogue.writing() as writer:  # entered as sealed anew
        writer.ledger(ledger("i", x=TWO, y=THREE))
    assert names(ask.other_than_sealed(0)) == names(ask.not_read(0)) == []
    assert ask.sealed_but_unknown(0) == [] and superseded(catalogue) == ["y"]


def test_a_package_without_identity_is_no_other(catalogue: Catalogue, put: Put) -> None:
    put(ledger("h", x=ONE), Package(place="/a/x", name="x", stamp="1", ledger=LEDGER))
    assert names(catalogue.ask.other_than_sealed(0)) == [] == catalogue.ask.sealed_but_unknown(0)


def test_an_older_catalogue_learns_the_new_questions(where: str) -> None:
    """Version 1 had neither these columns nor their indexes."""
    with open_catalogue(where, create=True) as catalogue:
        with catalogue.writing() as writer:
            writer.package(made("x", TWO))
            writer.ledger(ledger("h", x=TWO))
        with catalogue._changing() as conn:
            conn.execute(text("UPDATE sealed SET identity = :one"), {"one": bytes.fromhex(ONE)})
            as_version_2(conn)
            for index in ("standing_other", "standing_claim"):
                conn.execute(text(f"DROP INDEX {index}"))
            for column in ("is_other", "claim_fails", "other", "claim"):
                conn.execute(text(f"ALTER TABLE standing DROP COLUMN {column}"))
            conn.execute(text("ALTER TABLE root DROP COLUMN away_since"))
            conn.execute(text("UPDATE about SET value = '1' WHERE name = 'version'"))
    with open_catalogue(where) as catalogue:
        assert catalogue.version == migrations.VERSION and names(catalogue.ask.other_than_sealed(0)) == []
        with catalogue.writing() as writer:
            assert writer.stamps("/a") == {"/a/x": ""}  # so the next `add` reads it again
            writer.package(made("x", TWO))
        assert names(catalogue.ask.other_than_sealed(0)) == ["x"] and catalogue.ask.roots_away() == []
