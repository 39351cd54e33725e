"""What a trace must not get wrong: copies, what could not be read, persons, contradictory notices, parts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from unit.trace.test_trace import rules_of, table, traced, words_of
from unit.trace.test_trace_letters import HOUSE, IDENTITY, paper
from unit.trace.traceworld import ARCHIVE, CLUB, F1, MUSEUM, PACKAGES, catalogue, ledger, package

from provpack.catalogue.values import Check, Fault, Listed, Package, Part
from provpack.errors import CouldNotCheck, InputProblem, PackageProblem
from provpack.jobs.trace import Question, everyone, trace
from provpack.jobs.tracebeneath import Beneath
from provpack.jobs.traced import Looked, Traced, Written
from provpack.jobs.traceletters import Paper, compose
from provpack.jobs.tracetimes import Window
from provpack.package.heldnames import person_of
from provpack.report.trace_text import trace_lines

Papers = dict[str, Paper | Exception]


def letters(
    packages: tuple[Package, ...],
    *faults: Fault,
    papers: Papers | None = None,
    what: str = "DECK-1",
    window: Window | None = None,
    gone: tuple[str, ...] = (),
    checks: tuple[Check, ...] = (),
) -> tuple[Traced, dict[str, str], dict[str, list[str]]]:
    """The trace, client -> notice with its blanks made one, rule -> what was found. papers: place -> what is
    read there; gone: places."""

    def read(of: Listed) -> Paper:
        said = (papers or {}).get(of.place, paper(of))
        if isinstance(said, Exception):
            raise said
        return said

    with catalogue(packages, ledger(*faults, checks=checks)) as known:
        with known.writing() as writer:
            writer.gone("/", {p.place for p in packages} - set(gone))
        question = Question(equipment=what, window=window or Window())
        result = trace(known.ask, question, Looked(catalogue="memory"))
        others = known.ask.to_verify(None, None)
        drafts, findings = compose(result, everyone(known.ask, question), read, "2031-06-01", None, others)
    rules: dict[str, list[str]] = {}
    for finding in (*result.findings, *findings):
        rules.setdefault(finding.rule, []).append(finding.what)
    return result, {d.client: " ".join(d.text.split()) for d in drafts}, rules


NOT_THERE = CouldNotCheck("package-missing", "There is no such package.", where="?", todo="Look.")
NOT_SEALED = PackageProblem("not-as-sealed", "record.json is not what was sealed.", where="?", todo="Look.")


# --- copies ---


def copied(*to: str) -> tuple[Package, ...]:
    """The world, and copies of every package in other folders, one of them under another name."""
    copies = tuple(
        replace(p, place=f"/{folder}/{name}", name=name, stamp="x", ledger=None)
        for folder in to
        for p in PACKAGES
        for name in [p.name.replace("J1_T1", "elsewhere")]
    )  # fmt: skip
    return (*PACKAGES, *copies)


def test_copies_of_a_transfer_count_once() -> None:
    once, thrice = traced("DECK-1", ledger(F1)), traced("DECK-1", ledger(F1), packages=copied("two", "three"))
    assert thrice.counts(1) == once.counts(1) == {"covered": 3, "cannot_be_told": 1, "not_covered": 3}
    assert [c.transfers for c in thrice.clients] == [c.transfers for c in once.clients]
    for part in ("totals", "notices"):
        assert thrice.as_json()[part] == once.as_json()[part]
    found = next(p for p in thrice.everything if p.package.name == "J1_T1")
    assert [c.place for c in found.places] == ["/store/J1_T1", "/two/elsewhere", "/three/elsewhere"]
    rows = [r for r in table(thrice) if r["package"] == "J1_T1"]
    assert [r["other_places"] for r in rows] == ["/two/elsewhere; /three/elsewhere"]
    assert "/two/elsewhere" in "\n".join(trace_lines(thrice.as_json(), ()))


def test_copies_through_the_register_count_once() -> None:
    from unit.trace.traceworld import REGISTER

    once, twice = (traced("BOARD-7", packages=some, by=REGISTER) for some in (PACKAGES, copied("two")))
    assert twice.as_json()["totals"] == once.as_json()["totals"]
    assert {(p.package.name, p.pass_n): p.fitted for p in twice.everything} == {
        (p.package.name, p.pass_n): p.fitted for p in once.everything
    }


def test_packages_of_two_clients_are_never_copies_of_each_other() -> None:
    theirs = replace(PACKAGES[0], place="/two/J1_T1", client=CLUB, record_id="r")
    packages = (replace(PACKAGES[0], record_id="r"), theirs)
    assert [c.client for c in traced("DECK-1", packages=packages).clients] == [ARCHIVE, CLUB]


def test_each_item_stands_once_in_a_notice_whatever_copies_there_are() -> None:
    _, texts, _ = letters(copied("two"), F1)
    assert "Transfers that may be concerned (2)" in texts[MUSEUM]
    assert texts[MUSEUM].count("Title: Spinning songs") == 1
    assert texts[MUSEUM].count(IDENTITY) == 3  # once for each of three items
    assert "/two" not in texts[MUSEUM]


def test_a_copy_that_was_sealed_otherwise_has_a_digest_of_its_own() -> None:
    packages = copied("two")
    other = Paper(
        client=MUSEUM, organisation=HOUSE, job_id="J2", transfer_id="T2", title="Spinning songs",
        client_item_id=None, carrier_id="B-T2", identity="cd" * 64,
    )  # fmt: skip
    _, texts, _ = letters(packages, F1, papers={"/two/J2_T2": other})
    assert "one of these numbers names your package" in texts[MUSEUM] and "cd" * 64 in texts[MUSEUM]


def test_a_copy_that_is_there_speaks_for_one_that_is_gone() -> None:
    bad = Check(line=3, at="2032-01-01T00:00:00Z", package="J1_T1", outcome="bad", depth="bytes")
    result, texts, _ = letters(
        copied("two"), F1, gone=("/store/J1_T1",), papers={"/store/J1_T1": NOT_THERE}, checks=(bad,)
    )
    found = next(p for p in result.everything if (p.package.client, p.package.transfer_id) == (ARCHIVE, "T1"))
    assert (found.package.place, found.copies[0].gone) == ("/two/elsewhere", True)
    assert "vouch for nothing" not in texts[ARCHIVE] and "did not pass" not in texts[ARCHIVE]


# --- gone, unreadable, not what was sealed ---

GOOD = Check(line=3, at="2031-05-20T00:00:00Z", package="J1_T1", outcome="good", depth="bytes")


def test_nothing_is_vouched_for_that_is_gone_or_cannot_be_read() -> None:
    only = PACKAGES[:3]
    _, fine, _ = letters(only, F1, checks=(GOOD,))
    assert "last checked on 2031-05-20, and found as it was sealed" in fine[ARCHIVE]
    assert "Not proven" not in fine[ARCHIVE]
    papers: Papers = {"/store/J1_T1": NOT_THERE}
    _, gone, _ = letters(only, F1, checks=(GOOD,), papers=papers, gone=("/store/J1_T1",))
    _, unread, _ = letters(only, F1, checks=(GOOD,), papers=papers)
    assert "Our copy: is not where it was, so we vouch for nothing about it" in gone[ARCHIVE]
    assert "Our copy: could not be read, so we vouch for nothing about it" in unread[ARCHIVE]
    for text in (gone[ARCHIVE], unread[ARCHIVE]):
        assert "last checked" not in text and "as it was sealed" not in text
        assert "Not proven: what is told of packages that could not be read" in text


def test_a_record_that_is_not_what_was_sealed_enters_no_notice() -> None:
    _, texts, rules = letters(PACKAGES, F1, papers={"/store/J1_T1": NOT_SEALED})
    assert "J1_T1" not in texts[ARCHIVE] and "J1_T2" in texts[ARCHIVE]
    assert rules["trace-notice-not-sealed"] == ["J1_T1: record.json is not what was sealed."]


def test_packages_that_could_not_be_read_are_told_and_named() -> None:
    broken = Package(
        place="/store/J8_T8", name="J8_T8", stamp="x", ours=True, problem="record.json is no readable JSON."
    )
    result = traced("DECK-2", packages=(*PACKAGES, broken))
    assert (result.outcome, result.exit_code, result.looked.not_read) == ("good", 1, 1)
    (finding,) = (f for f in result.findings if f.rule == "trace-package-not-read")
    assert finding.severity == "warning" and "J8_T8: record.json is no readable JSON." in finding.what
    assert "NOT READ wholly: 1 package" in "\n".join(trace_lines(result.as_json(), ()))
    # the one that names it may be the one that could not be read
    with pytest.raises(InputProblem, match=r"Not everything was read: /store/J8_T8: record\.json"):
        traced("NO-SUCH-DECK", packages=(broken,))
    many = tuple(replace(broken, place=f"/store/b{n}", name=f"b{n}") for n in range(30))
    told = [f.what for f in traced("DECK-2", packages=(*PACKAGES, *many)).findings]
    assert len(told) == 21 and told[-1] == "10 more packages could not be read wholly."


def test_when_the_roots_were_last_looked_at_is_told() -> None:
    with catalogue(PACKAGES) as known:
        with known.writing() as writer:
            writer.seen_root("/store", "2031-06-01T08:00:00Z")
        question = Question(equipment="DECK-2", window=Window())
        result = trace(known.ask, question, Looked(catalogue="memory", packages=8))
    assert result.as_json()["looked"]["seen"] == [{"root": "/store", "at": "2031-06-01T08:00:00Z"}]
    text = "\n".join(trace_lines(result.as_json(), ()))
    assert "Last looked at: /store, 2031-06-01T08:00:00Z" in text and " more (--json" not in text


@pytest.mark.parametrize(("roots", "more"), [(10, None), (11, "1 root"), (13, "3 roots")])
def test_of_many_roots_the_first_are_told(roots: int, more: str | None) -> None:
    with catalogue(PACKAGES) as known:
        with known.writing() as writer:
            for n in range(roots):
                writer.seen_root(f"/store-{n:02}", "2031-06-01T08:00:00Z")
        result = trace(known.ask, Question(equipment="DECK-2", window=Window()), Looked(catalogue="memory"))
    lines = list(trace_lines(result.as_json(), ()))
    assert [line[18:27] for line in lines if "Last looked at: " in line] == [
        f"/store-{n:02}" for n in range(10)
    ]
    told = [line for line in lines if " more (--json has them all)" in line]
    assert told == ([f"  and {more} more (--json has them all)"] if more else [])


def test_the_table_that_was_written_is_named() -> None:
    with catalogue(PACKAGES) as known:
        result = trace(known.ask, Question(equipment="DECK-2", window=Window()), Looked(catalogue="memory"))
    assert not any("Table" in line for line in trace_lines(result.as_json(), ()))
    written = replace(result, table="/papers/deck-2.csv")
    assert list(trace_lines(written.as_json(), ()))[-1] == "Table: /papers/deck-2.csv"


def test_every_notice_that_was_written_is_named_and_is_to_be_read_first() -> None:
    with catalogue(PACKAGES) as known:
        result = trace(known.ask, Question(equipment="DECK-2", window=Window()), Looked(catalogue="memory"))
    assert not any("Notice for" in line for line in trace_lines(result.as_json(), ()))
    papers = tuple(Written(path=f"/papers/{n}.txt", client=name) for n, name in enumerate((ARCHIVE, MUSEUM)))
    lines = list(trace_lines(replace(result, letters=papers).as_json(), ()))
    at = lines.index(f"Notice for {ARCHIVE}: /papers/0.txt")
    assert lines[at + 1] == f"Notice for {MUSEUM}: /papers/1.txt"
    assert lines[at + 2].startswith("Read each notice before you send it")


def test_what_was_read_for_this_trace_alone_names_no_catalogue() -> None:
    with catalogue(PACKAGES) as known:
        looked = Looked(catalogue=None, roots=("/store", "/old"), packages=1203)
        result = trace(known.ask, Question(equipment="DECK-2", window=Window()), looked)
    lines = list(trace_lines(result.as_json(), ()))
    assert "  Looked in: read anew: /store, /old (1 203 packages)" in lines
    assert not any("Last looked at" in line or "Only what lies beneath" in line for line in lines)


# --- beneath some folders ---


def test_a_catalogue_narrowed_to_a_folder(tmp_path: Path) -> None:
    inner, beside = tmp_path / "a", tmp_path / "ab"
    moved = tuple(
        replace(p, place=f"{(inner, beside)[n % 2]}/{p.name}", ledger=None) for n, p in enumerate(PACKAGES)
    )
    broken = Package(place=f"{beside}/x", name="x", stamp="x", problem="No.")
    with catalogue((*moved, broken), ledger(F1)) as known:
        with known.writing() as writer:
            writer.seen_root(str(tmp_path), "2031-06-01T08:00:00Z")
        narrow = Beneath(known.ask, [inner])
        question = Question(equipment="DECK-1", window=Window())
        result = trace(narrow, question, Looked(catalogue="memory", roots=(str(inner),)))
        assert list(narrow.unknown()) == []
        assert [f.rule for f in Beneath(known.ask, [Path("/else")]).unknown()] == [
            "trace-root-not-in-catalogue"
        ]
    assert {p.package.name for p in result.everything} == {"J1_T1", "J1_T3", "J2_T2"}
    assert result.looked.not_read == 0 and len(result.notices) == 1
    assert result.looked.seen == ((str(tmp_path), "2031-06-01T08:00:00Z"),)
    assert "Only what lies beneath" in "\n".join(trace_lines(result.as_json(), ()))


# --- contradictory notices ---


def test_a_notice_that_ends_the_day_before_it_begins_decides_nothing() -> None:
    result = traced("DECK-1", ledger(replace(F1, since="2031-05-06", until="2031-05-05")))
    assert set(words_of(result).values()) == {"cannot_be_told"}
    assert {j.why for p in result.everything for j in p.judgements} == {"contradiction"}
    assert rules_of(result)["trace-notice-times"] == "warning"
    assert any(
        "By fault notice F-1 the fault lasted from 2031-05-06 to 2031-05-05" in f.what
        for f in result.findings
    )
    _, texts, _ = letters(PACKAGES, replace(F1, since="2031-05-06", until="2031-05-05"))
    assert "These times contradict each other" in texts[MUSEUM]
    assert "Transfers for which it cannot be told (3)" in texts[MUSEUM]


# --- a part of the time ---


def test_a_notice_about_a_part_of_the_time_says_so() -> None:
    window = Window(since="2031-05-05", until="2031-05-06")
    _, texts, rules = letters(PACKAGES, F1, window=window)
    text = texts[MUSEUM]
    assert "lists only what was done in the time from 2031-05-05 to 2031-05-06." in text
    assert "Transfers that may be concerned (2, in the time from 2031-05-05 to 2031-05-06)" in text
    assert "Not looked at: everything that was not done in the time from" in text
    assert rules["trace-notice-part-only"]
    _, texts, rules = letters(PACKAGES, F1)
    assert "lists only" not in texts[MUSEUM] and "trace-notice-part-only" not in rules


# --- persons ---

ILSE = package(
    "J2_T2", MUSEUM, [(1, "2031-05-05T21:30:00Z", "2031-05-05T22:30:00Z", {"deck": "DECK-1"})],
    operator="Ilse Varrow",
)  # fmt: skip


def test_that_a_person_cannot_be_found_where_names_are_held_back_is_told() -> None:
    assert rules_of(traced("Ilse Varrow"))["trace-names-held-back"] == "note"
    for machine in ("DECK-1", "A"):
        assert "trace-names-held-back" not in rules_of(traced(machine))
    with pytest.raises(InputProblem) as caught:
        traced("Ilse Warrow")
    assert "held back cannot be found" in (caught.value.todo or "")


def test_a_notice_about_a_person_speaks_of_a_person() -> None:
    treated = replace(
        ILSE,
        parts=(*ILSE.parts, Part(what="Ilse Varrow", role="agent", started_at="2031-05-01T08:00:00Z",
                                 stopped_at="2031-05-01T09:00:00Z")),
    )  # fmt: skip
    _, texts, _ = letters((treated,), what="Ilse Varrow")
    text = texts[MUSEUM]
    assert text.startswith("NOTICE ABOUT SOMEBODY WHO TOOK PART IN YOUR TRANSFERS")
    assert "equipment named above" not in text and "fault" not in text.split("Your packages")[0]
    assert "Below are the transfers in which the person named above took part" in text
    assert "Known: that the person named above took part" in text
    # what was done to the carrier was no playing of it
    assert "Worked on: somebody who treated or processed it, 2031-05-01 08:00:00 to 2031-05-01 09" in text
    assert text.count("Played:") == 1
    noted = Fault(equipment="Ilse Varrow", since="2031-05-01T00:00:00Z")
    _, texts, _ = letters((treated,), noted, what="Ilse Varrow")
    assert "worked on in that time: it may have had an effect" in texts[MUSEUM]


def test_a_person_is_not_named_to_whom_names_are_held_back_from() -> None:
    person = person_of("Ilse Varrow")
    assert person is not None
    copy = replace(ILSE, place="/two/J2_T2", ledger=None, parts=())
    given = replace(ILSE, place="/three/J2_T2", name="given", ledger=None, client=MUSEUM)
    held = Paper(
        client=MUSEUM, organisation=HOUSE, job_id="J2", transfer_id="T2", title=None, client_item_id=None,
        carrier_id=None, identity=None, held=True,
    )  # fmt: skip
    _, texts, rules = letters((ILSE, copy, given), what="Ilse Varrow", papers={given.place: held})
    assert texts == {}
    assert rules["trace-notice-person-held-back"] == [
        f"No notice was written for {MUSEUM}: names are held back in their packages."
    ]


# --- words about others ---


@pytest.mark.parametrize(
    "planted",
    [
        "Kellmar complained of dull tone. See B T3.",
        "dull on the spinning wheel",
        "The KFM will sue.",
        "Tarnvik heard it, too",  # a client whose things were never on it
        "I. Varrow and Tomas",
    ],
)
def test_words_that_resemble_a_name_are_left_out_and_told_to_the_studio(planted: str) -> None:
    people = [p for n in ("Ilse Varrow", "Tomas Ekerholt") if (p := person_of(n)) is not None]
    with catalogue(PACKAGES) as known:
        listed = next(t.package for t in known.ask.touched("DECK-1", None, None) if t.package.name == "J2_T2")
    papers: Papers = {"/store/J2_T2": replace(paper(listed), persons=tuple(people))}
    _, texts, rules = letters(PACKAGES, replace(F1, notice_id=f"F-1 {planted}", what=planted), papers=papers)
    assert planted not in texts[ARCHIVE]
    assert "fault notice 1: (to be written here by hand)" in texts[ARCHIVE]
    told = [what for what in rules["trace-notice-words-left-out"] if ARCHIVE in what]
    assert len(told) == 1
    words = told[0].rpartition("it holds ")[2].casefold().replace("'", "").rstrip(".").split(", ")
    assert any(word in "".join(c for c in planted.casefold() if c.isalnum()) for word in words)


def test_words_without_a_name_are_told() -> None:
    _, texts, rules = letters(PACKAGES, F1)
    assert all("F-1: Head drum slipped now and then." in text for text in texts.values())
    assert "trace-notice-words-left-out" not in rules
