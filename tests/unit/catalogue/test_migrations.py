"""The steps from one version of the catalogue to the next, on both engines."""

from __future__ import annotations

from sqlalchemy import Connection, text
from support.oldcatalogues import as_version_2

from provpack.catalogue.opening import open_catalogue
from provpack.catalogue.values import Ledger, Sealed


def test_version_2_knew_one_identity_of_a_name(where: str) -> None:
    def sealed(*identities: str) -> Ledger:
        told = [Sealed(package="x", line=n, at="", identity=i * 128) for n, i in enumerate(identities, 1)]
        return Ledger(path="/a/l", lines=3, head="ab" * 64, size=9, sealed=tuple(told))

    def stored(conn: Connection) -> list[tuple[object, ...]]:
        asked = "SELECT package, line, unknown FROM sealed ORDER BY line"
        return [(row[0], row[1], bool(row[2])) for row in conn.execute(text(asked))]

    with open_catalogue(where, create=True) as catalogue:
        with catalogue.writing() as writer:
            writer.ledger(sealed("a"))
        with catalogue._engine.begin() as conn:
            as_version_2(conn)
    with open_catalogue(where) as catalogue:
        with catalogue._reading() as conn:
            assert stored(conn) == [("x", 1, True)]
        with catalogue.writing() as writer:
            writer.ledger(sealed("a", "b"))
        with catalogue._reading() as conn:
            assert stored(conn) == [("x", 1, True), ("x", 2, True)]
