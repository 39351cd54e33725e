"""What `custody` and `enter` say: whether the chain holds, what it was compared with, what is open."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from provpack.edge.ledger import LEDGER_NAME, append_many
from provpack.jobs import custodyrules as rules
from provpack.jobs.custodyview import CustodyResult, Paper, look_at_custody
from provpack.jobs.enter import EnterResult
from provpack.package.ledgerline import ledger_line
from provpack.report.custody_text import custody_lines, enter_lines

TITLES = {rule.id: rule.title for rule in rules.OPEN}
AT = "2031-06-10T12:00:00+02:00"
TODAY = date(2031, 6, 20)


def line(kind: str, **fields: Any) -> dict[str, Any]:
    return ledger_line(kind, at=AT, tool_version="0.1.0", **fields)


def looked(folder: Path, *lines: dict[str, Any], **more: Any) -> CustodyResult:
    ledger = folder / LEDGER_NAME
    ledger.unlink(missing_ok=True)
    append_many(ledger, lines)
    return look_at_custody(folder, today=TODAY, **more)


def told(result: CustodyResult) -> str:
    return "\n".join(custody_lines(result, TITLES))


@pytest.mark.parametrize("many", [1, 2])
def test_a_chain_that_holds_and_nothing_open(tmp_path: Path, many: int) -> None:
    result = looked(tmp_path, *[line("note", note="x")] * many)
    said = told(result)
    entries = {1: "1 entry", 2: "2 entries"}[many]
    assert f"The chain holds: {entries}, each follows from the one before." in said
    assert result.chain.head is not None and f"Last SHA-512: {result.chain.head[1]}" in said
    assert "Not compared with any paper" in said and said.endswith("Nothing is open.")


def test_an_empty_ledger(tmp_path: Path) -> None:
    (tmp_path / LEDGER_NAME).write_bytes(b"")
    said = told(look_at_custody(tmp_path, today=TODAY))
    assert "It is empty." in said and "Last SHA-512" not in said and "Not compared" not in said


def test_a_broken_chain_is_said_before_anything_else(tmp_path: Path) -> None:
    looked(tmp_path, *[line("note", note=f"{n}") for n in range(6)])
    ledger = tmp_path / LEDGER_NAME
    rows = ledger.read_bytes().splitlines(keepends=True)
    ledger.write_bytes(b"".join([*rows[:2], *rows[3:]]))
    said = told(look_at_custody(tmp_path, today=TODAY))
    assert said.splitlines()[1] == "The chain is BROKEN (1 place)."
    assert said.endswith("Nothing is open, as far as a broken ledger can tell.")
    ledger.write_bytes(b"".join([*rows[:1], *rows[2:4], *rows[5:]]))
    assert "The chain is BROKEN (2 places)." in told(look_at_custody(tmp_path, today=TODAY))


def test_each_paper_is_told_by_its_verdict(tmp_path: Path) -> None:
    papers = (
        Paper(path="a.json", verdict="met", entries=3, sha512="ab"),
        Paper(path="b.json", verdict="contradicted", entries=4, sha512="cd"),
        Paper(path="c.json", verdict="tells_nothing"),
    )
    said = told(replace(looked(tmp_path, line("note", note="x")), papers=papers))
    assert "Compared with a.json: agrees (entry 3)." in said
    assert "Compared with b.json: DISAGREES about entry 4." in said
    assert "Compared with c.json: tells nothing about a ledger." in said
    assert "Not compared with any paper" not in said


@pytest.mark.parametrize("packages", [3, 25])
def test_what_is_open_says_what_to_do_and_what_may_be_touched(tmp_path: Path, packages: int) -> None:
    played = [
        line("pass_made", job_id="J", transfer_id=f"T{n}", pass_n=1, equipment_ids=["DECK-1"])
        for n in range(packages)
    ]
    fault = line("fault_noted", equipment_id="DECK-1", notice_id="F-1", note="guide post loose")
    result = looked(tmp_path, *played, fault)
    said = told(result)
    (one,) = result.open
    assert f"{TITLES[one.finding.rule]} (1):" in said and "Nothing is open" not in said
    flat = " ".join(said.split())
    assert "guide post loose" in flat and f"To do: {one.finding.todo}" in flat
    assert "may be touched: " in flat and (" and 5 more" in flat) == (packages == 25)
    assert flat.count("j_t") == min(packages, 20)


def test_the_history_that_was_asked_for(tmp_path: Path) -> None:
    lines = [line("carrier_received", carrier_id="C1", organisation="Ambersund Chamber Archive")]
    said = told(looked(tmp_path, *lines, carrier="C1"))
    assert "What the ledger says of " in said and "[entry 1]" in said
    assert "  2031-06-10 12:00  " in said
    unknown = told(looked(tmp_path, *lines, carrier="C9"))
    assert "[entry 1]" not in unknown and "C9" in unknown


@pytest.mark.parametrize("many", [0, 1, 2])
def test_what_was_entered(many: int) -> None:
    entries = tuple({**line("note", note="x"), "n": n + 1} for n in range(many))
    said = list(enter_lines(EnterResult(path="/l.jsonl", lines=entries, head=(many, "ab") if many else None)))
    if many:
        assert said[0].startswith("     1  2031-06-10 12:00  ")
        assert f"{many} line{'' if many == 1 else 's'} appended to /l.jsonl." in said
        assert said[-1] == f"The ledger has {many} {'entry' if many == 1 else 'entries'} now; last SHA-512 ab"
    else:
        assert said == ["Nothing new: the ledger has all of it already."]
    found = rules.NEVER_CHECKED.found("One was never checked.", "line 3")
    more = list(enter_lines(EnterResult(path="/l.jsonl", lines=entries, head=None, findings=(found,))))
    assert any("One was never checked." in one for one in more) and "" in more
