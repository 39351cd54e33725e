"""Ledgers as values: checks that count, checks that do not, and going on after a known line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from support.harvested import empty

from provpack.edge import ledger as door
from provpack.jobs.harvestledger import ledger_values, take_ledger
from provpack.package.ledgerline import ledger_line

SEAL = "ab" * 64


def write(path: Path, *lines: tuple[str, dict[str, Any]]) -> Path:
    entries = []
    for n, (kind, facts) in enumerate(lines):
        at = facts.pop("at", f"2030-01-{n + 1:02d}T10:00:00+02:00")
        entries.append(ledger_line(kind, at=at, tool_version="0.9.0", **facts))
    door.append_many(path, entries)
    return path


def check(package: str | None = "p1", outcome: str = "good", **more: Any) -> tuple[str, dict[str, Any]]:
    return "fixity_checked", {"package": package, "outcome": outcome, "depth": "bytes", **more}


def wrapped(package: str = "p1", **more: Any) -> tuple[str, dict[str, Any]]:
    return "wrapped", {"package": package, "tagmanifest_sha512": SEAL, **more}


def path_of(tmp_path: Path) -> Path:
    return tmp_path / door.LEDGER_NAME


def test_checks_and_seals(tmp_path: Path) -> None:
    path = write(
        path_of(tmp_path),
        wrapped(),
        check(tagmanifest_sha512=SEAL),
        check("p1", "bad"),
        ("moved", {"package": "p1"}),
        ("healed", {"package": "p2", "tagmanifest_sha512": SEAL}),
        check(None, place="/elsewhere/bag"),
    )
    read = ledger_values(path)
    assert (read.lines, read.broken, read.size) == (6, "", path.stat().st_size)
    assert [(c.line, c.package, c.outcome, c.at) for c in read.checks] == [
        (2, "p1", "good", "2030-01-02T08:00:00Z"),
        (3, "p1", "bad", "2030-01-03T08:00:00Z"),
        (6, "", "good", "2030-01-06T08:00:00Z"),
    ]
    assert read.checks[2].place == "/elsewhere/bag" and read.checks[0].identity == SEAL
    assert [(s.package, s.line, s.stays, s.identity) for s in read.sealed] == [
        ("p1", 1, False, SEAL), ("p2", 5, True, SEAL),
    ]  # fmt: skip


def test_what_was_entered_as_superseded(tmp_path: Path) -> None:
    path = write(
        path_of(tmp_path),
        wrapped(), wrapped("p2"), wrapped("p3"),
        ("superseded", {"package": "p1", "note": "by p3: wrong title"}),
        ("superseded", {"package": "p2"}),
        wrapped("p2"),  # sealed anew since
        check(),
    )  # fmt: skip
    sealed = {s.package: (s.superseded, s.stays) for s in ledger_values(path).sealed}
    assert sealed == {"p1": (True, True), "p2": (False, True), "p3": (False, True)}


def test_carriers_end_in_one_of_these_ways(tmp_path: Path) -> None:
    def came(name: str) -> tuple[str, dict[str, Any]]:
        return "carrier_received", {"carrier_id": name, "organisation": "Ambersund Chamber Archive"}

    path = write(
        path_of(tmp_path),
        came("C1"), came("C2"), came("C3"), came("C4"), came("C5"),
        ("carrier_returned", {"carrier_id": "C1"}),
        ("destroyed", {"carrier_id": "C2"}),
        wrapped("p3", carrier_id="C3"),
        ("carrier_returned", {"carrier_id": "C4"}),
        came("C4"),
    )  # fmt: skip
    read = {c.carrier: c for c in ledger_values(path).carriers}
    assert {name: c.ended for name, c in read.items()} == {
        "C1": "returned", "C2": "destroyed", "C3": "wrapped", "C4": None, "C5": None,
    }  # fmt: skip
    assert read["C1"].ended_at == "2030-01-06T08:00:00Z" and read["C5"].client == "Ambersund Chamber Archive"


def test_faults_with_their_times_as_declared(tmp_path: Path) -> None:
    path = write(
        path_of(tmp_path),
        (
            "fault_noted",
            {
                "equipment_id": "DECK-1",
                "notice_id": "F1",
                "since": "2029-12-01",
                "note": "hum",
                "happened_at": "2029-12-31",
            },
        ),
        ("fault_noted", {"equipment_id": "DECK-1", "until": "2030-01-01T00:00:00+01:00"}),
        ("fault_cleared", {"equipment_id": "DECK-1", "notice_id": "F1"}),
    )
    one, two = ledger_values(path).faults
    assert (one.since, one.until, one.cleared_at, one.what) == (
        "2029-12-01",
        None,
        "2030-01-03T10:00:00+02:00",
        "hum",
    )
    assert (one.noted_at, two.noted_at) == ("2029-12-31", "2030-01-02T10:00:00+02:00")
    assert (two.notice_id, two.since, two.until, two.cleared_at) == (
        None,
        None,
        "2030-01-01T00:00:00+01:00",
        None,
    )


def test_going_on_after_the_known_line(tmp_path: Path) -> None:
    path = write(path_of(tmp_path), wrapped(), check())
    first = ledger_values(path)
    write(path, check("p1", "bad", at="2031-01-01T00:00:00Z"))
    known = (first.lines, first.head, first.size)
    assert [c.line for c in ledger_values(path, known).checks] == [3]
    assert [c.line for c in ledger_values(path, (2, "0" * 128, 9)).checks] == [2, 3]
    assert [c.line for c in ledger_values(path, (99, first.head, 9)).checks] == [2, 3]
    assert ledger_values(path, known).sealed == ledger_values(path).sealed


def touch_line(path: Path, number: int) -> None:
    """Change a line, and leave the chain as it is."""
    lines = path.read_bytes().split(b"\n")
    entry = json.loads(lines[number - 1])
    entry["note"] = "changed"
    lines[number - 1] = json.dumps(entry, sort_keys=True, separators=(",", ":")).encode()
    path.write_bytes(b"\n".join(lines))


def test_a_broken_ledger_accuses_and_does_not_acquit(tmp_path: Path) -> None:
    path = write(path_of(tmp_path), wrapped(), check(), check("p2", "bad"), check("p3"), check("p4"))
    touch_line(path, 3)
    broken = ledger_values(path)
    assert broken.broken
    # what stands behind the place that was touched follows line by line, as in any ledger
    outcomes = [(c.package, c.outcome) for c in broken.checks]
    assert ("p2", "bad") in outcomes and ("p1", "good") not in outcomes and ("p4", "good") in outcomes
    write(path, check("p1", at="2031-01-01T00:00:00Z"))
    assert ("p1", "good") in [(c.package, c.outcome) for c in ledger_values(path).checks]


def test_a_ledger_in_pieces_acquits_nobody(tmp_path: Path) -> None:
    path = write(path_of(tmp_path), *(check(f"p{n}", at="2030-01-01T00:00:00Z") for n in range(1200)))
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join([*lines[::2], check_line("p9", "bad")]))
    read = ledger_values(path)
    assert read.broken and [(c.package, c.outcome) for c in read.checks] == [("p9", "bad")]


def check_line(package: str, outcome: str) -> bytes:
    entry = {"kind": "fixity_checked", "package": package, "outcome": outcome, "n": 5, "previous": "00"}
    return json.dumps(entry).encode() + b"\n"


@pytest.mark.parametrize(
    "entry",
    [
        {"package": 7, "outcome": "good"},
        {"package": "p1", "outcome": "good", "at": "never"},
        {"package": "p1", "outcome": "good", "at": None},
        {"package": None, "outcome": "bad"},
        {"package": "p\ud800", "outcome": ["good"], "at": "2030-01-01T00:00:00Z"},
        {"package": "p1", "outcome": "good", "at": "9999-12-31T23:59:59-12:00"},
    ],
)
def test_odd_lines_are_no_good_checks(tmp_path: Path, entry: dict[str, Any]) -> None:
    line = json.dumps({"kind": "fixity_checked", "n": 1, "previous": "0" * 128, **entry}).encode()
    path_of(tmp_path).write_bytes(line + b"\n")
    read = ledger_values(path_of(tmp_path), now="2031-01-01T00:00:00Z")
    assert not any(c.outcome == "good" for c in read.checks)


def test_a_check_from_the_future_counts_as_made_now(tmp_path: Path) -> None:
    path = write(path_of(tmp_path), check(at="2099-01-01T00:00:00Z"))
    (one,) = ledger_values(path, now="2031-01-01T00:00:00Z").checks
    assert one.at == "2031-01-01T00:00:00Z"


def test_a_ledger_that_is_another_one_replaces_what_was_known(tmp_path: Path) -> None:
    path = write(path_of(tmp_path), wrapped(), check(), check())
    with empty() as catalogue:
        with catalogue.writing() as writer:
            assert take_ledger(path, writer).rewritten is False
        with catalogue.writing() as writer:
            again = take_ledger(path, writer)
        assert not again.anew and again.ledger.checks == () and catalogue.ask.size()["checks"] == 2
        path.unlink()
        write(path, wrapped(), check("p7"), ("note", {"note": "anew"}), ("note", {"note": "more"}))
        with catalogue.writing() as writer:
            assert take_ledger(path, writer).rewritten is True
        assert catalogue.ask.size()["checks"] == 1
        touch_line(path, 3)
        with catalogue.writing() as writer:
            assert take_ledger(path, writer).ledger.broken
        # the good check before the touched line does not count any more
        assert catalogue.ask.size()["checks"] == 0 and len(catalogue.ask.broken_ledgers()) == 1
