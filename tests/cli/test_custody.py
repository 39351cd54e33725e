"""`provpack enter` and `provpack custody`: what they append, tell and refuse, and with which exit code."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from cli.commandline import fits, names_of, no_traceback, run, run_process, told
from support.jobs import make_job

from provpack.edge.ledger import LEDGER_NAME, read_entries
from provpack.edge.schemas import validate
from provpack.errors import CouldNotCheck
from provpack.jobs.custodyview import look_at_custody
from provpack.jobs.enter import NEEDS
from provpack.package.ledgerline import FIXITY_CHECKED, HEALED, KINDS, WRAPPED

ARCHIVE = "Ambersund Chamber Archive"
# kind -> a command line that is complete, and the options without which it is refused
COMPLETE: dict[str, tuple[list[str], list[str]]] = {
    "carrier_received": (["--carrier", "C1", "--organisation", ARCHIVE], ["--carrier", "--organisation"]),
    "pass_made": (["--carrier", "C1", "--equipment", "DECK-1"], ["--carrier", "--equipment"]),
    "delivered": (["--package", "p", "--organisation", ARCHIVE], ["--package", "--organisation"]),
    "accepted": (["--package", "p"], ["--package"]),
    "refused": (["--package", "p", "--note", "damaged"], ["--package", "--note"]),
    "carrier_returned": (["--carrier", "C1", "--organisation", ARCHIVE], ["--carrier", "--organisation"]),
    "retained": (["--package", "p", "--until", "2040-01-01"], ["--package", "--until"]),
    "destroyed": (["--carrier", "C1", "--note", "mould; as agreed"], ["--carrier", "--note"]),
    "fault_noted": (["--equipment", "D", "--note", "post loose", "--since", "2026-01-01"],
                    ["--equipment", "--note"]),
    "fault_cleared": (["--equipment", "D", "--note", "tested"], ["--equipment", "--note"]),
    "superseded": (["--package", "p", "--note", "by q"], ["--package", "--note"]),
    "copied": (["--package", "p", "--note", "to disk 7"], ["--package", "--note"]),
    "moved": (["--carrier", "C1", "--note", "to shelf 4"], ["--carrier", "--note"]),
    "note": (["--note", "power cut at noon"], ["--note"]),
}  # fmt: skip


def entered(folder: Path, *words: str) -> dict[str, object]:
    said = run("enter", folder, *words, "--json")
    assert said.code in (0, 1), said.err
    fits("enter", said.json())
    return said.json()


def test_every_kind_is_entered_by_hand_or_by_a_command() -> None:
    assert set(NEEDS) == set(COMPLETE) == set(KINDS) - {WRAPPED, FIXITY_CHECKED, HEALED}


@pytest.mark.parametrize("kind", COMPLETE)
def test_a_complete_line_is_appended_and_an_incomplete_one_refused(kind: str, tmp_path: Path) -> None:
    words, needed = COMPLETE[kind]
    if kind == "fault_cleared":
        noted = ("fault_noted", "--equipment", "D", "--note", "post loose")
        entered(tmp_path, *noted, "--at", "2026-02-01")
    before = (tmp_path / LEDGER_NAME).read_bytes() if kind == "fault_cleared" else b""
    for option in needed:
        at = words.index(option)
        said = run("enter", tmp_path, kind, *words[:at], *words[at + 2 :], "--json")
        assert (said.code, said.json()["error"]["code"]) == (2, "enter-incomplete")
        assert option in said.json()["error"]["what"]
    assert (tmp_path / LEDGER_NAME).exists() == bool(before)
    value = entered(tmp_path, kind, *words, "--by", "front desk", "--at", "2026-02-03")
    last = read_entries(tmp_path / LEDGER_NAME)[-1]
    assert value["lines"] == [last]
    assert (last["kind"], last["person"], last["happened_at"]) == (kind, "front desk", "2026-02-03")
    assert validate("ledger-entry", last) == []


WRONG: dict[str, list[str]] = {
    "wrapped by hand": ["wrapped", "--package", "p"],
    "checked by hand": ["fixity_checked", "--package", "p"],
    "healed by hand": ["healed", "--package", "p"],
    "no such kind": ["sung_to", "--carrier", "C"],
    "no kind": [],
    "no such day": ["note", "--note", "x", "--at", "2026-02-30"],
    "no offset": ["note", "--note", "x", "--at", "2026-02-03T10:00:00"],
    "not yet": ["note", "--note", "x", "--at", "2999-01-01"],
    "until of a note": ["note", "--note", "x", "--until", "2030-01-01"],
    "nothing to clear": ["fault_cleared", "--equipment", "D", "--note", "x"],
    "too long": ["note", "--note", "x" * 20_001],
    "delivery without number": ["accepted", "--delivery", "the one of June"],
    "both ways": ["note", "--from-job", "job"],
}


@pytest.mark.parametrize("name", WRONG)
def test_what_cannot_be_is_refused_and_nothing_written(name: str, tmp_path: Path) -> None:
    said = run("enter", tmp_path, *WRONG[name], "--json")
    fits("error", said.json())
    assert said.code == 2 and list(tmp_path.iterdir()) == []
    no_traceback(said.err)


def test_two_open_faults_must_be_told_apart(tmp_path: Path) -> None:
    for notice in ("F-1", "F-2"):
        entered(tmp_path, "fault_noted", "--equipment", "D", "--notice", notice, "--note", "x")
    said = run("enter", tmp_path, "fault_cleared", "--equipment", "D", "--note", "no harm")
    assert said.code == 2 and "--notice F-1" in said.err
    entered(tmp_path, "fault_cleared", "--equipment", "D", "--notice", "F-2", "--note", "no harm")
    assert len(run("custody", tmp_path, "--json").json()["open"]) == 1


def test_names_the_ledger_never_met_are_entered_and_said(tmp_path: Path) -> None:
    value = entered(tmp_path, "carrier_returned", "--carrier", "C9", "--organisation", ARCHIVE)
    assert value["outcome"] == "warnings" and names_of(told(value)) == {"custody-unknown-name"}
    assert len(read_entries(tmp_path / LEDGER_NAME)) == 1


def test_what_is_seldom_meant_is_entered_and_said(tmp_path: Path) -> None:
    back = ["carrier_returned", "--carrier", "C1", "--organisation", ARCHIVE]
    entered(tmp_path, "carrier_received", *back[1:])
    assert entered(tmp_path, "retained", "--carrier", "C1", "--until", "2999-01-01")["findings"] == []
    assert entered(tmp_path, *back)["findings"] == [], "what was retained is given back"
    again = entered(tmp_path, *back)
    past = entered(tmp_path, "retained", "--carrier", "C1", "--until", "1999-01-01")
    for value, rule in ((again, "custody-not-in-house"), (past, "custody-until-past")):
        assert value["outcome"] == "warnings" and names_of(told(value)) == {rule}
    assert len(read_entries(tmp_path / LEDGER_NAME)) == 5


def test_one_entry_is_one(tmp_path: Path) -> None:
    text = run("enter", tmp_path, "note", "--note", "x").out
    assert "The ledger has 1 entry now" in text
    assert "The ledger has 2 entries now" in run("enter", tmp_path, "note", "--note", "x").out


def test_one_line_for_each_subject(tmp_path: Path) -> None:
    words = ["--carrier", "A", "--carrier", "B", "--carrier", "A", "--organisation", ARCHIVE]
    value = entered(tmp_path, "carrier_received", *words)
    lines = value["lines"]
    assert isinstance(lines, list) and [line["carrier_id"] for line in lines] == ["A", "B"]


def test_the_folder_must_be_there(tmp_path: Path) -> None:
    assert run("enter", tmp_path / "none", "note", "--note", "x").code == 14
    assert run("enter", tmp_path, "--from-job", tmp_path / "none").code == 12
    assert run("custody", tmp_path).code == 11
    assert run("custody", tmp_path / "none").code == 11
    (tmp_path / "package").mkdir()
    (tmp_path / "package" / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    with pytest.raises(CouldNotCheck) as gone:
        look_at_custody(tmp_path, today=date(2026, 6, 1))
    assert "A package it should tell of lies here" in gone.value.what and "copies" in gone.value.todo
    (tmp_path / "pipe").mkdir()
    os.mkfifo(tmp_path / "pipe" / LEDGER_NAME)
    assert run("custody", tmp_path / "pipe").code == 11
    assert run("enter", tmp_path / "pipe", "note", "--note", "x").code == 15


# --- custody ---


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job wrapped, entered and checked, with a note that holds the ledger's head."""
    top = tmp_path_factory.mktemp("studio")
    make_job(top / "job", frames=3000)
    assert run("wrap", top / "job", "--to", top / "out").code in (0, 1)
    assert run("enter", top / "out", "--from-job", top / "job").code in (0, 1)
    assert run("verify", top / "out").code in (0, 1)
    said = run("enter", top / "out", "note", "--note", "delivered tomorrow", "--json").json()
    (top / "note.json").write_text(json.dumps({"ledger": said["head"]}))
    return top


@pytest.fixture
def place(studio: Path, tmp_path: Path) -> Path:
    shutil.copytree(studio / "out", tmp_path / "out")
    shutil.copy(studio / "note.json", tmp_path / "note.json")
    return tmp_path


def custody(place: Path, *words: str | Path) -> tuple[int, dict[str, object]]:
    said = run("custody", place / "out", *words, "--json")
    fits("custody", said.json())
    text = run("custody", place / "out", *words)
    assert text.code == said.code == said.json()["exit_code"]
    assert text.out.splitlines()[-1] == f"Outcome: {said.json()['outcome']} (exit code {said.code})"
    for found in told(said.json()):
        assert " ".join(found["what"].split()) in " ".join(text.out.split())
    return said.code, said.json()


def test_all_is_well(place: Path) -> None:
    before = {p: p.stat().st_mtime_ns for p in (place / "out").rglob("*")}
    code, value = custody(place, "--against", place / "note.json", "--at", "2026-12-31")
    assert (code, value["outcome"], value["open"]) == (0, "good", [])
    assert [p["verdict"] for p in value["papers"]] == ["met"]  # type: ignore[attr-defined]
    assert {p: p.stat().st_mtime_ns for p in (place / "out").rglob("*")} == before


def change(ledger: Path) -> None:
    data = ledger.read_bytes()
    ledger.write_bytes(data.replace(b'"outcome":"done"', b'"outcome":"good"'))


def cut(ledger: Path) -> None:
    ledger.write_bytes(b"".join(ledger.read_bytes().splitlines(True)[:-1]))


def tear(ledger: Path) -> None:
    ledger.write_bytes(ledger.read_bytes()[:-9])


def append_nonsense(ledger: Path) -> None:
    with ledger.open("ab") as f:
        f.write(b"hello\n")


@pytest.mark.parametrize(
    ("harm", "alone", "compared", "kind"),
    [(change, 10, 10, "changed"), (cut, 0, 10, "cut_off"), (tear, 1, 10, "cut_off"),
     (append_nonsense, 10, 10, "unclear")],
)  # fmt: skip
def test_harm_is_found(
    place: Path, harm: Callable[[Path], None], alone: int, compared: int, kind: str
) -> None:
    harm(place / "out" / LEDGER_NAME)
    assert custody(place)[0] == alone
    code, value = custody(place, "--against", place / "note.json")
    breaks = value["chain"]["breaks"]  # type: ignore[index]
    assert (code, value["outcome"], [b["kind"] for b in breaks]) == (compared, "bad", [kind])


BROKEN: list[Callable[[Path], object]] = [
    change, append_nonsense, lambda ledger: ledger.write_bytes(b"\0" * 300_000),
    lambda ledger: ledger.write_bytes(b""),
]  # fmt: skip


@pytest.mark.parametrize("harm", BROKEN, ids=["changed", "nonsense", "zeros", "emptied"])
def test_a_broken_ledger_is_told_and_nothing_is_entered(
    place: Path, studio: Path, harm: Callable[[Path], object]
) -> None:
    ledger = place / "out" / LEDGER_NAME
    harm(ledger)
    before = sorted((p.name, p.stat().st_size) for p in (place / "out").iterdir())
    code, value = custody(place)
    assert (code, value["outcome"]) == (10, "bad")
    rule = "custody-chain-broken" if ledger.stat().st_size else "custody-history-gone"
    assert rule in names_of(told(value))
    for words in (["note", "--note", "x"], ["--from-job", studio / "job"]):
        said = run("enter", place / "out", *words, "--json")
        fits("error", said.json())
        assert (said.code, said.json()["error"]["code"]) == (10, "ledger-broken")
        assert "provpack custody" in said.json()["error"]["todo"] and "copy" in said.json()["error"]["todo"]
    assert sorted((p.name, p.stat().st_size) for p in (place / "out").iterdir()) == before
    if ledger.stat().st_size in (0, 300_000):  # nor does a check make it look alive
        assert "NOT recorded" in run("verify", place / "out").out
        assert custody(place)[0] == 10


def test_what_was_set_aside_is_told_for_ever(place: Path) -> None:
    tear(place / "out" / LEDGER_NAME)
    entered(place / "out", "note", "--note", "x")
    code, value = custody(place)
    assert (code, value["outcome"], names_of(told(value))) == (0, "good", {"custody-set-aside"})
    (aside,) = (place / "out").glob("*.torn-*")
    assert aside.name in str(value["findings"])


def test_a_note_of_another_ledger_contradicts(place: Path) -> None:
    told_head = json.loads((place / "note.json").read_text())["ledger"]
    told_head["entries"] -= 1
    (place / "note.json").write_text(json.dumps({"ledger": told_head}))
    code, value = custody(place, "--against", place / "note.json")
    assert code == 10 and "custody-witness-contradicted" in names_of(told(value))


NO_PAPERS = ["", "{}", "[", '{"ledger":null}', '{"ledger":{"entries":true}}', "[" * 100_000, None,
             '{"ledger":{"entries":1,"last_sha512":"AB"}}']  # fmt: skip


@pytest.mark.parametrize("paper", NO_PAPERS)
def test_a_paper_that_tells_nothing_could_not_be_checked(place: Path, paper: str | None) -> None:
    (place / "note.json").unlink()
    if paper is not None:
        (place / "note.json").write_text(paper)
    code, value = custody(place, "--against", place / "note.json")
    assert (code, value["outcome"]) == (11, "could_not_check")


def test_what_is_open_is_told_with_days_and_what_to_do(place: Path) -> None:
    words = ["--carrier", "X-1", "--organisation", ARCHIVE, "--at", "2026-03-01"]
    entered(place / "out", "carrier_received", *words)
    code, value = custody(place, "--at", "2026-03-31")
    (one,) = value["open"]  # type: ignore[misc]
    assert (code, one["topic"], one["carrier"], one["days"]) == (1, "no_outcome", "X-1", 30)
    text = " ".join(run("custody", place / "out", "--at", "2026-03-31").out.split())
    assert "X-1" in text and "30 days" in text and "provpack enter DIR carrier_returned" in text


def test_a_history_is_told(place: Path) -> None:
    _, value = custody(place, "--package", "job-1_t01")
    said = [line["kind"] for line in value["history"]]  # type: ignore[attr-defined]
    assert said == ["pass_made", "wrapped", "fixity_checked"]
    code, value = custody(place, "--carrier", "T02")
    assert code == 1 and "Did you mean T01" in str(value["findings"])
    assert run("custody", place / "out", "--carrier", "a", "--package", "b").code == 2


def test_names_in_a_ledger_cannot_move_the_cursor(place: Path) -> None:
    entered(place / "out", "carrier_received", "--carrier", "\x1b[2Jx\u202e", "--organisation", "\x07bell")
    said = run_process("custody", place / "out", "--carrier", "\x1b[2Jx\u202e")
    assert said.code == 1 and not {"\x1b", "\x07", "\u202e"} & set(said.out + said.err)


def test_a_clearing_older_than_the_fault_is_refused(tmp_path: Path) -> None:
    noted = ("fault_noted", "--equipment", "D", "--notice", "F", "--note", "hum", "--since", "2026-06-01")
    entered(tmp_path, *noted, "--at", "2026-06-09")
    cleared = ("fault_cleared", "--equipment", "D", "--notice", "F", "--note", "tested")
    before = (tmp_path / LEDGER_NAME).read_bytes()
    for at in ("2020-01-01", "2026-06-05"):  # before it began; before anybody had found it
        said = run("enter", tmp_path, *cleared, "--at", at, "--json")
        assert (said.code, said.json()["error"]["code"]) == (2, "enter-incomplete")
    assert (tmp_path / LEDGER_NAME).read_bytes() == before
    entered(tmp_path, *cleared, "--at", "2026-06-09")  # the same day: it may have been later on it
