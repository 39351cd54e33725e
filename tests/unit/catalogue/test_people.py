"""Everybody and every ledger that a catalogue names, on both engines."""

from __future__ import annotations

from provpack.catalogue.opening import Catalogue
from provpack.catalogue.values import Ledger, Package, Part


def package(name: str, *parts: tuple[str, str]) -> Package:
    return Package(
        place=f"/{name}", name=name, stamp="1",
        parts=tuple(
            Part(what=what, role=role, pass_n=None, started_at=None, stopped_at=None) for role, what in parts
        ),
    )  # fmt: skip


def test_people_by_role_and_ledgers(catalogue: Catalogue) -> None:
    """Of gone packages too; a role is not taken for another that ends like it, nor % for any text."""
    with catalogue.writing() as writer:
        writer.package(
            package("x", ("operator", "Ilse Varrow"), ("deck", "DECK-1"), ("qc_by", "Ewan Tressel"))
        )
        writer.package(
            package("y", ("operator", "Ilse Varrow"), ("operator", "Mira 100%"), ("co_operator", "Q"))
        )
        for path in ("/b/custody-ledger.jsonl", "/a/custody-ledger.jsonl"):
            writer.ledger(Ledger(path=path, lines=1, head="0" * 128, size=9))
        writer.gone("/y", set())
    assert catalogue.people({"operator", "qc_by"}) == ["Ewan Tressel", "Ilse Varrow", "Mira 100%"]
    assert catalogue.people({"deck"}) == ["DECK-1"] and catalogue.people({"%"}) == []
    assert sorted(catalogue.ledgers()) == ["/a/custody-ledger.jsonl", "/b/custody-ledger.jsonl"]
