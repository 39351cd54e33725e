"""The result of an audit as text, JSON, table and page."""

from __future__ import annotations

import csv
import io
import json
import re
import unicodedata
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from support.audits import full, item, result, trend, trends

from provpack.cli.output import for_terminal, headed
from provpack.edge.schemas import validate
from provpack.jobs import auditrules as rules
from provpack.jobs.auditresult import AuditResult, Basis, Group, Section
from provpack.report.audit_csv import COLUMNS, audit_csv
from provpack.report.audit_page import audit_page
from provpack.report.audit_text import audit_lines

NASTY = "\x1b[2J<script>alert(1)</script>\u202e\r\n=cmd|' /C calc'!A0\x00\udcff"


def told(of: AuditResult) -> str:
    return "\n".join(audit_lines(of))


class Page(HTMLParser):
    """Tags with their attributes, and the text between them."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.said: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.said.append(data)


def nasty() -> AuditResult:
    """Hostile text wherever somebody else's text can be."""
    words = dict.fromkeys(
        ("what", "where", "package", "client", "title", "job_id", "transfer_id", "carrier", "since"), NASTY
    )
    items = {r.id: [item(r, **words)] for r in rules.RULES if r is not rules.RULES_TODAY}
    return replace(
        result(
            items=items,
            groups=[Group(rule=NASTY, severity="error", packages=1)],
            told={kind: [trend(NASTY, "2030-01", 2.0, 1), trend(NASTY, NASTY, 2.0, 1)] for kind in trends()},
            remarks=(NASTY,),
        ),
        basis=Basis(catalogue=NASTY, known={"packages": 1}, seen=((NASTY, NASTY),), looked=(NASTY,)),
        csv=NASTY,
        page=NASTY,
    )


def test_every_rule_has_a_meaning_and_an_id_of_this_room() -> None:
    assert {rule.id for rule in rules.RULES} == set(rules.MEANINGS)
    assert all(rule.id.startswith("audit-") and rule.todo for rule in rules.RULES)
    assert {rule.id for rule in rules.RULES} >= rules.ON_DISK


@pytest.mark.parametrize("of", [full(), result(), nasty()], ids=["full", "nothing", "hostile"])
def test_the_object_keeps_its_schema(of: AuditResult) -> None:
    whole = headed("audit", of.as_json(), of.exit_code)
    plain = json.loads(json.dumps(whole, allow_nan=False))
    assert validate("result-audit", plain) == []


def test_the_schema_refuses_what_is_not_told() -> None:
    whole = headed("audit", full().as_json(), 1)
    for broken in ({**whole, "more": 1}, {**whole, "sections": [{"rule": "x"}]}, {**whole, "exit_code": 10}):
        assert validate("result-audit", broken) != []


def test_nothing_found_is_said_and_good() -> None:
    nothing = result()
    assert (nothing.exit_code, nothing.outcome) == (0, "good")
    assert "Nothing was found that asks for somebody." in told(nothing)
    assert "To do:" not in told(nothing)


def test_a_note_alone_asks_for_nobody() -> None:
    only_notes = result(items={r.id: [item(r)] for r in (rules.SET_ASIDE, rules.ONCE_BAD)})
    assert only_notes.exit_code == 0
    assert "found bad before" in told(only_notes)


def test_what_was_not_looked_at_is_not_called_good() -> None:
    section = Section(rule=rules.LEFTOVER, total=None, why="The disk was not looked at.")
    some = replace(result(), sections=(section,))
    assert "what was not looked at is named above" in told(some)
    assert re.search(r"^ +- +An interrupted run left", told(some), re.MULTILINE)
    assert "1 question was not looked at" in audit_page(some)


def test_the_text_names_each_thing_with_client_and_what_to_do() -> None:
    said = told(full())
    for rule in rules.RULES:
        assert rule.title in said and rule.id in said
    assert "/store/2029/job-7_t02 [Ambersund Chamber Archive]" in said
    assert "warning rec-chain-check-old: 118 packages." in said
    assert "a rule of another version" in said  # one that this version does not know
    assert "No verdict" not in said and "hours measured" in said


def test_what_is_cut_says_how_to_see_all_of_it() -> None:
    section = Section(rule=rules.NOT_CHECKED, total=1234, items=(item(rules.NOT_CHECKED),))
    said = told(replace(result(), sections=(section,)))
    assert "and 1 233 more; all of them: the same command with --rule audit-check-old" in said


def test_the_table_has_a_row_for_each_thing() -> None:
    things = [thing for section in full().sections for thing in section.items]
    text = "".join(audit_csv(things))
    read = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True))
    assert len(read) == len(things) == 63
    assert read[0]["rule"] == rules.LAST_NOT_GOOD.id and read[0]["client"] == "Ambersund Chamber Archive"
    assert all(row["what"] and row["where"] and row["what to do"] for row in read)


def test_hostile_text_does_nothing_on_a_terminal() -> None:
    for line in audit_lines(nasty()):
        shown = for_terminal(line)
        assert not [c for c in shown if unicodedata.category(c) in ("Cc", "Cs") or c == "\u202e"]


def test_hostile_text_does_nothing_in_a_table() -> None:
    things = [thing for section in nasty().sections for thing in section.items]
    text = "".join(audit_csv(things)).removeprefix("\ufeff")
    assert not [c for c in text if c not in "\r\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs")]
    rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert [len(row) for row in rows] == [len(COLUMNS)] * (len(things) + 1)
    assert not [cell for row in rows for cell in row if cell[:1] in ("=", "+", "-", "@", "\t", "\r") and cell]


def test_hostile_text_does_nothing_on_the_page() -> None:
    page = audit_page(nasty())
    assert "<script" not in page and "\x1b" not in page and "\x00" not in page
    parsed = Page(page)
    assert not [tag for tag, _ in parsed.tags if tag in ("script", "iframe", "object", "img", "link", "base")]
    assert not [name for _, attributes in parsed.tags for name in attributes if name.startswith("on")]
    assert any("<script>alert(1)</script>" in said for said in parsed.said)
    page.encode("utf-8")


def test_the_page_stands_alone_and_leads_only_within_itself() -> None:
    parsed = Page(audit_page(full()))
    ids = [attributes["id"] for _, attributes in parsed.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    for tag, attributes in parsed.tags:
        assert not ({"src", "action", "background"} & set(attributes)), tag
        href = attributes.get("href")
        assert href is None or (href.startswith("#") and href[1:] in ids)
    assert "url(" not in audit_page(full()) and "@import" not in audit_page(full())


def test_the_page_tells_what_the_figures_cannot() -> None:
    page = audit_page(full())
    assert "It belongs to the tape as well as to the machine" in page
    assert "they stand beside it" in page and page.count('role="img"') == 3
    assert "24 minutes" in page  # on how little the highest bar rests
    text = " ".join(" ".join(audit_lines(full())).split())
    assert all("Months are months by UTC" in said for said in (page, text))


def test_without_trends_there_is_no_picture() -> None:
    page = audit_page(result())
    assert "<svg" not in page and "Damage over time" not in page
