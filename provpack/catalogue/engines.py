"""Engines: how a connection is made and set up, for SQLite and for PostgreSQL."""

from __future__ import annotations

import importlib.util
import logging
import os
import re
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import StaticPool

from provpack.catalogue.dialect import PATIENCE, SCHEMA
from provpack.errors import EnvironmentProblem, InputProblem

WRITES = {"provpack_writes": True}
"""Execution options of a connection whose transaction is to write."""
APPLICATION_ID = 0x70726F76
"""Stands in the head of an SQLite file that is a catalogue (offset 68, SQLite file format section 1.3)."""
MEMORY = ":memory:"
_SECRET = {"password", "sslpassword", "passfile", "sslkey"}
_ANSWER_WITHIN = 10
# What stops a connection while it is closed (Ctrl-C) is logged by the pool with its traceback, and raised
# again: it is told once, in our words.
logging.getLogger("sqlalchemy").addHandler(logging.NullHandler())
_ADDRESS = re.compile("[a-z][a-z0-9+.-]*:/+", re.IGNORECASE)
_SETTINGS = re.compile(r"\b(?:host|hostaddr|dbname|passfile|\w*password)\s*=", re.IGNORECASE)
"""How an address is written as keywords and values (libpq, "Connection Strings", keyword/value)."""


def is_server(where: str) -> bool:
    """Whether this is an address of a PostgreSQL server."""
    return where.split("://")[0].split("+")[0] in ("postgresql", "postgres") and "://" in where


def sqlite_engine(where: str, *, aside: bool = False) -> Engine:
    """A file (which must exist) or MEMORY. aside: nobody else has it, and it may be lost with the machine.

    Rollback journal, not WAL: a catalogue may lie on network storage, where WAL does not work, or on a
    read-only medium, where WAL cannot be read; and it stays one file. The price: who reads waits while
    somebody commits.
    """
    more: dict[str, Any] = {"poolclass": StaticPool} if where == MEMORY else {}
    name = "file::memory:" if where == MEMORY else f"file:{quote(os.fsencode(where))}?mode=rw"
    engine = create_engine(
        URL.create("sqlite", database=name, query={"uri": "true"}),
        connect_args={"timeout": PATIENCE, "check_same_thread": False},
        **more,
    )

    @event.listens_for(engine, "connect")
    def _set_up(raw: Any, _record: object) -> None:
        raw.isolation_level = None  # we begin ourselves, see below
        wishes = ["cache_size = -65536", "temp_store = FILE", "analysis_limit = 1000", "trusted_schema = OFF"]
        if aside:
            wishes += ["journal_mode = OFF", "synchronous = OFF", "cache_size = -262144"]
        for wish in wishes:
            raw.execute(f"PRAGMA {wish}")

    @event.listens_for(engine, "begin")
    def _begin(conn: Connection) -> None:
        writes = conn.get_execution_options().get("provpack_writes")
        conn.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def refuse_other_addresses(where: str) -> None:
    """An address that is none of PostgreSQL's is not the name of a file: it may hold a password, which the
    name would show. Raises InputProblem, which shows no more of it than its scheme (RFC 3986 section 3.1)."""
    address = _ADDRESS.match(where)
    if not is_server(where) and (address or "://" in where or _SETTINGS.search(where)):
        raise InputProblem(
            "catalogue-address",
            "This is an address, and not one of a PostgreSQL database.",
            where=f"{address.group()}…" if address else "--catalogue",
            todo="Write postgresql://user@host/database, all letters of 'postgresql' small; or the name of a "
            "file (./name, should it really begin like this).",
        )


def server_url(where: str) -> URL:
    """The address, with the driver we use. Raises InputProblem (which shows nothing secret of it)."""
    before_query = where.split("?", 1)[0]
    if before_query.count("@") > 1:
        raise InputProblem(
            "catalogue-address",
            "There is more than one '@' in this address, so nobody can tell where its password ends.",
            where=f"postgresql://…@{before_query.rpartition('@')[2]}",
            todo="Write %40 for every '@' in user and password (%3F for '?', %2F for '/', %3A for ':').",
        )
    try:
        return make_url(where).set(drivername="postgresql+psycopg")
    except (ArgumentError, ValueError):
        raise InputProblem(
            "catalogue-address",
            "This is not the address of a database.",
            where="--catalogue",
            todo="Write it as postgresql://user@host/database; the password may stand in PGPASSFILE.",
        ) from None


def shown_url(url: URL) -> str:
    """An address for people: without passwords, however they were given."""
    clean = url.difference_update_query([name for name in url.query if name in _SECRET])
    return clean.set(drivername="postgresql").render_as_string(hide_password=True)


def secrets_of(url: URL) -> list[str]:
    """What must not be seen, should the server repeat it."""
    told = [url.password or ""]
    for name in _SECRET & set(url.query):
        value = url.query[name]
        told += [value] if isinstance(value, str) else list(value)
    return [str(secret) for secret in told if secret]


def server_engine(url: URL) -> Engine:
    """A PostgreSQL database, in our schema. Raises EnvironmentProblem when psycopg is not installed."""
    if importlib.util.find_spec("psycopg") is None:
        raise EnvironmentProblem(
            "postgres-not-installed",
            "The part that speaks to PostgreSQL is not installed.",
            where=shown_url(url),
            todo="Install it with: pip install 'provpack[postgres]'",
        )
    if "connect_timeout" not in url.query:
        url = url.update_query_dict({"connect_timeout": str(_ANSWER_WITHIN)})
    engine = create_engine(url, pool_pre_ping=True, connect_args={"client_encoding": "UTF8"})

    @event.listens_for(engine, "connect")
    def _set_up(raw: Any, _record: object) -> None:
        raw.execute(f"SET search_path TO {SCHEMA}")
        raw.execute("SET jit TO off")  # compiling takes longer than our short questions
        raw.commit()

    return engine


def mark_as_ours(engine: Engine) -> None:
    """Write into the head of a new SQLite file, which is all of it then, that it is a catalogue."""
    with engine.connect() as conn:
        conn.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
        conn.commit()


def is_ours(path: Path) -> bool:
    """Whether the head of a file says that it is a catalogue. Only reads; OSError passes through."""
    with path.open("rb") as file:
        start = file.read(72)
    return start.startswith(b"SQLite format 3\0") and start[68:72] == APPLICATION_ID.to_bytes(4, "big")
