"""Both engines: where a catalogue may lie."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from conftest import absent
from support import postgres

from provpack.catalogue.opening import Catalogue, open_catalogue


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """The address of a PostgreSQL server on which databases may be made."""
    with postgres.server() as address:
        if address is None:
            absent("no PostgreSQL server found (set PROVPACK_POSTGRES, or install postgresql)")
        else:
            yield address


@pytest.fixture
def database(server: str) -> Iterator[str]:
    """The address of an empty database."""
    with postgres.database(server) as address:
        yield address


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A place where no catalogue is yet, on each engine."""
    if request.param == "sqlite":
        return str(tmp_path / "catalogue.sqlite")
    return str(request.getfixturevalue("database"))


@pytest.fixture
def catalogue(where: str) -> Iterator[Catalogue]:
    """An empty catalogue, on each engine."""
    with open_catalogue(where, create=True) as opened:
        yield opened


@pytest.fixture
def both(tmp_path: Path, database: str) -> Iterator[tuple[Catalogue, Catalogue]]:
    """An empty catalogue on SQLite and one on PostgreSQL."""
    with ExitStack() as stack:
        yield (
            stack.enter_context(open_catalogue(tmp_path / "catalogue.sqlite", create=True)),
            stack.enter_context(open_catalogue(database, create=True)),
        )
