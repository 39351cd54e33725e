"""What differs between SQLite and PostgreSQL: searching, adding up, locking, and how errors are said.

PostgreSQL keeps a catalogue in a schema of its own, SQLite in a file of its own.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Table, text
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from provpack.catalogue.tables import METADATA
from provpack.errors import EnvironmentProblem

SCHEMA = "provpack"
NEXT_SCHEMA = "provpack_next"
_WRITERS_LOCK = 0x70726F76
"""Number of the advisory lock that one writer holds."""
PATIENCE = 30
"""Seconds to wait for somebody else who writes."""

_CREATE_WORDS = {
    "sqlite": "CREATE VIRTUAL TABLE words"
    " USING fts5(text, tokenize = 'ascii', detail = none, columnsize = 0)",
    "postgresql": "CREATE TABLE words (package_id BIGINT PRIMARY KEY, text tsvector NOT NULL)",
}
_FIND_WORDS = {
    "sqlite": "SELECT rowid FROM words WHERE words MATCH :asked LIMIT :most",
    "postgresql": "SELECT package_id FROM words WHERE text @@ CAST(:asked AS tsquery) LIMIT :most",
}


def create_words(conn: Connection) -> None:
    """The table of words for searching."""
    conn.execute(text(_CREATE_WORDS[conn.dialect.name]))


def create_late_words_index(conn: Connection) -> None:
    """FTS5 is an index by itself."""
    if conn.dialect.name == "postgresql":
        conn.execute(text("CREATE INDEX words_text ON words USING gin (text)"))


def write_words(conn: Connection, rows: Sequence[tuple[int, Sequence[str]]]) -> None:
    """Package -> its words, which hold letters and digits only (see words.words_of)."""
    if not rows:
        return
    if conn.dialect.name == "sqlite":
        _put_in(conn, "words", ("rowid", "text"), [(package, " ".join(words)) for package, words in rows])
    else:
        lexemes = ((package, " ".join(f"'{word}'" for word in words)) for package, words in rows)
        _put_in(conn, "words", ("package_id", "text"), list(lexemes))


def delete_words(conn: Connection, packages: Iterable[int]) -> None:
    """Forget the words of some packages."""
    column = "rowid" if conn.dialect.name == "sqlite" else "package_id"
    given = [{"id": package} for package in packages]
    if given:
        conn.execute(text(f"DELETE FROM words WHERE {column} = :id"), given)


def find_words(conn: Connection, words: Sequence[str], most: int) -> list[int]:
    """At most `most` packages that have all the words, in no order that could be relied on."""
    if conn.dialect.name == "sqlite":
        asked = " AND ".join(f'"{word}"' for word in words)
    else:
        asked = " & ".join(f"'{word}'" for word in words)
    found = conn.execute(text(_FIND_WORDS[conn.dialect.name]), {"asked": asked, "most": most})
    return [int(row[0]) for row in found]


def insert_rows(conn: Connection, table: Table, rows: Sequence[dict[str, Any]]) -> None:
    """Insert whole rows, past the compiler that would look at each: COPY where there is one."""
    if not rows:
        return
    names = [c.name for c in table.c]
    _put_in(conn, table.name, names, [tuple(row[name] for name in names) for row in rows])


def _put_in(conn: Connection, table: str, names: Sequence[str], values: Sequence[tuple[Any, ...]]) -> None:
    columns = ", ".join(f'"{name}"' for name in names)
    if conn.dialect.name == "sqlite":
        marks = ", ".join("?" * len(names))
        conn.exec_driver_sql(f"INSERT INTO {table} ({columns}) VALUES ({marks})", list(values))
        return
    cursor: Any = conn.connection.cursor()
    with _driver_errors(conn), cursor, cursor.copy(f"COPY {table} ({columns}) FROM STDIN") as copy:
        for value in values:
            copy.write_row(value)


@contextmanager
def _driver_errors(conn: Connection) -> Iterator[None]:
    """Errors of the driver as SQLAlchemy would raise them."""
    kind: type[Exception] = conn.dialect.loaded_dbapi.Error
    try:
        yield
    except kind as err:
        raise DBAPIError("COPY", None, err) from err


def add_up(conn: Connection, table: Table, rows: Sequence[dict[str, Any]]) -> None:
    """Add numbers to rows of a table, which are made where they do not exist."""
    if not rows:
        return
    names = [c.name for c in table.primary_key]
    insert = (postgresql.insert if conn.dialect.name == "postgresql" else sqlite.insert)(table)
    added = {c.name: c + insert.excluded[c.name] for c in table.c if c.name not in names}
    conn.execute(insert.on_conflict_do_update(index_elements=names, set_=added), list(rows))


def make_place(conn: Connection, shown: str) -> bool:
    """Our schema in a database; whether it was made just now. Raises EnvironmentProblem when the database
    cannot hold any text."""
    if conn.dialect.name != "postgresql":
        return False
    encoding = conn.execute(text("SHOW server_encoding")).scalar()
    if encoding != "UTF8":
        raise EnvironmentProblem(
            "catalogue-encoding",
            f"The database has the encoding {encoding}, which does not hold every text.",
            where=shown,
            todo="Make another database, with: createdb --encoding=UTF8 --template=template0 NAME",
        )
    missing = conn.execute(text("SELECT to_regnamespace(:name)"), {"name": SCHEMA}).scalar() is None
    conn.execute(text(f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}"))
    return missing


def drop_place(conn: Connection) -> None:
    """Take back what make_place and migrations.create made. PostgreSQL refuses when anything else is in the
    schema, or rests on it."""
    conn.execute(text(f"DROP TABLE {', '.join(f'{SCHEMA}.{name}' for name in (*METADATA.tables, 'words'))}"))
    conn.execute(text(f"DROP SCHEMA {SCHEMA}"))


_RESTS_ON_OURS = text(
    """SELECT DISTINCT n.nspname || '.' || v.relname FROM pg_depend d
    JOIN pg_rewrite r ON d.classid = 'pg_rewrite'::regclass AND r.oid = d.objid
    JOIN pg_class v ON v.oid = r.ev_class JOIN pg_namespace n ON n.oid = v.relnamespace
    JOIN pg_class t ON d.refclassid = 'pg_class'::regclass AND t.oid = d.refobjid
    JOIN pg_namespace o ON o.oid = t.relnamespace
    WHERE o.nspname = :ours AND n.nspname <> :ours ORDER BY 1 LIMIT 5"""
)
"""Views of others that a rebuild would drop with our tables (PostgreSQL manual: pg_depend, pg_rewrite)."""


def refuse_over_others(conn: Connection, shown: str) -> None:
    """PostgreSQL: raise EnvironmentProblem when building anew would drop what is not the catalogue's own.

    A rebuild is one transaction, so a killed one leaves no schema behind: what is there is somebody's.
    """
    if conn.execute(text("SELECT to_regnamespace(:name)"), {"name": NEXT_SCHEMA}).scalar() is not None:
        raise EnvironmentProblem(
            "catalogue-schema-taken",
            f"The database has a schema {NEXT_SCHEMA}, which is none of ours. The new catalogue is built "
            "under that name.",
            where=shown,
            todo="Rename that schema, or give the catalogue a database of its own; then run again.",
        )
    views = list(conn.execute(_RESTS_ON_OURS, {"ours": SCHEMA}).scalars())
    if views:
        raise EnvironmentProblem(
            "catalogue-depended-on",
            f"Views of others rest on the catalogue: {', '.join(views)}. A rebuild would drop them.",
            where=shown,
            todo="Keep their definitions, drop them, rebuild, and make them again; or bring the catalogue "
            "up to date with: provpack catalogue add",
        )


def be_the_writer(conn: Connection) -> None:
    """Wait until nobody else writes. SQLite: done by BEGIN IMMEDIATE, when the transaction began."""
    if conn.dialect.name == "postgresql":
        conn.execute(text(f"SET LOCAL lock_timeout = '{PATIENCE}s'"))
        conn.execute(text("SELECT pg_advisory_xact_lock(:n)"), {"n": _WRITERS_LOCK})
        conn.execute(text("SET LOCAL lock_timeout = 0"))


def look_at_sizes(conn: Connection) -> None:
    """Let the engine learn how the values are spread, for it plans by that."""
    if conn.dialect.name == "sqlite":
        conn.execute(text("ANALYZE"))
    else:
        conn.execute(text(f"ANALYZE {', '.join((*METADATA.tables, 'words'))}"))


@contextmanager
def said_plainly(shown: str, secrets: Collection[str] = ()) -> Iterator[None]:
    """Turn what an engine complains of into an error a person can act on."""
    try:
        yield
    except DBAPIError as err:
        raise _problem(str(err.orig), shown, secrets) from None
    except SQLAlchemyError as err:
        raise _problem(str(err), shown, secrets) from None


_KNOWN: tuple[tuple[tuple[str, ...], str, str, str], ...] = (
    (
        ("connect privilege",),
        "catalogue-refused",
        "The database server does not let this user into the database.",
        "Ask whoever keeps the database for the right: GRANT CONNECT ON DATABASE name TO user;",
    ),
    (
        ("database is locked", "lock timeout", "canceling statement due to lock"),
        "catalogue-busy",
        f"Somebody else is writing to the catalogue, and was not done within {PATIENCE} seconds.",
        "Wait until the other run is over, then run the command again.",
    ),
    (
        ("readonly database", "read-only", "permission denied", "must be owner"),
        "catalogue-read-only",
        "The catalogue can be read here, but not written.",
        "Choose another place with --catalogue, or ask for the right to write.",
    ),
    (
        ("disk is full", "no space left", "disk i/o error", "could not extend file"),
        "catalogue-disk",
        "The disk of the catalogue is full, or fails.",
        "Make room or change the disk; the catalogue is as it was before.",
    ),
    (
        ("malformed", "file is not a database", "corrupt"),
        "catalogue-damaged",
        "The catalogue is damaged.",
        "Build it anew with 'provpack catalogue rebuild ROOT...', ROOT being the folders with the packages: "
        "nothing is lost that they do not hold.",
    ),
    (
        ("password authentication failed", "no password supplied", "role "),
        "catalogue-refused",
        "The database server does not let us in.",
        "Check user and password of the address.",
    ),
    (
        ("does not exist",),
        "catalogue-refused",
        "The database server has no such database or table.",
        "Check the name of the database in the address; create it with createdb.",
    ),
    (
        ("connection", "server closed", "could not translate host", "resolve host", "timeout"),
        "catalogue-unreachable",
        "The database server does not answer.",
        "Check the address, and that the server runs; then run the command again.",
    ),
    (
        ("unable to open database file",),
        "catalogue-cannot-open",
        "The catalogue cannot be opened: no permission, or an interrupted writing cannot be undone here.",
        "Open it once where its folder can be written, or choose another place with --catalogue.",
    ),
)


def _problem(said: str, shown: str, secrets: Collection[str]) -> EnvironmentProblem:
    for secret in secrets:
        if secret:
            said = said.replace(secret, "…")
    first = " ".join(said.split())[:300]
    low = said.lower()
    for signs, code, what, todo in _KNOWN:
        if any(sign in low for sign in signs):
            return EnvironmentProblem(code, f"{what} It says: {first}", where=shown, todo=todo)
    return EnvironmentProblem(
        "catalogue-trouble",
        f"The database under the catalogue refuses. It says: {first}",
        where=shown,
        todo="Run the command again; if it stays so, build the catalogue anew.",
    )
