"""PostgreSQL: who may read a catalogue may read it after a rebuild, too; a missing right is told as one.

The oracle is the server: what its own has_..._privilege functions and catalogues say before and after.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from sqlalchemy import Connection, make_url, text

from provpack.catalogue.opening import Catalogue, open_catalogue
from provpack.catalogue.values import Package
from provpack.errors import EnvironmentProblem


@dataclass(frozen=True)
class Reader:
    """A role of its own. name: as it stands in SQL; address: the catalogue, opened as this role."""

    name: str
    address: str


@pytest.fixture
def reader(database: str) -> Iterator[Reader]:
    """A role whose name has to be quoted."""
    word, name = secrets.token_hex(8), f"who: reads {secrets.token_hex(4)} 100%"
    with open_catalogue(database, create=True) as catalogue, catalogue._engine.begin() as conn:
        run(conn, f"CREATE ROLE \"{name}\" LOGIN PASSWORD '{word}'")
    address = make_url(database).set(username=name, password=word).render_as_string(hide_password=False)
    yield Reader(f'"{name}"', address)
    with open_catalogue(database) as catalogue, catalogue._engine.begin() as conn:
        run(conn, f'DROP OWNED BY "{name}"', f'DROP ROLE "{name}"')


def run(conn: Connection, *statements: str) -> None:
    for one in statements:
        conn.execute(text(one.replace(":", "\\:")))


def grant(database: str, *statements: str) -> None:
    with open_catalogue(database) as catalogue, catalogue._engine.begin() as conn:
        run(conn, *statements)


def rebuilt(catalogue: Catalogue) -> None:
    catalogue.forget_everything()
    with catalogue.writing() as writer:
        writer.package(Package(place="/a/x", name="x", stamp="1"))


def rights(database: str) -> set[tuple[str, ...]]:
    """All rights in our schema, as the server tells them."""
    with open_catalogue(database) as catalogue, catalogue._engine.begin() as conn:
        asked = (
            "SELECT 'schema', CAST(a AS text) FROM pg_namespace, unnest(nspacl) a WHERE nspname = 'provpack'",
            "SELECT relname, CAST(a AS text) FROM pg_class, unnest(relacl) a "
            "WHERE relnamespace = to_regnamespace('provpack')",
            "SELECT relname || '.' || attname, CAST(a AS text) FROM pg_attribute JOIN pg_class c "
            "ON c.oid = attrelid, unnest(attacl) a WHERE relnamespace = to_regnamespace('provpack')",
            "SELECT 'default', CAST(a AS text) FROM pg_default_acl, unnest(defaclacl) a "
            "WHERE defaclnamespace = to_regnamespace('provpack')",
            "SELECT 'owner ' || relname, pg_get_userbyid(relowner) FROM pg_class "
            "WHERE relnamespace = to_regnamespace('provpack')",
            "SELECT 'owner', pg_get_userbyid(nspowner) FROM pg_namespace WHERE nspname = 'provpack'",
        )
        return {tuple(map(str, row)) for one in asked for row in conn.execute(text(one))}


def test_readers_stay_readers(database: str, reader: Reader) -> None:
    grant(
        database,
        f"GRANT USAGE ON SCHEMA provpack TO {reader.name}",
        f"GRANT SELECT ON ALL TABLES IN SCHEMA provpack TO {reader.name}",
        f"GRANT INSERT ON provpack.root TO {reader.name} WITH GRANT OPTION",
        f"GRANT UPDATE (name) ON provpack.package TO {reader.name}",
        "GRANT SELECT ON provpack.about TO PUBLIC",
        f"ALTER DEFAULT PRIVILEGES IN SCHEMA provpack GRANT SELECT ON TABLES TO {reader.name}",
    )
    before = rights(database)
    assert len({row for row in before if "who: reads" in row[1]}) > 10
    with open_catalogue(database) as catalogue:
        rebuilt(catalogue)
    assert rights(database) == before
    with open_catalogue(reader.address) as catalogue:
        assert [name for _, name, _ in catalogue.ask.known_beneath("/")] == ["x"]
        with pytest.raises(EnvironmentProblem) as caught:
            rebuilt(catalogue)
    assert caught.value.code == "catalogue-read-only"


def test_whoever_rebuilds_does_not_become_the_owner(database: str, reader: Reader) -> None:
    with open_catalogue(database) as catalogue:
        with catalogue._engine.begin() as conn:
            tables = conn.execute(
                text("SELECT tablename FROM pg_tables WHERE schemaname = 'provpack'")
            ).scalars()
            run(conn, *(f"ALTER TABLE provpack.{name} OWNER TO {reader.name}" for name in tables))
            run(conn, f"ALTER SCHEMA provpack OWNER TO {reader.name}")
        before = rights(database)
        rebuilt(catalogue)
    assert rights(database) == before
    with open_catalogue(reader.address) as catalogue, catalogue.writing() as writer:
        writer.package(Package(place="/a/y", name="y", stamp="1"))


@pytest.mark.parametrize(
    ("given", "lacks"),
    [
        ((), "USAGE on the schema provpack"),
        (("GRANT USAGE ON SCHEMA provpack TO {}",), "SELECT on about, "),
        (
            (
                "GRANT USAGE ON SCHEMA provpack TO {}",
                "GRANT SELECT ON ALL TABLES IN SCHEMA provpack TO {}",
                "REVOKE SELECT ON provpack.tally FROM {}",
            ),
            "SELECT on tally is",
        ),
    ],
)
@pytest.mark.parametrize("create", [False, True])
def test_a_missing_right_is_told_as_one(
    database: str, reader: Reader, given: tuple[str, ...], lacks: str, create: bool
) -> None:
    grant(database, *(one.format(reader.name) for one in given))
    with pytest.raises(EnvironmentProblem) as caught:
        open_catalogue(reader.address, create=create)
    assert caught.value.code == "catalogue-not-readable" and lacks in caught.value.what
    assert f"GRANT USAGE ON SCHEMA provpack TO {reader.name};" in caught.value.todo
    for statement in caught.value.todo.partition(": ")[2].strip(";").split("; "):
        grant(database, statement)
    with open_catalogue(reader.address):
        pass


def test_who_may_not_enter_the_database(database: str, reader: Reader) -> None:
    name = make_url(database).database
    grant(database, f"REVOKE CONNECT ON DATABASE {name} FROM PUBLIC")
    with pytest.raises(EnvironmentProblem) as caught:
        open_catalogue(reader.address)
    assert caught.value.code == "catalogue-refused" and "CONNECT" in caught.value.todo
