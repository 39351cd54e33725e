"""An audit without a catalogue, of one question, or with more machines than are listed: what is said then."""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.audits import KNOWN, item, result, trend

from provpack.jobs import auditrules as rules
from provpack.jobs.auditresult import AuditResult, Basis, Section
from provpack.model.rules import EVIDENCE
from provpack.report.audit_page import audit_page
from provpack.report.audit_text import SUBJECTS_SHOWN, audit_lines
from provpack.report.audit_trends import LIMITS


def told(of: AuditResult) -> str:
    return "\n".join(audit_lines(of))


def test_what_was_read_for_this_run_alone_has_no_catalogue() -> None:
    basis = Basis(catalogue=None, known=KNOWN, seen=(("/store", "2031-03-01T02:00:00Z"),), looked=("/store",))
    said = told(result(basis=basis))
    assert said.startswith("Looking back over 1 204 packages, read for this run, up to 2031-03-04")
    assert "looked through on" not in said and "/store: its disk was looked at now" in said
    assert "in the catalogue" in told(result()) and "looked through on 2031-03-01" in told(result())
    assert "Everything was read for this page alone." in audit_page(result(basis=basis))
    assert "read for this page alone" not in audit_page(result())


@pytest.mark.parametrize("total", [None, 0, 1])
def test_one_question_is_answered_also_when_nothing_was_found(total: int | None) -> None:
    rule = rules.NOT_CHECKED
    items = (item(rule),) if total else ()
    section = Section(rule=rule, total=total, items=items, why="The ledger could not be read.")
    said = told(replace(result(asked=rule.id), sections=(section,)))
    assert f"{rule.title}: " in said
    assert ("not looked at. The ledger could not be read." in said) == (total is None)
    assert ("To do: " in said) == (total == 1)
    assert (f"({rule.id}" in said) == (total is not None)
    assert "  -  " not in said, "one answer needs no table of all"
    everything = told(replace(result(), sections=(section,)))
    assert ("To do: " in everything) == (total == 1)


def test_a_rule_of_the_record_that_was_asked_for_says_itself_what_it_means() -> None:
    """MEANINGS explains the sections of an audit; `--rule` also takes any rule of a record."""
    rule = EVIDENCE
    section = Section(rule=rule, total=1, items=(item(rule),), severity=rule.severity)
    lines = list(audit_lines(replace(result(asked=rule.id), sections=(section,))))
    at = lines.index(f"{rule.severity.upper()}  {rule.title}: 1")
    assert lines[at + 1] == "    /store/2029/job-7_t01 [Ambersund Chamber Archive]"
    own = Section(rule=rules.NOT_CHECKED, total=1, items=(item(rules.NOT_CHECKED),))
    lines = list(audit_lines(replace(result(asked=own.rule.id), sections=(own,))))
    at = lines.index(f"WARNING  {own.rule.title}: 1")
    assert lines[at + 1].startswith("  Only a check that read every byte counts")


@pytest.mark.parametrize("many", [SUBJECTS_SHOWN, SUBJECTS_SHOWN + 3])
def test_more_machines_than_are_listed(many: int) -> None:
    decks = tuple(trend(f"DECK-{n:02}", "2030-01", 2.0, 1) for n in range(many))
    said = told(result(told={"deck": decks}))
    assert said.count("DECK-") == SUBJECTS_SHOWN
    assert ("    ... and 3 more, in --json and --page" in said) == (many > SUBJECTS_SHOWN)


def test_without_anything_measured_no_limits_of_measuring_are_told() -> None:
    first = " ".join(LIMITS[0].split())[:40]
    assert first not in " ".join(told(result(told={"deck": ()})).split())
    assert first in " ".join(told(result(told={"deck": (trend("DECK-1", "2030-01", 2.0, 1),)})).split())
