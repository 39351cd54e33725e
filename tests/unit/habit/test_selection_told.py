"""What `verify` says of what was chosen, what a sample says of the rest, and what no count shows."""

from __future__ import annotations

from datetime import timedelta
from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import pytest

from provpack.findings import Finding
from provpack.jobs.choose import Sampled
from provpack.jobs.verified import UnitResult, VerifyResult
from provpack.package import rules
from provpack.report.text_verify import (
    _before_all,
    _grouped,
    _needs_somebody,
    _unit,
    sample_lines,
    selection_lines,
    unlisted_lines,
)


def sampled(**more: Any) -> Sampled:
    plain: dict[str, Any] = {
        "population": 1000, "drawn": 59, "checked": 59, "not_good": 2, "seed": 7,
        "confidence": Fraction(95, 100), "share": None, "at_most": 48,
    }  # fmt: skip
    return Sampled(**(plain | more))


def test_what_a_sample_says_of_the_rest() -> None:
    first, second = sample_lines(sampled())
    assert first == (
        "Sample: 59 of 1 000 packages drawn at random (seed 7); of 59 checked, 57 good and 2 not."
    )
    assert second.startswith("With 95 % confidence at most 48 of the 1 000 are not good,")
    more = list(sample_lines(sampled(), again=1, gone=2))
    assert more[2:] == [
        "Not part of these figures: 1 package once found bad, checked besides.",
        "Nor part of them: 2 packages that are not there any more.",
    ]
    assert list(sample_lines(sampled(), gone=1))[2:] == [
        "Nor part of them: 1 package that is not there any more."
    ]


def test_a_sample_that_was_not_finished_or_not_drawn_says_nothing() -> None:
    assert list(sample_lines(sampled(drawn=0))) == ["There was nothing to draw a sample from."]
    (_, said) = sample_lines(sampled(at_most=None), again=3)
    assert said == "The sample was not finished, so it says nothing of the packages that were not drawn."


@pytest.mark.parametrize(
    ("gone", "said"), [(0, []), (1, ["1 package that was"]), (3, ["3 packages that were"])]
)
def test_what_is_gone_already_is_not_looked_for(gone: int, said: list[str]) -> None:
    lines = list(unlisted_lines(gone))
    assert len(lines) == len(said) and all(f"Not looked for: {one} gone already" in lines[0] for one in said)


def chosen(**more: Any) -> list[str]:
    wish = SimpleNamespace(
        older_than=more.pop("older_than", None), oldest_first=more.pop("oldest_first", False)
    )
    made = {
        "wish": wish, "known": 9, "bare": 0, "due": 4, "checked": 4, "left": 0, "oldest_left": None,
        "bare_left": 0, "time_budget": None, "round": None, "again": (), "sample": None, "gone": 0,
        "remarks": (), "everything": False, **more,
    }  # fmt: skip
    return list(selection_lines(SimpleNamespace(**made)))  # type: ignore[arg-type]


def test_what_was_chosen_and_why() -> None:
    assert chosen(known=0) == ["Nothing is due: no package is known here."]
    assert chosen(due=0) == ["Nothing is due: 9 packages known, every one found good."]
    assert chosen(due=0, older_than=timedelta(days=365)) == [
        "Nothing is due: 9 packages known, every one found good within 365 days."
    ]
    assert chosen() == ["9 packages known; 4 checked."]
    assert chosen(older_than=timedelta(days=365), bare=2, oldest_first=True) == [
        "9 packages known, 4 due (not found good for 365 days, or once bad), 2 without a good check before; "
        "4 checked, the longest unchecked first."
    ]
    again = chosen(everything=True, again=tuple("abcdefg"), remarks=("Mind this.",))
    assert again == [
        "Once found bad or missing, so checked every time: a, b, c, d, e and 2 more.", "Mind this.",
    ]  # fmt: skip


def test_what_is_left_for_the_next_run() -> None:
    lines = chosen(left=5, time_budget=timedelta(hours=2), round=timedelta(hours=9))
    assert lines[1] == "No more was begun after 2 hours: 5 left. The same command goes on there."
    assert lines[2] == "At this speed the whole round of 4 packages takes about 9 hours."
    assert chosen(left=5, bare_left=2)[1].endswith(
        "5 left, 2 of them without a good check. The same command goes on there."
    )


def unit(outcome: Any, *findings: Finding) -> UnitResult:
    return UnitResult(
        path="/a/t1", path_base64=None, outcome=outcome, depth="bytes", started_at="x", finished_at="y",
        findings=findings,
    )  # fmt: skip


def verified(*units: UnitResult, findings: tuple[Finding, ...] = ()) -> VerifyResult:
    return VerifyResult(depth="bytes", started_at="x", finished_at="y", units=units, findings=findings)


@pytest.mark.parametrize("many", [1, 2])
def test_what_no_count_of_checked_packages_shows(many: int) -> None:
    def found(rule: Any, what: str = "x") -> tuple[Finding, ...]:
        return (rule.found(what, "y"),) * many

    be = {1: "is", 2: "are"}[many]
    packages = {1: "1 package", 2: "2 packages"}[many]
    assert list(_before_all(verified(findings=found(rules.LEDGER_MISSING)))) == [
        f"{packages} of the ledgers {be} not there any more"
    ]
    others = {1: "1 other is", 2: "2 others are"}[many]
    assert list(_before_all(verified(findings=found(rules.LEDGER_UNTOLD)))) == [
        f"whether {others} still there cannot be told"
    ]
    other = unit("good", *found(rules.LEDGER_OTHER))
    assert list(_before_all(verified(other))) == [f"{packages} {be} not the one found good there before"]
    assert list(_before_all(verified(findings=found(rules.NOT_RECORDED)))) == ["NOT recorded in the ledger"]
    page = rules.PAGE_NOT_WRITTEN.found("The page was not written: the disk is full.", "y")
    assert list(_before_all(verified(findings=(page,)))) == [
        "the page could NOT be written: the disk is full"
    ]


@pytest.mark.parametrize(
    ("outcome", "said"),
    [("bad", "Repair nothing and delete nothing."), ("missing", "Repair nothing and delete nothing."),
     ("could_not_check", "could_not_check is neither good nor bad:"), ("good", None)],
)  # fmt: skip
def test_what_to_do(outcome: str, said: str | None) -> None:
    text = "\n".join(_needs_somebody(verified(unit(outcome, rules.FILE_MISSING.found("It is gone.", "a")))))
    assert ("WHAT TO DO" in text) == (said is not None)
    assert said is None or said in text


def test_many_findings_are_cut_and_like_ones_counted() -> None:
    many = [rules.FILE_MISSING.found(f"'{n}' is gone.", "m") for n in range(5)]
    lines = list(_unit(unit("missing", *many)))
    assert lines[0] == "  MISSING  /a/t1" and "    and 2 more findings" in lines
    assert lines[-1].startswith("    To do: ")
    assert list(_unit(unit("bad"))) == ["  BAD  /a/t1"]
    grouped = list(_grouped([rules.LEDGER_BROKEN.found("Line 3.", "l")] * 3))
    assert grouped[1] == "    Line 3. (2 more of this kind)"
