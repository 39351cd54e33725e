"""Names of persons in the words of a fault notice, where packages hold names back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest
from cli.commandline import run
from support.jobs import make_job
from unit.trace.test_trace_letters import paper
from unit.trace.traceworld import ARCHIVE, F1, MUSEUM, PACKAGES, catalogue, ledger, package, register

from provpack.catalogue.values import Listed
from provpack.edge.ledger import append
from provpack.jobs.loaded import Equipment
from provpack.jobs.trace import Question, everyone, trace
from provpack.jobs.traced import Looked
from provpack.jobs.traceletters import Paper, compose
from provpack.jobs.tracepapers import known_people
from provpack.jobs.tracetimes import Window
from provpack.package.ledgerline import ledger_line

BLANK = "to be written here by hand"


def letters(
    words: str, *, held: str, entries: dict[str, Equipment] | None = None, people: Iterable[str] = ()
) -> tuple[dict[str, str], dict[str, list[str]]]:
    """Client -> notice, rule -> what was found; held: the client from whom names are held back."""

    def read(of: Listed) -> Paper:
        return replace(paper(of), held=of.client == held)

    with catalogue(PACKAGES, ledger(replace(F1, what=words))) as known:
        question = Question(equipment="DECK-1", window=Window(), register=entries)
        result = trace(known.ask, question, Looked(catalogue="memory"))
        touches = everyone(known.ask, question)
        drafts, findings = compose(result, touches, read, "2031-06-01", entries, (), people)
    rules: dict[str, list[str]] = {}
    for finding in findings:
        rules.setdefault(finding.rule, []).append(finding.what)
    return {d.client: " ".join(d.text.split()) for d in drafts}, rules


def test_without_a_register_no_words_go_to_whom_names_are_held_back_from() -> None:
    texts, rules = letters("Left wrong by Ewan Tressel.", held=ARCHIVE)
    assert "Tressel" not in texts[ARCHIVE] and BLANK in texts[ARCHIVE]
    assert "Tressel" in texts[MUSEUM]  # nobody knows this name, and nothing is held back there
    (told,) = rules["trace-notice-words-held-back"]
    assert ARCHIVE in told and "F-1" in told


def test_with_a_register_words_that_name_nobody_stand() -> None:
    texts, rules = letters("Sends a wrong word now and then.", held=ARCHIVE, entries=register())
    assert BLANK not in texts[ARCHIVE] and "trace-notice-words-held-back" not in rules
    texts, rules = letters("Varrow saw it.", held=ARCHIVE, entries=register())  # of the register
    assert BLANK in texts[ARCHIVE] and ARCHIVE in rules["trace-notice-words-left-out"][0]


def test_everybody_who_is_known_is_looked_for() -> None:
    texts, rules = letters("Ewan Tressel saw it.", held=ARCHIVE, entries=register(), people=["Tressel, Ewan"])
    for client in (ARCHIVE, MUSEUM):  # also where nothing is held back: their records do not name him
        assert "Tressel" not in texts[client] and BLANK in texts[client]
    assert len(rules["trace-notice-words-left-out"]) == 2


def test_who_is_known(tmp_path: Path) -> None:
    """Of the records by role, not what else is like a name; of gone packages too; of the ledger's lines."""
    line = ledger_line(
        "fault_noted", at="2031-05-07T08:00:00Z", tool_version="1", equipment_id="DECK-1", note="Hm.",
        person="Ewan Tressel",
    )  # fmt: skip
    append(tmp_path / "custody-ledger.jsonl", line)
    told = replace(ledger(F1), path=str(tmp_path / "custody-ledger.jsonl"))
    gone = replace(package("J8_T1", None, [(1, None, None, {})], operator="Mira Osk"), place="/gone/J8_T1")
    elsewhere = replace(ledger(), path="/not/there/custody-ledger.jsonl")
    with catalogue((*PACKAGES, gone), told, elsewhere) as known:
        with known.writing() as writer:
            writer.gone("/gone", set())
        assert known_people(known) == ["Ilse Varrow", "Mira Osk", "Ewan Tressel"]


@pytest.mark.parametrize("register_read", [False, True])
def test_a_notice_of_the_command_names_nobody(tmp_path: Path, register_read: bool) -> None:
    """wrap --hold-back-names, then a fault entered by hand, with names in its words."""
    job = make_job(tmp_path / "job", ids=("T01",), frames=4000)
    shelf = tmp_path / "shelf"
    assert run("wrap", job, "--to", shelf, "--hold-back-names").code in (0, 1)
    note = "Ewan Tressel left the tracking knob wrong." if register_read else "Seen by Edda Holm too."
    words = ("--equipment", "DECK-1", "--by", "Ewan Tressel", "--note", note)
    assert run("enter", shelf, "fault_noted", *words).code == 0
    more: tuple[str | Path, ...] = ()
    if register_read:
        (tmp_path / "r.toml").write_text(
            '[[equipment]]\nid = "DECK-9"\nkind = "deck"\nmake_model = "Velkora"\nserial = "1"\n'
        )
        more = ("--register", tmp_path / "r.toml")
    said = run("trace", shelf, "--equipment", "DECK-1", "--notices", tmp_path / "n", *more)
    (text,) = [p.read_text(encoding="utf-8") for p in (tmp_path / "n").iterdir()]
    assert "Tressel" not in text and "Holm" not in text and BLANK in " ".join(text.split())
    assert ("words-left-out" if register_read else "words-held-back") in said.out
