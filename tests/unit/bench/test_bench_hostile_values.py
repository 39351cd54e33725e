"""Values that are no answer: the page and `jot` refuse them in words, and a sheet that has them is told."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from support.benchdesk import Evening
from support.benchsheets import declare, write_job
from support.jobs import wav

from provpack.edge.schemas import validate
from provpack.errors import ProvpackError
from provpack.jobs.benchdesk import Desk, DeskInfo
from provpack.jobs.benchview_packages import _work
from provpack.jobs.check import check_job
from provpack.jobs.progress import Silent
from provpack.package.names import unfit_job_id
from provpack.report.bench_words import place, plainly, remedy

NOW = datetime(2026, 6, 3, tzinfo=UTC)
PLACES: dict[str, list[dict[str, Any]]] = {
    "job": [{"job_id": "J1", "client": "Ambersund", "transfer_organisation": "Grauwell"}],
    "defaults": [{}], "chain": [], "transfer": [{"transfer_id": "T1"}], "equipment": [],
}  # fmt: skip

# Kinds of marks: Unicode Standard Annex 9, section 2; control characters: Unicode, general category Cc.
UNSEEN = {
    "NUL": "Even\0ing", "bell": "Evening\a", "escape": "\x1b[31mEvening", "C1": "Even\x85ing",
    "no character": "Evening\uffff",
}  # fmt: skip
TURNED = {
    "override": "Evening \u202egniht", "override that ends": "a \u202eb\u202c c",
    "left-to-right override": "\u202da\u202c", "embedding left open": "\u202bEvening",
    "isolate left open": "Evening \u2067x", "end of nothing": "Evening\u2069", "pop of nothing": "a\u202c",
    "over a line": "\u2067a\nb\u2069", "crossed": "\u2067\u202aa\u2069\u202c",
}  # fmt: skip
TAKEN = (
    "\u2067\u05e2\u05e8\u05d1\u2069, side 2",
    "\u202b\u05e2\u05e8\u05d1\u202c",
    "two\nlines\tand a tab",
    "Gr\u00fc\u00dfe",
)


@pytest.fixture
def evening(tmp_path: Path) -> Evening:
    return Evening(tmp_path / "job")


def job(tmp_path: Path, **values: Any) -> Path:
    """The sheets state these values of T1."""
    return write_job(tmp_path / "sheets", {**PLACES, "transfer": [{"transfer_id": "T1", **values}]})


def told(folder: Path) -> dict[str, str]:
    """Rule -> what was found, for each rule that was broken."""
    result = check_job(folder, now=NOW, progress=Silent(), validate=validate)
    return {f.rule: f.what for f in result.findings if f.severity == "error"}


def state(evening: Evening, field: str, value: Any, scope: str = "transfer", code: str = "") -> Any:
    members = {"scope": scope, "id": "T1" if scope == "transfer" else None, "field": field, "value": value}
    return evening.refused(code, "declared", **members) if code else evening.act("declared", **members)


# -- what nobody sees ----------------------------------------------------------------------------------------
@pytest.mark.parametrize("text", UNSEEN.values(), ids=UNSEEN)
@pytest.mark.parametrize("field", ["title", "label_transcription", "operator", "carrier_id"])
def test_a_control_character_is_refused_and_told(
    evening: Evening, tmp_path: Path, field: str, text: str
) -> None:
    said = state(evening, field, text, code="no-such-value")
    assert "which nobody can see" in said.what
    assert said.todo == "Type it again."
    assert state(evening, field, {"cell": text}, code="no-such-value").what == said.what
    assert {"row-control-character", "job-sheet-nul"} & set(told(job(tmp_path, **{field: text})))


@pytest.mark.parametrize("text", TURNED.values(), ids=TURNED)
def test_a_mark_that_turns_letters_is_refused_and_told(evening: Evening, tmp_path: Path, text: str) -> None:
    said = state(evening, "title", text, code="no-such-value")
    assert "writing direction" in said.what
    assert all(c.isprintable() for c in said.what), "it is shown as U+xxxx, and turns nothing in the message"
    assert told(job(tmp_path, title=text))["row-text-direction"] == said.what
    (tmp_path / "log").mkdir()
    folder = write_job(tmp_path / "log" / "job", PLACES)
    declare(folder, "transfer", "T1", "title", text)
    assert "row-text-direction" in told(folder), "a line that was written before this rule"


@pytest.mark.parametrize("text", TAKEN)
def test_other_scripts_with_marks_that_end_are_taken(evening: Evening, tmp_path: Path, text: str) -> None:
    assert state(evening, "title", text).entry["value"] == text
    assert not {"row-control-character", "row-text-direction"} & set(told(job(tmp_path, title=text)))


@pytest.mark.parametrize("text", ["a\0b", "\u202etxet"])
def test_notes_reasons_and_names_are_held_to_it_too(evening: Evening, text: str) -> None:
    evening.refused("not-a-text", "noted", note=text)
    evening.start("T1", "A")
    evening.refused("not-a-text", "event", transfer_id="T1", type="mute", note=text)
    evening.refused("not-a-text", "pass_stopped", transfer_id="T1", outcome="complete", note=text)
    evening.refused("not-an-id", "taken_in", transfer_id=text)
    with pytest.raises(ProvpackError) as caught:
        evening.desk.act("noted", {"note": "x"}, by=text, through="page")
    assert caught.value.code == "bench-not-a-text"
    assert "'Who is at the bench'" in caught.value.what or caught.value.where == "by"


# -- the job's own name --------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "said", ["../x", ".", "..", "a/../b", "/", "a//b", "a\\..\\b", "!!!", "J\0", "J\u200b1", "\u202eJ"]
)
def test_a_job_is_not_called_like_a_path_or_like_nothing(evening: Evening, tmp_path: Path, said: str) -> None:
    for value in (said, {"cell": said}):
        refusal = state(
            evening, "job_id", value, "job", code="not-an-id" if unfit_job_id(said) else "no-such-value"
        )
        assert refusal.todo
    folder = write_job(tmp_path / "other" / "job", {**PLACES, "job": [{**PLACES["job"][0], "job_id": said}]})
    rules = {"job-id-unfit", "job-sheet-nul", "row-hidden-space", "row-text-direction"}
    assert rules & set(told(folder))


@pytest.mark.parametrize("value", [None, {"cell": ""}, {"cell": "  "}])
def test_a_job_keeps_a_name(evening: Evening, value: Any) -> None:
    said = state(evening, "job_id", value, "job", code="member-missing")
    assert "every package is named after it" in said.what


@pytest.mark.parametrize("said", ["GTR-2026/044", "2026.1", "J 1", "\u00c4-7"])
def test_names_of_jobs_that_rooms_use_are_taken(evening: Evening, said: str) -> None:
    assert state(evening, "job_id", said, "job").entry["value"] == said


# -- times ---------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("field", "text"),
    [
        ("condition_assessed_at", "1000-01-01"),
        ("condition_assessed_at", "0000-01-01"), ("retention_until", "0001-01-01"),
        ("started_at", "1000-01-01T10:00:00+00:00"),
    ],
)  # fmt: skip
def test_a_date_before_any_recording_is_refused_and_told(
    evening: Evening, tmp_path: Path, field: str, text: str
) -> None:
    said = state(evening, field, text, code="no-such-value")
    assert {"row-date-too-early", "row-date"} & set(told(job(tmp_path, **{field: text})))
    assert said.what in told(tmp_path / "sheets").values()


@pytest.mark.parametrize("text", ["0000-01-01", "1000", "17XX", "1200/1986", "../1066"])
def test_a_recording_before_there_was_any_is_told_and_kept(
    evening: Evening, tmp_path: Path, text: str
) -> None:
    """What the owner says of a recording is kept as it is said."""
    said = state(evening, "recorded_date", text)
    assert said.entry["value"] == text
    assert any("older than 1850" in warning for warning in said.warnings)
    result = check_job(job(tmp_path, recorded_date=text), now=NOW, progress=Silent(), validate=validate)
    assert [f.severity for f in result.findings if f.rule == "row-date-too-early"] == ["warning"]


@pytest.mark.parametrize("text", ["1986-11-02", "198X", "19XX", "1984/..", "1901", "1986?", "../1985"])
def test_dates_of_recordings_are_taken(evening: Evening, text: str) -> None:
    assert state(evening, "recorded_date", text).entry["value"] == text


def test_a_start_long_ago_or_still_to_come_is_refused(evening: Evening) -> None:
    settings = evening.desk.settings("A")
    for at, code in (
        ("1000-01-01T21:00:00+01:00", "long-ago"), ("2025-06-01T21:00:00+02:00", "long-ago"),
        ("2027-06-02T21:00:00+02:00", "not-yet"),
    ):  # fmt: skip
        evening.refused(
            code, "pass_started", transfer_id="T1", chain_id="A", settings=settings, happened_at=at
        )
        evening.refused(code, "noted", note="x", happened_at=at)
    before = (evening.at - timedelta(days=4)).isoformat()
    said = evening.act("pass_started", transfer_id="T1", chain_id="A", settings=settings, happened_at=before)
    assert any("4 days ago" in warning for warning in said.warnings)


@pytest.mark.parametrize(("text", "code"), [
    ("1960-01-01T10:00:00+00:00", "long-ago"), ("2027-01-01T10:00:00+00:00", "not-yet"),
])  # fmt: skip
def test_what_is_stated_of_a_pass_lies_between_the_first_files_and_now(
    evening: Evening, tmp_path: Path, text: str, code: str
) -> None:
    state(evening, "started_at", text, code=code)
    entry = {"n": 1, "started_at": text, "outcome": "complete"}
    state(evening, "passes", [entry], code=code)
    rule = {"long-ago": "row-pass-too-early", "not-yet": "row-pass-future"}[code]
    assert rule in told(job(tmp_path, started_at=text))


# -- words that contradict each other ------------------------------------------------------------------------
@pytest.mark.parametrize(
    "words", [["unknown", "crease"], ["crease", "not_observed"], ["unknown", "not_observed"]]
)
def test_nobody_knows_and_what_was_seen_do_not_go_together(
    evening: Evening, tmp_path: Path, words: list[str]
) -> None:
    said = state(evening, "condition_terms", words, code="no-such-value")
    assert "cannot both be so" in said.what
    assert (
        state(evening, "condition_terms", {"cell": "|".join(words)}, code="no-such-value").what == said.what
    )
    assert told(job(tmp_path, condition_terms=words))["row-list"] == said.what
    assert state(evening, "condition_terms", ["unknown"]).entry["value"] == ["unknown"]
    assert state(evening, "condition_terms", ["crease", "dust"]).entry["value"] == ["crease", "dust"]


# -- papers of the job ---------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "paper", ["bench-log.jsonl", "job.toml", "./job.toml", "equipment.toml", "transfers.csv"]
)
@pytest.mark.parametrize("field", ["file", "photos", "condition_photos"])
def test_a_paper_of_the_job_is_no_sound_and_no_photograph(
    evening: Evening, tmp_path: Path, field: str, paper: str
) -> None:
    value = paper if field == "file" else [paper]
    said = state(evening, field, value, code="own-paper")
    assert "is a paper of the job itself" in said.what
    folder = job(tmp_path, **{field: value})
    (folder / "bench-log.jsonl").write_text("")
    if paper == "transfers.csv":
        return  # beside [[transfer]] tables it would be a second sheet
    assert "row-file-own-paper" in told(folder)


def test_a_pass_has_no_paper_for_its_file(evening: Evening) -> None:
    state(evening, "passes", [{"n": 1, "outcome": "complete", "file": "job.toml"}], code="own-paper")
    (evening.folder / "x.wav").write_bytes(wav(bytes(400)))
    assert state(evening, "file", "x.wav").entry["value"] == "x.wav"


# -- words of the page ---------------------------------------------------------------------------------------
@pytest.mark.parametrize("word", ["unknown", "Not known", "not_observed"])
def test_a_machine_nobody_knows_has_a_stand_in(evening: Evening, tmp_path: Path, word: str) -> None:
    said = state(evening, "decoder_id", word)
    assert any("make and model 'not known'" in warning for warning in said.warnings)
    folder = job(tmp_path, decoder_id=word)
    (folder / "equipment.toml").write_text(
        'schema_version = "1.1.0"\n[[equipment]]\nid = "D"\nkind = "deck"\nmake_model = "V"\nserial = "1"\n'
    )
    result = check_job(folder, now=NOW, progress=Silent(), validate=validate)
    (found,) = (f for f in result.findings if f.rule == "row-equipment-unknown")
    assert "If nobody knows which decoder it was" in found.todo
    assert "leave it empty" in found.todo
    other = state(evening, "decoder_id", "DEC-9")
    assert not any("nobody knows" in warning for warning in other.warnings)


def test_a_pass_that_begins_with_a_machine_nobody_knows_says_so_too(evening: Evening) -> None:
    said = evening.start("T1", "A", decoder_id="unknown")
    assert any("If nobody knows which decoder it was" in warning for warning in said.warnings)


def test_findings_speak_of_fields_and_not_of_sheets() -> None:
    """What the pages show of a job in which much is missing and wrong."""
    assert plainly("'outcome' is missing.") == "'Outcome' is missing."
    assert place("bench-log.jsonl, row 12, column title (/item/title)") == "bench log, line 12"
    assert plainly("'x' is there (bench-log.jsonl, row 3).") == "'x' is there (bench log, line 3)."


def test_what_a_transfer_lacks_is_told_in_words_of_the_page(evening: Evening) -> None:
    from provpack.jobs.benchview_packages import packages_view

    for field, value in (("decoder_id", "unknown"), ("chain", "Z")):
        state(evening, field, value)
    view = packages_view(evening.desk, DeskInfo(destination=evening.folder.parent / "packages"))
    (row,) = (one for one in view["open"] if one["id"] == "T1")
    texts = [plainly(r["what"]) for r in row["reasons"]] + [
        remedy(r["what"], r["todo"]) for r in row["reasons"]
    ]
    assert any("There is no chain 'Z' in this job." in text for text in texts)
    for text in texts:
        assert not any(word in text for word in ("the row", "column", "[[", "_")), text


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("carrier_nominal_minutes", "ten"), ("carrier_nominal_minutes", {"cell": "1,5"}), ("title", "#REF!"),
        ("carrier_id", "1E+12"), ("carrier_id", "'x"), ("carrier_id", "a\nb"), ("carrier_id", "n/a"),
        ("condition_assessed_at", "3.4.86"), ("condition_assessed_at", "45000"),
        ("channel_status_raw", ["abc"]), ("passes", {"cell": "one"}), ("passes", [{"colour": "red"}]),
        ("treatments", [{"type": "baked"}]), ("programme_segments", [5]), ("photos", ["../x.png"]),
        ("carrier_type", "tin"), ("condition_terms", ["creased"]), ("sampling_frequency", {"cell": "44.1"}),
    ],
)  # fmt: skip
def test_what_is_refused_at_the_bench_is_refused_in_its_words(
    evening: Evening, field: str, value: Any
) -> None:
    """No cell, no column, no key, no name of a field as the sheets write it."""
    with pytest.raises(ProvpackError) as caught:
        state(evening, field, value)
    what = plainly(caught.value.what)
    assert not re.search(r"\b(cells?|columns?|keys?|the sheet|Declared|Derived)\b|\[\[", what), what
    assert not re.search(r"\b(cells?|columns?|keys?|\w+\.csv)\b|\[\[|Fill ", plainly(caught.value.todo))
    assert f"'{field}'" not in what
    assert caught.value.todo


def test_a_refusal_of_wrap_is_told_once() -> None:
    wrong = {"severity": "error", "what": "It has 16 bits in use.", "todo": "Look at it."}
    other = {"severity": "error", "what": "Another thing.", "todo": ""}
    problem = {
        "what": f"What was measured contradicts what is declared: {wrong['what']}",
        "todo": "Look at it.",
    }
    unit = {"transfer_id": "T1", "outcome": "refused", "findings": [wrong, other], "problem": problem}
    shown = _work({"work": "w1", "kind": "wrap", "state": "done", "result": {"units": [unit]}}, {})
    assert [f["what"] for f in shown["units"][0]["found"]] == [problem["what"], other["what"]]


def test_where_a_crossed_file_fits_is_told_once(tmp_path: Path) -> None:
    evening = Evening(tmp_path / "job")
    evening.act("taken_in", transfer_id="T2")
    evening.start("T1", "A")
    evening.start("T2", "B")
    evening.at += timedelta(seconds=60)
    name = evening.capture("captures/one/x.wav", 60)
    for one in ("T1", "T2"):
        evening.act("pass_stopped", transfer_id=one, outcome="complete")
    evening.at += timedelta(minutes=5)
    for starts, code in (
        ("1000-01-01T21:00:00+01:00", "long-ago"),
        ("2027-01-01T21:00:00+01:00", "not-a-time"),
    ):
        evening.refused(code, "file_attached", transfer_id="T1", file=name, starts_at=starts)
    said = evening.refused("file-does-not-fit", "file_attached", transfer_id="T2", file=name)
    assert f"{said.what} {said.todo}".count("It would fit") == 1


def test_the_desk_can_be_read_while_a_line_of_old_breaks_a_rule(tmp_path: Path) -> None:
    folder = write_job(tmp_path / "job", PLACES)
    declare(folder, "transfer", "T1", "title", "a\0b")
    desk = Desk(folder, now=lambda: NOW, tool_version="1.0.0")
    assert "row-control-character" in {f.rule for f in desk.job().all_findings()}
