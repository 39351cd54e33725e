"""Fault notices and leavings: what a later line may take away, and what a touched ledger may not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from provpack.edge import ledger as door
from provpack.jobs.harvestledger import ledger_values
from provpack.package.ledgerline import ledger_line

Line = tuple[str, dict[str, Any]]


def write(folder: Path, *lines: Line) -> Path:
    path = folder / door.LEDGER_NAME
    days = enumerate(lines, 1)
    entries = [ledger_line(k, at=f"2030-01-{n:02}T10:00:00Z", tool_version="1", **f) for n, (k, f) in days]
    door.append_many(path, entries)
    return path


def touch_line(path: Path, number: int) -> None:
    lines = path.read_bytes().split(b"\n")
    entry = json.loads(lines[number - 1])
    entry["note"] = "changed"
    lines[number - 1] = json.dumps(entry, sort_keys=True, separators=(",", ":")).encode()
    path.write_bytes(b"\n".join(lines))


def noted(notice: str | None, note: str, **more: str) -> Line:
    return "fault_noted", {"equipment_id": "DECK-1", "notice_id": notice, "note": note, **more}


def cleared(notice: str | None = None, **more: str) -> Line:
    return "fault_cleared", {"equipment_id": "DECK-1", "notice_id": notice, **more}


def told(path: Path) -> list[tuple[str | None, str, bool]]:
    return [(f.since, f.what, f.cleared_at is not None) for f in ledger_values(path).faults]


def test_a_second_notice_under_an_id_stands_beside_the_first(tmp_path: Path) -> None:
    path = write(tmp_path, noted("F", "dull", since="2029-06-01"), noted("F", "hum", since="2029-07-01"))
    assert told(path) == [("2029-06-01", "dull", False), ("2029-07-01", "hum", False)]


def test_two_wordings_of_one_time_are_one_notice(tmp_path: Path) -> None:
    path = write(tmp_path, noted("F", "dull", since="2029-06-01"), noted("F", "hum", since="2029-06-01"))
    assert told(path) == [("2029-06-01", "dull; hum", False)]


def test_a_notice_that_is_noted_again_after_its_clearing_is_open(tmp_path: Path) -> None:
    again = noted("F", "dull", since="2029-06-01")
    assert told(write(tmp_path, again, cleared("F"), again)) == [("2029-06-01", "dull", False)]


def test_impossible_times_give_way_to_the_right_ones(tmp_path: Path) -> None:
    """As trace-notice-times tells people to mend them."""
    wrong = noted("F", "dull", since="2029-06-09", until="2029-06-01")
    path = write(tmp_path, wrong, noted("F", "dull", since="2029-06-01", until="2029-06-09"))
    assert told(path) == [("2029-06-01", "dull", False)]


def test_a_clearing_older_than_the_fault_clears_nothing(tmp_path: Path) -> None:
    old = cleared("F", happened_at="2020-01-01")
    path = write(tmp_path, noted("F", "dull", since="2029-06-01"), old)
    assert told(path) == [("2029-06-01", "dull", False)]
    write(tmp_path, cleared("F", happened_at="2030-02-01"))
    assert told(path) == [("2029-06-01", "dull", True)]


def test_lines_before_the_last_touched_one_take_nothing_away(tmp_path: Path) -> None:
    seal = {"tagmanifest_sha512": "ab" * 64}
    path = write(
        tmp_path,
        noted("F", "dull", since="2029-06-01"),
        ("wrapped", {"package": "p1", **seal}), ("wrapped", {"package": "p2", **seal}),
        ("carrier_received", {"carrier_id": "C1"}), ("carrier_received", {"carrier_id": "C2"}),
        cleared("F"),
        ("destroyed", {"package": "p1"}), ("superseded", {"package": "p1"}),
        ("carrier_returned", {"carrier_id": "C1"}),
        ("note", {"note": "as it was"}),
        ("destroyed", {"package": "p2"}), ("carrier_returned", {"carrier_id": "C2"}),
    )  # fmt: skip

    def read() -> tuple[dict[str, tuple[bool, bool]], dict[str, str | None]]:
        ledger = ledger_values(path)
        sealed = {s.package: (s.stays, s.superseded) for s in ledger.sealed}
        return sealed, {c.carrier: c.ended for c in ledger.carriers}

    assert read() == ({"p1": (False, True), "p2": (False, False)}, {"C1": "returned", "C2": "returned"})
    assert told(path) == [("2029-06-01", "dull", True)]
    touch_line(path, 9)
    assert ledger_values(path).broken
    assert read() == ({"p1": (True, False), "p2": (False, False)}, {"C1": None, "C2": "returned"})
    assert told(path) == [("2029-06-01", "dull", False)]
    write(tmp_path, cleared("F", happened_at="2030-03-01"))
    assert told(path) == [("2029-06-01", "dull", True)]


def test_what_was_sealed_as_whom_is_not_told_by_a_line_before_the_last_touched_one(tmp_path: Path) -> None:
    """A line that somebody puts in where the ledger is broken must not vouch for what he put in its place."""
    true, forged = {"tagmanifest_sha512": "aa" * 64}, {"tagmanifest_sha512": "bb" * 64}
    path = write(
        tmp_path,
        ("wrapped", {"package": "p1", **true}), ("wrapped", {"package": "p1", **forged}),
        ("wrapped", {"package": "p2", **true}), ("note", {"note": "as it was"}),
        ("wrapped", {"package": "p2", **forged}), ("note", {"note": "behind it"}),
    )  # fmt: skip

    def read() -> list[tuple[str, int, str]]:
        return [(s.package, s.line, (s.identity or "")[:2]) for s in ledger_values(path).sealed]

    assert read() == [("p1", 2, "bb"), ("p2", 5, "bb")]
    touch_line(path, 4)
    assert ledger_values(path).broken
    assert read() == [("p1", 1, "aa"), ("p1", 2, "bb"), ("p2", 5, "bb")]
