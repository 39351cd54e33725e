"""No question and no write reads through a whole table: SQLite's own account of its plans.

The judge is EXPLAIN QUERY PLAN of SQLite ("SCAN" = every row, "SEARCH" = by an index; sqlite.org/eqp.html).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event
from support import manypackages as many

from provpack.catalogue.opening import Catalogue, open_catalogue
from provpack.catalogue.values import Package

SMALL = {"root", "tally", "trend", "sqlite_master", "words", "about"}
"""Tables that stay small, and the full text, which is an index by itself."""
INDEX_OF_THE_ASKED = {"standing_", "fixity_check_place", "sealed_unknown", "carrier_open", "ledger_broken"}
"""Partial indexes: to walk along one is to read what was asked for."""


def ask_everything(catalogue: Catalogue) -> None:
    ask, some = catalogue.ask, many.package(3)
    ask.size(), ask.roots(), ask.rules_raised(), ask.raising("r", 5), ask.emphasis_unknown(5)
    ask.rights_gaps("2030-01-01", 5), ask.chain_check_old(30, 5), ask.due("2030-01-01", 5)
    ask.not_checked_since("2030-01-01T10:00:00Z", 5), ask.last_not_good(5), ask.once_bad(5), ask.gone(5)
    ask.sealed_but_unknown(5), ask.carriers_without_outcome(5), ask.broken_ledgers(), ask.trends("deck")
    ask.parts_like("deck", 5), ask.faults("deck"), ask.find(many.VOCABULARY[0], 5)
    for digest in (some.identity, some.audio_sha256, some.files[0].sha256, some.files[0].sha512):
        assert digest and ask.by_digest(digest, 5)
    assert list(ask.touched(many.DECKS[1], "2020-01-01", "2025-01-01"))
    assert list(ask.to_verify("/store/000", "2029-01-01T00:00:00Z")) and list(ask.known_beneath("/store"))


def test_no_table_is_read_through(tmp_path: Path) -> None:
    seen: dict[str, Any] = {}

    def note(_conn: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, is_many: bool) -> None:
        if statement.split()[0] in ("SELECT", "UPDATE", "DELETE"):
            seen.setdefault(statement, parameters[0] if is_many else parameters)

    with open_catalogue(tmp_path / "catalogue.sqlite", create=True) as catalogue:
        event.listen(Engine, "before_cursor_execute", note)
        try:
            for _ in range(2):
                with catalogue.writing() as writer:
                    for value in many.everything(100):
                        if isinstance(value, Package):
                            writer.package(value)
                        else:
                            writer.ledger(value)
                    writer.gone(many.folder_of(20), set())
                    writer.known_ledger("/store")
                    writer.stamps("/store")
            ask_everything(catalogue)
        finally:
            event.remove(Engine, "before_cursor_execute", note)
        plans = {}
        with catalogue._reading() as conn:
            for statement, parameters in seen.items():
                told = conn.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
                plans[statement] = [str(row[3]) for row in told]
    read_through = [
        (line, statement)
        for statement, lines in plans.items()
        for line in lines
        if line.startswith("SCAN")
        and line.split()[1] not in SMALL
        and not any(name in line for name in INDEX_OF_THE_ASKED)
    ]
    assert len(plans) > 50 and not read_through, read_through
    # a trace over years looks at very many passes: by the index alone, without a look at each row
    assert any("COVERING INDEX part_what" in line for lines in plans.values() for line in lines)
