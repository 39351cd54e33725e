"""PostgreSQL: a first run that fails takes back what it made in the database; the next finds its place free.

The oracle is the server: what its own pg_namespace and pg_tables say.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from cli.commandline import run
from sqlalchemy import create_engine, make_url, text

from provpack.catalogue.opening import open_catalogue
from provpack.catalogue.values import Package


def asked(database: str, *statements: str) -> list[str]:
    engine = create_engine(make_url(database).set(drivername="postgresql+psycopg"))
    try:
        with engine.begin() as conn:
            for one in statements:
                conn.execute(text(one))
            names = text(
                "SELECT nspname FROM pg_namespace WHERE nspname LIKE 'provpack%' UNION ALL "
                "SELECT schemaname || '.' || tablename FROM pg_tables WHERE schemaname LIKE 'provpack%'"
            )
            return sorted(conn.execute(names).scalars())
    finally:
        engine.dispose()


@pytest.mark.parametrize("action", ["add", "rebuild"])
def test_a_first_run_that_fails_leaves_nothing_behind(database: str, tmp_path: Path, action: str) -> None:
    said = run("catalogue", action, tmp_path / "nowhere", "--catalogue", database)
    assert said.code == 12 and "Nothing was changed" in said.err
    assert asked(database) == []
    assert run("catalogue", action, tmp_path, "--catalogue", database).code in (0, 1)
    assert "provpack.package" in asked(database)
    assert run("catalogue", action, tmp_path / "nowhere", "--catalogue", database).code == 12
    assert "provpack.package" in asked(database), "it was there before"


def test_what_others_made_there_stays(database: str) -> None:
    """A schema that somebody made before, one with something else in it, and one that others use already."""
    asked(database, "CREATE SCHEMA provpack")
    for more in ((), ("CREATE TABLE provpack.precious (n int)",)):
        with pytest.raises(ValueError, match="this run"), open_catalogue(database, create=True):
            asked(database, *more)
            raise ValueError("this run fails")
        assert "provpack" in asked(database)
    asked(database, "DROP SCHEMA provpack CASCADE")
    with pytest.raises(ValueError, match="this run"), open_catalogue(database, create=True):
        asked(database, "CREATE TABLE provpack.precious (n int)")
        raise ValueError("this run fails")
    assert {"provpack.precious", "provpack.package"} <= set(asked(database))
    asked(database, "DROP SCHEMA provpack CASCADE")
    with pytest.raises(ValueError, match="this run"), open_catalogue(database, create=True):
        with open_catalogue(database) as other, other.writing() as writer:
            writer.package(Package(place="/a/x", name="x", stamp="1"))
        raise ValueError("this run fails")
    with open_catalogue(database) as other:
        assert other.ask.size()["packages"] == 1
