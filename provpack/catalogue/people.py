"""Everybody and every ledger a catalogue names: who must not be named where names are held back."""

from __future__ import annotations

from collections.abc import Collection

from sqlalchemy import Connection, or_, select

from provpack.catalogue import tables
from provpack.catalogue.tallies import UNIT


def people(conn: Connection, roles: Collection[str]) -> list[str]:
    """Who had one of these roles in any package that is known, gone ones too. By the tallies: their number is
    that of people and things, not of packages."""
    t = tables.tally.c
    ends = [t.key.endswith(f"{UNIT}{role}", autoescape=True) for role in sorted(roles)]
    query = select(t.key).where(t.topic == "part", t.n > 0, or_(*ends)).order_by(t.key)
    return list(dict.fromkeys(key.rpartition(UNIT)[0] for key in conn.execute(query).scalars()))


def ledgers(conn: Connection) -> list[str]:
    """The paths of all custody ledgers, as they are shown."""
    return list(conn.execute(select(tables.ledger.c.path).order_by(tables.ledger.c.id)).scalars())
