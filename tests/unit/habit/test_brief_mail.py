"""The summary for mail, and the sentences about what was chosen: wording and shape are ours."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

import pytest

from provpack.findings import Finding
from provpack.jobs.choose import Sampled, Wish
from provpack.jobs.reverify import Selection
from provpack.jobs.verified import Examined, Outcome, UnitResult, VerifyResult
from provpack.package import archiverules, rules
from provpack.report.text_verify import brief_lines, selection_lines, subject

AT = "2031-05-06T09:00:00+00:00"


def unit(outcome: Outcome = "good", n: int = 0, *findings: Finding, **more: Any) -> UnitResult:
    return UnitResult(
        path=f"/srv/tapes/{outcome}-{n}", path_base64=None, outcome=outcome, depth="bytes", started_at=AT,
        finished_at=AT, bytes_read=1_000_000, findings=findings, **more,
    )  # fmt: skip


def result(*units: UnitResult, findings: tuple[Finding, ...] = ()) -> VerifyResult:
    return VerifyResult(depth="bytes", started_at=AT, finished_at=AT, units=units, findings=findings)


def selection(**more: Any) -> Selection:
    plain: dict[str, Any] = {
        "wish": Wish(older_than=timedelta(days=365), oldest_first=True), "known": 1417, "bare": 0, "due": 214,
        "chosen": 214, "checked": 214, "left": 0, "oldest_left": None, "bare_left": 0, "time_budget": None,
        "elapsed": timedelta(hours=2), "round": timedelta(hours=2), "again": (), "sample": None,
        "remarks": (),
    }  # fmt: skip
    return Selection(**(plain | more))


GONE = rules.FILE_MISSING.found("'data/a.wav' is listed but not there.", "manifest-sha512.txt, line 1")
NONE_HERE = rules.NO_BAG_HERE.found("There is no package at or beneath this folder.", "/srv/tapes")
LINK = rules.LEDGER_BROKEN.found("Line 3 was changed.", "/srv/tapes/custody-ledger.jsonl")


def sampled(**more: Any) -> Sampled:
    plain: dict[str, Any] = {
        "population": 1000, "drawn": 59, "checked": 59, "not_good": 0, "seed": 7,
        "confidence": Fraction(95, 100), "share": None, "at_most": 48,
    }  # fmt: skip
    return Sampled(**(plain | more))


@pytest.mark.parametrize(
    ("found", "chosen", "line"),
    [
        (result(*[unit()] * 214), selection(), "all 214 packages checked are good"),
        (result(unit()), selection(), "the 1 package checked is good"),
        (
            result(*[unit()] * 214),
            selection(left=1203, oldest_left=datetime(2024, 3, 1, 5, tzinfo=UTC)),
            "all 214 packages checked are good; 1 203 left, oldest check 2024-03-01",
        ),
        (
            result(*[unit()] * 2),
            selection(left=5, bare_left=2, oldest_left=datetime(2024, 3, 1, tzinfo=UTC)),
            "all 2 packages checked are good; 5 left, 2 of them without a good check",
        ),
        (
            result(unit("bad"), unit("could_not_check"), unit("missing"), *[unit()] * 211),
            selection(),
            "3 of 214 packages are not good (1 bad, 1 missing, 1 could_not_check)",
        ),
        (result(unit("bad"), unit()), selection(), "1 of 2 packages is not good (1 bad)"),
        (result(), selection(due=0), "nothing is due of 1 417 packages"),
        (
            result(findings=(LINK, LINK)),
            selection(due=0),
            "nothing is due of 1 417 packages; 2 warnings besides",
        ),
        (result(), selection(left=7), "nothing was checked; 7 left"),
        (
            result(unit("good", 1, LINK), unit(), findings=(LINK,)),
            selection(),
            "all 2 packages checked are good, 1 with warnings; 1 warning besides",
        ),
        (
            result(unit(examined=(Examined(topic="signature", state="missing", demands="not_met"),))),
            selection(),
            "1 of 1 package is intact but not as asked",
        ),
        (
            result(*[unit()] * 59),
            selection(sample=sampled()),
            "all 59 packages checked are good; of 1 000 at most 48 are not (95 % confidence)",
        ),
        (
            result(unit("could_not_check", 3, NONE_HERE)),
            selection(known=0),
            "no package was found at /srv/tapes/could_not_check-3, so nothing was checked",
        ),
        (
            result(*[unit("could_not_check", 3, NONE_HERE)] * 1200, findings=(LINK,)),
            selection(known=0),
            "no package was found at any of the 1 200 paths, so nothing was checked; 1 warning besides",
        ),
        (
            result(unit("could_not_check", 3, NONE_HERE), unit("missing", 4, GONE)),
            selection(known=0),
            "2 of 2 packages are not good (1 missing, 1 could_not_check)",
        ),
    ],
)  # fmt: skip
def test_the_first_line_says_all(found: VerifyResult, chosen: Selection, line: str) -> None:
    assert subject(found, chosen) == line
    assert next(brief_lines(found, chosen, [])) == f"provpack: {line}"


def test_a_warning_severity_is_what_the_rules_say() -> None:
    assert LINK.severity == "warning" and GONE.severity == "error"


def test_only_what_needs_somebody_is_told_one_by_one() -> None:
    other = [rules.FILE_MISSING.found(f"'data/{n}.wav' is listed but not there.", "m") for n in range(9)]
    found = result(*[unit("good", n) for n in range(200)], unit("missing", 7, *other), findings=(LINK,) * 4)
    lines = list(
        brief_lines(found, selection(), ["Recorded in /srv/tapes/custody-ledger.jsonl (201 lines)."])
    )
    text = "\n".join(lines)
    assert "/srv/tapes/good-" not in text and "MISSING  /srv/tapes/missing-7" in text
    assert "and 6 more findings" in text and "(3 more of this kind)" in text
    assert "Repair nothing and delete nothing." in text and "      200  good" in lines
    assert "201 MB read in 2 hours, 27.9 kB per second" in text
    assert "Recorded in" in text
    assert len(lines) < 40


def test_a_good_run_is_short() -> None:
    lines = list(brief_lines(result(*[unit()] * 5000), selection(), []))
    assert "NEEDS SOMEBODY" not in lines and "WHAT TO DO" not in lines and len(lines) < 10


def test_what_was_passed_over_is_counted() -> None:
    link = rules.LINK_PASSED.found("A symbolic link was not followed.", "/srv/a")
    packed = archiverules.PASSED_OVER.found(archiverules.NOT_LOOKED_INTO, "/srv/b.tar.gz")
    looked = archiverules.PASSED_OVER.found("There is no bag in this archive.", "/srv/c.tar")
    for findings, line in (
        ((link, packed, looked), "  passed over: 1 link, 1 compressed archive."),
        ((packed, packed), "  passed over: 2 compressed archives."),
        ((link,), "  passed over: 1 link."),
        ((looked,), None),
    ):
        lines = list(brief_lines(result(unit(), findings=findings), selection(), []))
        assert [told for told in lines if "passed over" in told] == ([line] if line else [])
        assert "NEEDS SOMEBODY" not in lines


def test_the_same_is_said_once() -> None:
    text = "\n".join(brief_lines(result(unit("missing", 1, GONE, GONE)), selection(), []))
    assert text.count("is listed but not there") == 1


def test_it_is_ascii_and_narrow() -> None:
    odd = "/srv/b\u00e4nder/\u202etape \x1b[31m\udcff"
    strange = rules.FILE_MISSING.found(f"{odd} is not there " + "because of many words " * 9, odd)
    units = [unit("bad", n, strange, strange, strange, strange) for n in range(80)]
    chosen = selection(again=(odd,) * 9, sample=sampled(at_most=None, checked=3), remarks=("word " * 40,))
    lines = list(brief_lines(result(*units), chosen, [f"Recorded in {odd} (3 lines)."]))
    assert all(line.isascii() and line.isprintable() for line in lines)
    assert all(len(line) <= 72 or " " not in line.strip() for line in lines[1:])
    assert any("and 30 more;" in line for line in lines)


def test_many_more_are_counted_and_digests_cut() -> None:
    digest = "0123456789abcdef" * 8
    (line,) = [
        line
        for line in brief_lines(
            result(unit("bad", 1, rules.FILE_MISSING.found(f"has {digest}", "a.wav"))), selection(), []
        )
        if "a.wav" in line
    ]
    assert line == "    a.wav: has 0123456789abcdef..."


def test_a_command_is_neither_wrapped_nor_cut_short() -> None:
    """Wrapped, or with a digest cut short, it could not be typed."""
    command = f"provpack heal /srv/{'0123456789abcdef' * 4}/t01 /mnt/second/t01 --to /srv/healed"
    lines = list(brief_lines(result(unit()), selection(), ["To heal it:", command, f"As {command}"]))
    assert f"  {command}" in lines
    assert not any(command in line for line in lines if line.startswith("  As "))


def test_an_amount_is_not_broken_over_two_lines() -> None:
    """Broken, `1 203` would be read as two amounts."""
    for n in range(60):
        lines = list(brief_lines(result(unit()), selection(), ["x" * n + " and 1 203 417 packages besides"]))
        assert sum("1 203 417" in line for line in lines) == 1
        assert all(line.isascii() and len(line) <= 72 for line in lines)


def test_what_was_chosen() -> None:
    (line,) = selection_lines(selection(bare=3))
    assert line == (
        "1 417 packages known, 214 due (not found good for 365 days, or once bad), 3 without a good check "
        "before; 214 checked, the longest unchecked first."
    )
    lines = list(
        selection_lines(
            selection(
                checked=14, left=200, oldest_left=datetime(2024, 3, 1, tzinfo=UTC), again=("/srv/a",),
                time_budget=timedelta(minutes=90), round=timedelta(days=3, hours=4), remarks=("Mind this.",),
            )
        )
    )  # fmt: skip
    assert lines[1:] == [
        "No more was begun after 1 hour 30 minutes: 200 left, oldest check 2024-03-01. The same command "
        "goes on there.",
        "At this speed the whole round of 214 packages takes about 3 days 4 hours.",
        "Once found bad or missing, so checked every time: /srv/a.",
        "Mind this.",
    ]
    assert list(selection_lines(selection(wish=Wish()))) == []


def test_what_a_sample_says() -> None:
    first, second = selection_lines(selection(wish=Wish(), sample=sampled(not_good=1, at_most=76)))
    assert first == (
        "Sample: 59 of 1 000 packages drawn at random (seed 7); of 59 checked, 58 good and 1 not."
    )
    assert second.startswith(
        "With 95 % confidence at most 76 of the 1 000 are not good, at the depth of this"
    )
    assert "Of all samples that could have been drawn, at least 95 % lead to a figure that holds" in second
    unfinished = list(selection_lines(selection(sample=sampled(checked=3, at_most=None))))
    assert unfinished[-1].startswith("The sample was not finished, so it says nothing")
    besides = list(selection_lines(selection(sample=sampled(), again=("/a", "/b"))))
    assert besides[-1] == "Not part of these figures: 2 packages once found bad, checked besides."
