"""What `check`, `wrap` and `verify` say on a screen: what is done, what is in the way, what comes next."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from provpack.errors import DestinationProblem, InputProblem
from provpack.findings import Finding, Severity
from provpack.jobs.check import CheckedTransfer, CheckResult
from provpack.jobs.verified import Examined, UnitResult, VerifyResult
from provpack.jobs.wrapped import WrapResult, WrapUnit
from provpack.package.signrules import UNVOUCHED
from provpack.report.text import (
    check_lines,
    count_words,
    demo_lines,
    size_words,
    verify_lines,
    verify_outcome,
    wrap_lines,
)
from provpack.report.text import wrapped as wrapped_lines
from provpack.report.text_report import report_lines


def finding(severity: Severity, what: str = "What is wrong.", rule: str = "job-x", **more: Any) -> Finding:
    return Finding(rule=rule, severity=severity, what=what, where="job.toml", todo="Mend it.", **more)


@pytest.mark.parametrize(
    ("size", "words"),
    [(0, "0 bytes"), (999, "999 bytes"), (1000, "1 kB"), (1_234_567, "1.2 MB"), (999_940_000, "999.9 MB"),
     (1_000_000_000, "1 GB"), (12_345_678_901_234, "12.3 TB")],
)  # fmt: skip
def test_sizes(size: int, words: str) -> None:
    assert size_words(size) == words


def test_findings_are_counted_by_gravity() -> None:
    assert count_words([]) == "no findings"
    told = [finding("note"), finding("error"), finding("warning"), finding("error")]
    assert count_words(told) == "2 errors, 1 warning, 1 note"


# ---- check


def checked(*findings: Finding, **transfer: Any) -> list[str]:
    one = {
        "transfer_id": "T01", "declared_at": "transfers.csv, row 2", "package_name": "j_t01", "file": "a.wav",
        "frames": 44_100, "errors": 0, "warnings": 0, **transfer,
    }  # fmt: skip
    result = CheckResult(
        folder="/job", job_id="J-1", transfers=(CheckedTransfer(**one),), findings=findings,
        job=SimpleNamespace(), by_transfer=(), job_findings=(),  # type: ignore[arg-type]
    )  # fmt: skip
    return list(check_lines(result))


def test_a_job_in_which_everything_fits() -> None:
    lines = checked()
    assert lines[0] == "Job J-1 in /job: 1 transfer"
    assert lines[2].split() == ["T01", "ready", "44100", "frames", "->", "j_t01"]
    assert lines[-2:] == ["no findings.", "Everything fits. Next: provpack wrap JOB --to DIR"]


@pytest.mark.parametrize(
    ("severity", "state", "last"),
    [
        ("warning", "has warnings", "Nothing stands in the way. Read the warnings"),
        ("error", "has errors", "Transfers with errors will not be wrapped."),
    ],
)
def test_what_stands_in_the_way_of_a_job(severity: Severity, state: str, last: str) -> None:
    lines = checked(
        finding("note"), finding(severity, reference="RFC 8493"), transfer_id="", frames=None,
        **{"errors" if severity == "error" else "warnings": 1},
    )  # fmt: skip
    gravest = lines.index(f"{severity.upper():8}job.toml")
    assert gravest < lines.index("NOTE    job.toml")
    assert lines[gravest + 1 : gravest + 4] == [
        "        What is wrong.", "        To do: Mend it.", "        (job-x; RFC 8493)",
    ]  # fmt: skip
    (row,) = [line for line in lines if "-> j_t01" in line]
    assert "(no id)" in row and state in row and "no audio file" in row
    assert lines[-1].startswith(last)


@pytest.mark.parametrize("csv", [True, False])
def test_a_proposed_assembly_is_told_as_it_can_be_put_into_the_sheet(csv: bool) -> None:
    passes = SimpleNamespace(sheet_text=lambda: "a,b\n1,2\n", csv=csv)
    lines = checked(passes=passes, declared_at="job.toml, [[transfer]] 1")
    place = "assembly.csv" if csv else "job.toml, below [[transfer]] 1"
    at = lines.index(f"Proposed assembly of T01, for {place}:")
    assert lines[at + 1 : at + 5] == ["", "a,b", "1,2", ""]
    nothing = SimpleNamespace(sheet_text=lambda: "", csv=csv)
    assert not any("Proposed" in line for line in checked(passes=nothing))


# ---- wrap


def wrapped(*units: WrapUnit, **more: Any) -> list[str]:
    made = {
        "folder": "/job",
        "job_id": "J-1",
        "destination": "/out",
        "dry_run": False,
        "findings": (),
        **more,
    }
    return list(wrap_lines(WrapResult(units=units, **made)))


DONE = WrapUnit(
    transfer_id="T01", package_name="j_t01", outcome="wrapped", tagmanifest_sha512="ab" * 64,
    payload_bytes=1_234_567, files=(("data/master/a.wav", 1_234_567),),
)  # fmt: skip


def test_what_was_wrapped_and_what_comes_next() -> None:
    lines = wrapped(DONE, left=("T02", ""))
    assert lines[0] == "Job J-1 to /out"
    assert "  T01                      wrapped    -> j_t01  1.2 MB in 1 file" in lines
    assert f"      SHA-512 of tagmanifest-sha512.txt {'ab' * 16}..." in lines
    assert lines[-3:] == [
        "1 of 1 transfer wrapped.", "Not asked for, and left (2): T02, (no id)", "Next: provpack verify /out",
    ]  # fmt: skip


def test_a_dry_run_says_what_would_be_there() -> None:
    planned = WrapUnit(transfer_id="T01", package_name="j_t01", outcome="planned", payload_bytes=5,
                       files=(("data/master/a.wav", 5),))  # fmt: skip
    lines = wrapped(planned, dry_run=True, job_id="", findings=(finding("note"),))
    assert lines[0] == "Job (without job_id) to /out  (dry run: nothing was written)"
    assert "      data/master/a.wav  5 bytes" in lines
    assert "      and the metadata, report, manifests and READ-ME-FIRST.txt" in lines
    assert lines[-1] == "1 of 1 transfer would be wrapped." and "NOTE    job.toml" in lines


def test_what_was_not_wrapped_is_told_with_the_reason() -> None:
    there = DestinationProblem("destination-exists", "It is there.", where="/out/j_t02", todo="Look at it.")
    broken = InputProblem("wav-bad", "It is cut short.", where="b.wav", todo="Transfer again.")
    units = (
        DONE,
        WrapUnit(transfer_id="T02", package_name="j_t02", outcome="failed", problem=there),
        WrapUnit(transfer_id="", package_name="j_t03", outcome="refused", problem=broken,
                 findings=(finding("error"),)),
    )  # fmt: skip
    lines = wrapped(*units)
    assert "1 of 3 transfers wrapped." in lines
    assert "Left alone, because something of that name lies there already: T02" in lines
    assert "Whether those are whole packages: provpack verify /out" in lines
    assert "NOT wrapped: (no id)" in lines and not any(line.startswith("Next:") for line in lines)
    at = lines.index("      It is cut short.")
    assert lines[at + 1 : at + 3] == ["      Where: b.wav", "      To do: Transfer again."]
    assert "      ERROR   job.toml" in lines


# ---- verify


def unit(outcome: Any = "good", **more: Any) -> UnitResult:
    made = {
        "path": "/a/j_t01", "path_base64": None, "outcome": outcome, "depth": "bytes", "name": "j_t01",
        "started_at": "2031-05-04T10:00:00Z", "finished_at": "2031-05-04T10:10:00Z", **more,
    }  # fmt: skip
    return UnitResult(**made)


def verified(*units: UnitResult, recorded: tuple[str, ...] = (), **more: Any) -> list[str]:
    made = {"depth": "bytes", "started_at": "x", "finished_at": "y", "units": units, **more}
    return list(verify_lines(VerifyResult(**made), recorded))


def test_a_good_package_in_an_archive() -> None:
    one = unit(
        payload_files=2,
        payload_bytes=2000,
        algorithms=("sha512", "sha256"),
        serialisation="application/x-tar",
    )
    lines = verified(one, recorded=("Written into the ledger.",))
    assert lines[0] == "GOOD            /a/j_t01"
    assert lines[1].strip() == "2 payload files, 2 kB; depth bytes; sha512 + sha256"
    assert lines[2].strip() == "bag j_t01, read in place in the tar archive"
    assert lines[-2:] == ["1 good (depth bytes).", "Written into the ledger."]


def test_what_is_wrong_says_what_not_to_do() -> None:
    lines = verified(unit("bad"), unit("missing"), unit("could_not_check", payload_files=1, algorithms=()))
    text = "\n".join(lines)
    assert "Repair nothing and delete nothing. Fetch the other copy" in text
    assert "could_not_check is neither good nor bad" in text and "nothing compared" in text
    assert "Repair nothing" not in "\n".join(verified(unit()))
    assert "0 packages checked (depth listed)." in verified(depth="listed")
    assert "The payload was not read" in "\n".join(verified(depth="listed"))


@pytest.mark.parametrize(
    ("demands", "said", "outcome"),
    [
        ("met", "signature: valid; what was asked: met (signer op@example; keys 2)", "good"),
        ("not_asked", "signature: valid (signer op@example; keys 2)", "good"),
        ("not_met", "1 package: what was asked beyond being intact is NOT met.", "intact, but not as asked"),
        ("could_not_check", "1 package: what was asked could not be checked.",
         "intact; what was asked could not be checked"),
    ],
)  # fmt: skip
def test_what_was_asked_beyond_being_intact(demands: str, said: str, outcome: str) -> None:
    facts = {"signer": "op@example", "keys": 2, "trusted": True, "note": ""}
    one = unit(examined=(Examined(topic="signature", state="valid", demands=demands, facts=facts),))
    text = " ".join(" ".join(verified(one)).split())
    assert said in text
    result = VerifyResult(depth="bytes", started_at="x", finished_at="y", units=(one,))
    assert verify_outcome(result) == outcome


def test_what_is_the_same_for_many_packages_is_told_once() -> None:
    note = UNVOUCHED.found("The signature fits, and nobody says whose key it is.", "a.sig")
    assert note.severity == "note"
    one, many = ("\n".join(verified(*[unit(findings=(note,))] * times)) for times in (1, 3))
    assert "nobody says whose key it is" in one and "but no list of signers was named" not in one
    assert "nobody says whose key it is" not in many
    assert many.count("The signatures of 3 packages fit, but no list of signers was named") == 1
    assert "NOTE    3 packages" in many


@pytest.mark.parametrize(
    ("page", "archive", "written", "said"),
    [
        (None, None, None, "The package holds no page of its own."),
        ("/p/index.html", None, None, "Its page, to be opened in a web browser: /p/index.html"),
        ("data/report/index.html", "application/x-tar", None, "Its page lies in the archive as data/report/"),
        (None, None, "/out/page.html", "A new page was drawn: /out/page.html"),
    ],
)
def test_where_the_page_of_a_package_is(
    page: str | None, archive: str | None, written: str | None, said: str
) -> None:
    result = {
        "title": None, "package_name": "j_t01", "summary": ["One reel."], "listen": [], "cautions": [],
        "findings": [], "page": page, "serialisation": archive, "written": written,
    }  # fmt: skip
    lines = list(report_lines(result))
    assert lines[:2] == ["Without a title (j_t01)", "  One reel."]
    assert any(line.startswith(said) for line in lines)
    assert any(line.startswith("A new page") for line in lines) == (written is not None)


def test_what_a_package_asks_of_whoever_listens_stands_in_points() -> None:
    warned = {"severity": "warning", "what": "Nobody noted who took part.", "rule": "rec-people"}
    result = {
        "title": "Harbour songs", "package_name": "j_t01", "summary": ["One reel."],
        "listen": ["A mute at 0:10:00."], "cautions": ["It may hold names. " * 6], "findings": [warned],
        "page": None, "serialisation": None, "written": None,
    }  # fmt: skip
    lines = list(report_lines(result))
    assert lines[2:5] == ["What to listen for:", "  - A mute at 0:10:00.", "Cautions:"]
    assert lines[5].startswith("  - It may hold names.") and lines[6].startswith("    ")
    at = lines.index("What today's rules say of the record:")
    assert lines[at + 1] == "  - warning: Nobody noted who took part. (rec-people)"


@pytest.mark.parametrize(
    ("width", "lines"),
    [
        (26, ["  and then 1 203 417", "    packages were read"]),
        (17, ["  and then", "    1 203 417", "    packages were", "    read"]),
        (8, ["  and", "    then", "    1 203 417", "    packages", "    were", "    read"]),
    ],
)
def test_an_amount_is_never_broken_over_two_lines(width: int, lines: list[str]) -> None:
    """Broken, it would read as two amounts: 1, and 203 417."""
    assert wrapped_lines("and then 1 203 417 packages were read", "  ", "    ", width) == lines


def test_groups_of_three_digits_that_are_no_amount_are_broken_as_words_are() -> None:
    lines = wrapped_lines("blocks " + "101 " * 60, "")
    assert len(lines) == 3 and all(len(line) <= 100 for line in lines)
    assert wrapped_lines("on 2031-05-04 1203 417", "", None, 15) == ["on 2031-05-04", "1203 417"]
    assert wrapped_lines("in 1203 417", "", None, 7) == ["in 1203", "417"]


# ---- demo


@pytest.mark.parametrize("handed", [0, 1])
def test_where_to_look_after_the_demonstration(handed: int) -> None:
    wrap = WrapResult(
        folder="/job", job_id="J-1", destination="/out", dry_run=False, findings=(),
        units=(DONE, WrapUnit(transfer_id="T02", package_name="j_t02", outcome="refused", path="/out/j_t02")),
    )  # fmt: skip
    verify = VerifyResult(depth="bytes", started_at="x", finished_at="y", units=(unit(),))
    one = SimpleNamespace(
        delivered=SimpleNamespace(client="Harbour Museum", delivery="/d/D-1", delivered=("j_t01",)),
        received=SimpleNamespace(receipt="/c/r.json", outcome="accepted"),
        closed=SimpleNamespace(lines_written=2, outcome="closed"),
    )
    lines = list(demo_lines("/job", 1, wrap, verify, ("Written.",), [one] * handed))
    assert lines[0] == "Made an invented job of 1 file: /job"
    assert "1 of 2 transfers wrapped." in lines and "Written." in lines
    told = "Delivered to Harbour Museum, received there, and closed with the receipt:"
    assert (told in lines) == bool(handed) and ("  /d/D-1/index.html" in lines) == bool(handed)
    assert ("  ledger    2 lines written: closed" in lines) == bool(handed)
    assert lines[-1] == "wrap your own: provpack check /job"
    assert not any("j_t02/data/report" in line for line in lines)
