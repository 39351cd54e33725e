"""How fast the catalogue takes in and answers, on both engines.

    .venv/bin/python -m pytest -m perf -s tests/perf/test_catalogue.py
    PROVPACK_PERF_PACKAGES=1000000 ...      the size asked for: 1,000,000 packages x 5 files x 3 checks

The rate is that of the Writer alone: the making of the values is timed apart and taken off.
"""

from __future__ import annotations

import os
import shutil
import statistics
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from conftest import absent
from support import manypackages as many
from support import postgres

from provpack.catalogue.opening import Catalogue, open_catalogue
from provpack.catalogue.values import Package

pytestmark = pytest.mark.perf

PACKAGES = int(os.environ.get("PROVPACK_PERF_PACKAGES", "20000"))
RUNS = 20
GOAL = 0.050


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    if request.param == "sqlite":
        yield str(tmp_path / "catalogue.sqlite")
        shutil.rmtree(tmp_path, ignore_errors=True)
        return
    with postgres.server() as address:
        if address is None:
            absent("no PostgreSQL server; this benchmark was not run")
        else:
            with postgres.database(address) as own:
                yield own


def fill(catalogue: Catalogue) -> tuple[float, float]:
    """Seconds of writing, seconds of making the values."""
    catalogue.forget_everything()
    made, begin = 0.0, time.perf_counter()
    with catalogue.writing() as writer:
        source = many.everything(PACKAGES)
        while True:
            before = time.perf_counter()
            some = [value for _, value in zip(range(1050), source, strict=False)]
            made += time.perf_counter() - before
            for value in some:
                if isinstance(value, Package):
                    writer.package(value)
                else:
                    writer.ledger(value)
            if not some:
                break
        writer.seen_root("/store", "2030-01-01T00:00:00Z")
    return time.perf_counter() - begin - made, made


def size_of(catalogue: Catalogue, where: str) -> int:
    if catalogue.engine_name == "sqlite":
        return Path(where).stat().st_size
    import psycopg

    with psycopg.connect(where) as conn:
        found = conn.execute("SELECT pg_database_size(current_database())").fetchone()
        assert found is not None
        return int(found[0])


def first(of: Iterator[object], count: int) -> list[object]:
    return [one for _, one in zip(range(count), of, strict=False)]


def questions(catalogue: Catalogue) -> dict[str, Callable[[], object]]:
    ask, some = catalogue.ask, many.package(PACKAGES // 3)
    common, middling, rare = many.VOCABULARY[0], many.VOCABULARY[40], many.VOCABULARY[15_000]
    assert some.identity and some.files[2].sha512 and some.files[0].sha256 and some.title
    identity, sha256, sha512, title = some.identity, some.files[0].sha256, some.files[2].sha512, some.title
    return {
        "size": ask.size,
        "roots": ask.roots,
        "rules_raised": ask.rules_raised,
        "raising, 20": lambda: ask.raising(many.RULES[3][0], 20),
        "emphasis_unknown, 20": lambda: ask.emphasis_unknown(20),
        "rights_gaps, 20": lambda: ask.rights_gaps("2030-01-01", 20),
        "chain_check_old 30 days, 20": lambda: ask.chain_check_old(30, 20),
        "due, 20": lambda: ask.due("2029-01-01", 20),
        "not_checked_since a day, 20": lambda: ask.not_checked_since("2029-06-01", 20),
        "not_checked_since a moment, 20": lambda: ask.not_checked_since("2029-06-01T17:31:02Z", 20),
        "last_not_good, 20": lambda: ask.last_not_good(20),
        "once_bad, 20": lambda: ask.once_bad(20),
        "gone, 20": lambda: ask.gone(20),
        "sealed_but_unknown, 20": lambda: ask.sealed_but_unknown(20),
        "sealed_but_unknown, all": lambda: ask.sealed_but_unknown(0),
        "carriers_without_outcome, 20": lambda: ask.carriers_without_outcome(20),
        "broken_ledgers": ask.broken_ledgers,
        "trends deck": lambda: ask.trends("deck"),
        "trends stock": lambda: ask.trends("stock"),
        "touched, one deck, a fortnight": lambda: list(
            ask.touched(many.DECKS[11], "2023-03-01T00:00:00Z", "2023-03-15T00:00:00Z")
        ),
        "touched, one operator, a day": lambda: list(
            ask.touched(many.OPERATORS[2], "2024-05-05", "2024-05-05")
        ),
        "parts_like": lambda: ask.parts_like("dekc-12", 5),
        "faults": lambda: ask.faults(many.DECKS[11]),
        "find a common word": lambda: ask.find(common, 20),
        "find a middling word": lambda: ask.find(middling, 20),
        "find a rare word": lambda: ask.find(rare, 20),
        "find no such word": lambda: ask.find("zzzqx", 20),
        "find two common words": lambda: ask.find(f"{common} {many.VOCABULARY[1]}", 20),
        "find common and rare": lambda: ask.find(f"{common} {rare}", 20),
        "find a whole title": lambda: ask.find(title, 20),
        "find an identifier": lambda: ask.find(f"tape-{PACKAGES // 3:07d}", 20),
        "by_digest sha512 of a file": lambda: ask.by_digest(sha512, 20),
        "by_digest sha256 of a file": lambda: ask.by_digest(sha256, 20),
        "by_digest identity": lambda: ask.by_digest(identity, 20),
        "to_verify, first 100": lambda: first(ask.to_verify(None, None), 100),
        "to_verify older, first 100": lambda: first(ask.to_verify(None, "2029-06-01T00:00:00Z"), 100),
        "to_verify beneath 50 000, first 100": lambda: first(ask.to_verify("/store/001", None), 100),
        "to_verify beneath a job": lambda: list(ask.to_verify("/store/000/job-000002", None)),
        "known_beneath a job": lambda: list(ask.known_beneath("/store/000/job-000002")),
    }


def test_rate_size_and_questions(where: str) -> None:
    with open_catalogue(where, create=True) as catalogue:
        print(f"\n{catalogue.engine_name}: {PACKAGES:,} packages x 5 files x 3 checks")
        wrote, made = fill(catalogue)
        size = size_of(catalogue, where)
        print(f"  written in {wrote:.0f} s ({PACKAGES / wrote:,.0f} packages/s; values made in {made:.0f} s)")
        print(f"  {size / 1e6:,.0f} MB ({size / PACKAGES:,.0f} bytes per package)")
        known = catalogue.ask.size()
        assert known["packages"] == PACKAGES and known["files"] == 5 * PACKAGES, known
        slow = {}
        for name, ask in questions(catalogue).items():
            ask()
            times = []
            for _ in range(RUNS):
                before = time.perf_counter()
                ask()
                times.append(time.perf_counter() - before)
            middle, worst = statistics.median(times), max(times)
            print(f"  {name:38} median {middle * 1000:7.1f} ms   worst {worst * 1000:7.1f} ms")
            if middle > GOAL:
                slow[name] = middle
        assert not slow, f"slower than {GOAL * 1000:.0f} ms: {slow}"
