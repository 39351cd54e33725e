"""The version of a catalogue, and the steps from one to the next.

Version 1 is the first. Whoever changes tables.py adds one to it by adding a step to STEPS, which makes the
catalogue of the version before like the tables now. A step runs inside one transaction with all others, on
both engines. A step that cannot make up what was never read may say so: rebuilding is always possible.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection, insert, inspect, select, text, update

from provpack.catalogue import dialect, tables
from provpack.catalogue.engines import APPLICATION_ID
from provpack.errors import InputProblem

Step = Callable[[Connection], None]


def _second(conn: Connection) -> None:
    """What a ledger sealed under another identity, claims that do not count, roots that are away: nobody
    knows yet, so the next `add` reads every package again."""
    collation = ' COLLATE "C"' if conn.dialect.name == "postgresql" else ""
    for name in ("is_other", "claim_fails"):
        conn.execute(text(f"ALTER TABLE standing ADD COLUMN {name} BOOLEAN DEFAULT FALSE NOT NULL"))
    for name in ("other", "claim"):
        conn.execute(text(f"ALTER TABLE standing ADD COLUMN {name} TEXT{collation}"))
        index = f"CREATE INDEX standing_{name} ON standing ({name}, package_id) WHERE {name} IS NOT NULL"
        conn.execute(text(index))
    conn.execute(text(f"ALTER TABLE root ADD COLUMN away_since TEXT{collation}"))
    conn.execute(text("UPDATE package SET stamp = ''"))


def _third(conn: Connection) -> None:
    """A broken ledger may call one package by several identities, none of which can be believed; and a ledger
    tells which record was sealed, which the next `add` reads: it reads every ledger."""
    old, new = "PRIMARY KEY (ledger_id, package)", "PRIMARY KEY (ledger_id, package, line)"
    index_record = text("CREATE INDEX sealed_record ON sealed (record_id)")
    if conn.dialect.name == "postgresql":
        conn.execute(text(f"ALTER TABLE sealed DROP CONSTRAINT sealed_pkey, ADD {new}"))
        conn.execute(text('ALTER TABLE sealed ADD COLUMN record_id TEXT COLLATE "C"'))
        conn.execute(index_record)
        return
    made = "SELECT sql FROM sqlite_master WHERE tbl_name = 'sealed' AND sql IS NOT NULL ORDER BY type DESC"
    table, *indexes = list(conn.execute(text(made)).scalars())
    conn.execute(text("ALTER TABLE sealed RENAME TO sealed_before"))
    conn.exec_driver_sql(table.replace(old, new))
    conn.execute(text("INSERT INTO sealed SELECT * FROM sealed_before"))
    conn.execute(text("DROP TABLE sealed_before"))
    conn.execute(text("ALTER TABLE sealed ADD COLUMN record_id TEXT"))
    conn.execute(index_record)
    for index in indexes:
        conn.exec_driver_sql(index)


STEPS: tuple[Step, ...] = (_second, _third)
"""STEPS[0] leads from version 1 to 2, and so on."""

VERSION = len(STEPS) + 1
_KIND = "provpack catalogue"


def create(conn: Connection, *, late: bool = True) -> None:
    """All tables in an empty place. late=False: the indexes that only questions need follow at the end."""
    for table in tables.METADATA.sorted_tables:
        waiting = [index for index in table.indexes if index.info.get("late")]
        table.indexes.difference_update(waiting)
        try:
            table.create(conn, checkfirst=False)
        finally:
            table.indexes.update(waiting)
    dialect.create_words(conn)
    told = {"kind": _KIND, "version": str(VERSION)}
    conn.execute(insert(tables.about), [{"name": name, "value": value} for name, value in told.items()])
    if conn.dialect.name == "sqlite":
        conn.execute(text(f"PRAGMA application_id = {APPLICATION_ID}"))
    if late:
        create_late(conn)


def create_late(conn: Connection) -> None:
    """The indexes that only questions need."""
    for table in tables.METADATA.sorted_tables:
        for index in sorted(table.indexes, key=lambda i: str(i.name)):
            if index.info.get("late"):
                index.create(conn)
    dialect.create_late_words_index(conn)


def version_of(conn: Connection, shown: str) -> int | None:
    """The version of the catalogue that is open; None when there is nothing yet.

    Raises InputProblem when there is something, and it is no catalogue.
    """
    names = inspect(conn).get_table_names(schema=_schema(conn))
    if not names:
        return None
    told = {}
    if "about" in names:
        told = {str(name): str(value) for name, value in conn.execute(select(tables.about)).all()}
    if told.get("kind") != _KIND or not told.get("version", "").isascii() or not told["version"].isdigit():
        raise not_a_catalogue(shown)
    return int(told["version"][:9])


def check(version: int, shown: str) -> None:
    """Raises InputProblem when the catalogue is newer than this program."""
    if version > VERSION:
        raise InputProblem(
            "catalogue-too-new",
            f"The catalogue has version {version}; this program knows versions up to {VERSION}.",
            where=shown,
            todo="Use the newer program that made it, or build another catalogue elsewhere with "
            "'provpack catalogue rebuild ROOT... --catalogue WHERE'.",
        )


def migrate(conn: Connection, version: int) -> None:
    """Bring a catalogue to the newest version. The caller commits, or not at all."""
    for step in STEPS[version - 1 :]:
        step(conn)
    renewed = update(tables.about).where(tables.about.c.name == "version")
    conn.execute(renewed.values(value=str(VERSION)))


def not_a_catalogue(shown: str) -> InputProblem:
    """Something else lies there."""
    return InputProblem(
        "not-a-catalogue",
        "What lies there is not a catalogue. It was not touched.",
        where=shown,
        todo="Name the catalogue with --catalogue, or a place where nothing lies yet.",
    )


def _schema(conn: Connection) -> str | None:
    return dialect.SCHEMA if conn.dialect.name == "postgresql" else None
