"""What an audit asks of a catalogue about places: packages not read, and stamps, on each engine."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import absent
from support import postgres

from provpack.catalogue.opening import Catalogue, open_catalogue
from provpack.catalogue.values import Package


@pytest.fixture(params=["sqlite", "postgresql"])
def catalogue(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Catalogue]:
    """Two packages, one of which could not be read, one that is gone, and one beneath another root."""
    if request.param == "sqlite":
        with open_catalogue(tmp_path / "c.sqlite", create=True) as opened:
            yield filled(opened)
        return
    with postgres.server() as server:
        if server is None:
            absent("no PostgreSQL server found (set PROVPACK_POSTGRES, or install postgresql)")
        else:
            with postgres.database(server) as address, open_catalogue(address, create=True) as opened:
                yield filled(opened)


def filled(catalogue: Catalogue) -> Catalogue:
    with catalogue.writing() as writer:
        writer.package(Package(place="/a/one", name="one", stamp="s1"))
        writer.package(Package(place="/a/two", name="two", stamp="s2", problem="There is no bagit.txt."))
        writer.package(Package(place="/a/gone", name="gone", stamp="s3", problem="x"))
        writer.package(Package(place="/ab/else", name="else", stamp="s4"))
    with catalogue.writing() as writer:
        writer.gone("/a", {"/a/one", "/a/two"})
    return catalogue


def test_what_was_not_read_is_told_with_the_reason(catalogue: Catalogue) -> None:
    for limit in (0, 1):
        answer = catalogue.ask.not_read(limit)
        assert (answer.total, [(p.name, p.detail) for p in answer.first]) == (
            1,
            [("two", "There is no bagit.txt.")],
        )


def test_stamps_are_those_of_what_is_there_beneath_a_root(catalogue: Catalogue) -> None:
    assert dict(catalogue.ask.stamps("/a")) == {"/a/one": "s1", "/a/two": "s2"}
    assert dict(catalogue.ask.stamps("/")) == {"/a/one": "s1", "/a/two": "s2", "/ab/else": "s4"}
    assert dict(catalogue.ask.stamps("/nowhere")) == {}
