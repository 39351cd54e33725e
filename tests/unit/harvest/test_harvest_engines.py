"""Both engines answer the same of the same disk."""

from __future__ import annotations

from pathlib import Path

from conftest import absent
from support import postgres
from support.harvested import answers, empty, fill

from provpack.catalogue.opening import open_catalogue
from provpack.cli.main import main


def test_postgresql_and_sqlite_tell_the_same(shelf: Path) -> None:
    assert main(["verify", str(shelf)]) in (0, 1)
    with postgres.server() as address:
        if address is None:
            absent("no PostgreSQL server found (set PROVPACK_POSTGRES, or install postgresql)")
            return
        with (
            postgres.database(address) as where,
            open_catalogue(where, create=True) as there,
            empty() as here,
        ):
            for catalogue in (there, here):
                assert fill(catalogue, shelf).packages == 3
                (shelf / "job-1_t02" / "extra.txt").write_text("a tag file more")
                assert fill(catalogue, shelf).packages == 1
                (shelf / "job-1_t02" / "extra.txt").unlink()
                fill(catalogue, shelf)
            assert answers(there) == answers(here)
            fill(there, shelf, rebuild=True)
            assert answers(there) == answers(here) and answers(here)["size"]["checks"] == 3
