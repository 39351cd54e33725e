"""The report as it is read: what a reader needs first, then the record in full. Markup as in test_html.py."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from support.pages import check_structure, words_of

from provpack.findings import Finding
from provpack.package.readfirst_words import FILE_EMPHASIS
from provpack.report.html import render_package

Json = dict[str, Any]
FINGERPRINT = "SHA256:4bZkV0mXq7c8Wc1nU3yqkqT7n9h2bq3JmYx0oQ5tYkE"


@pytest.fixture
def full() -> Json:
    path = Path(__file__).parent / "records" / "pcm-14-bit.json"
    made: Json = json.loads(path.read_text(encoding="utf-8"))
    return made


def page(record: Json, **more: Any) -> Any:
    document = {
        "frames": record["measured"]["frames"],
        "sampling_frequency": record["signal"]["sampling_frequency"],
        "digital_silence": [],
        "envelope": {"frames_per_bin": 800_000, "bins": [[-900, 1000] * 2] * 49},
    }
    given: Json = {"measurements": document, "findings": [], "files": record["files"], **more}
    return check_structure(render_package(record, **given))


def part(tree: Any, ident: str) -> str:
    (found,) = tree.xpath(f"//section[@id='{ident}']")
    return " ".join(" ".join(found.itertext()).split())


def test_what_a_reader_needs_comes_before_the_full_record(full: Json) -> None:
    tree = page(full)
    order = [s.get("id") for s in tree.xpath("//main//section[@id]")]
    assert order[:8] == ["what", "glance", "overview", "listen", "timeline", "check", "cautions", "tape"]
    linked = [a[1:] for a in tree.xpath("//nav//a/@href")]
    assert linked == order, "the contents name every section, in the order of the page"
    names = [" ".join("".join(a.itertext()).split()) for a in tree.xpath("//nav//a")]
    heads = [" ".join("".join(h.itertext()).split()) for h in tree.xpath("//main//section[@id]/h2")]
    assert names == heads
    assert part(tree, "what").startswith(
        "What this is The sound of a Betamax cassette (B-00412), 0:14:34 long"
    )
    head = " ".join(" ".join(tree.xpath("//header")[0].itertext()).split())
    assert "read from the carrier: 2031-05-05" in head
    assert "packed: 2031-05-06" in head


@pytest.mark.parametrize(
    ("state", "headline"),
    [
        ("present", "Sounds too bright on purpose"),
        ("mixed", "Parts of it sound too bright on purpose"),
        ("removed", "Already de-emphasised: do not do it again"),
        ("unknown", "Nobody knows whether it sounds right as it is"),
        ("absent", None),
    ],
)
def test_nobody_can_overlook_emphasis(state: str, headline: str | None, full: Json) -> None:
    full["signal"]["file_emphasis"] = state
    tree = page(full)
    heads = [
        " ".join("".join(h.itertext()).split()) for h in tree.xpath("//div[contains(@class, 'loud')]/h3")
    ]
    assert [h[2:] for h in heads] == ([headline] if headline else [])
    assert (FILE_EMPHASIS[state] in part(tree, "glance")) == (headline is not None)


def test_damage_rights_and_persons_stand_at_a_glance(full: Json) -> None:
    said = part(page(full), "glance")
    assert "In the sound a program found 1 mute." in said
    assert "Access is restricted: reading room only (until 2040-12-31)" in said
    assert "names of singers on the inlay" in said and "mould suspected" in said
    full["measured"]["events_detected"] = None
    assert "No program has looked for damage in the sound." in part(page(full), "glance")
    full["measured"]["events_detected"] = []
    tree = page(full)
    (well,) = tree.xpath("//section[@class='well']")
    assert "Looking at this sound alone a program found no damage" in "".join(well.itertext())


def test_what_to_listen_for_is_told_or_that_there_is_nothing(full: Json) -> None:
    assert "At 0:07:56: mute (the log says that a program found it: “33 ms”; measured there too)." in part(
        page(full), "listen"
    )
    full["processing"]["transfer_events"] = []
    full["measured"]["events_detected"] = []
    full["signal"]["signal_state_ranges"] = []
    assert "Nothing is noted that asks for listening." in part(page(full), "listen")


def test_how_to_check_who_made_it_only_when_it_is_signed(full: Json) -> None:
    plain = part(page(full), "check")
    assert "sha512sum -c manifest-sha512.txt" in plain and "ssh-keygen" not in plain
    tree = page(full, signed_by=("studio@grauwell.example", FINGERPRINT))
    said = part(tree, "check")
    assert FINGERPRINT in said
    commands = [pre.text_content() for pre in tree.xpath("//section[@id='check']//pre")]
    # ssh-keygen(1), -Y verify; the namespace is that of packages (package/sshsig.py)
    assert commands[1] == (
        "ssh-keygen -Y verify -f ../allowed_signers -I studio@grauwell.example -n provpack-package "
        "-s tagmanifest-sha512.txt.sig < tagmanifest-sha512.txt"
    )
    (hostile,) = [p.text_content() for p in page(full, signed_by=("a b; rm -rf $HOME", "x")).xpath(
        "//section[@id='check']//pre")][1:]  # fmt: skip
    assert "-I 'a b; rm -rf $HOME' -n" in hostile, "quoted for a POSIX shell"


def test_names_held_back_are_one_sentence_and_a_table(full: Json) -> None:
    full["held_back"] = [
        {"label": "operator 1", "roles": ["/people/operator"], "commitment_sha256": "ab" * 32}
    ]
    tree = page(full)
    assert words_of(tree).count("The name of 1 person is held back in this copy") == 1
    assert "ab" * 32 in part(tree, "sources") and "/people/operator" in part(tree, "sources")
    assert "held back" not in words_of(page({**full, "held_back": []}))


def test_a_page_drawn_anew_says_so_and_links_to_nothing(full: Json) -> None:
    tree = page(full, anew="2041-02-03")
    assert "It was drawn on 2041-02-03 from the record and the measurements sealed in the package" in part(
        tree, "what"
    )
    assert all(link.startswith("#") for link in tree.xpath("//a/@href"))
    assert "data/master/b-00412.wav" in part(tree, "files")
    assert "drawn on" not in words_of(page(full))
    assert any(link.startswith("../") for link in page(full).xpath("//a/@href"))


def test_the_tables_say_what_the_pictures_say(full: Json) -> None:
    tree = page(
        full, findings=[Finding(rule="rec-a", severity="warning", what="W.", where="/a", todo="Look.")]
    )
    numbers = tree.xpath("//section[@id='listen']//tbody/tr/td[1]/text()")
    assert numbers == ["1", "2", "3", "4", "5"]
    assert re.search(r"warning W\. /a What the studio was told to do: Look\.", part(tree, "findings"))


def test_a_row_that_becomes_a_card_names_its_cells(full: Json, damaged_tape: tuple[Json, Json]) -> None:
    # WCAG 2.2, 1.3.1 and 1.4.10; WAI-ARIA 1.2, table roles: what is laid out as blocks stays a table
    document, full["measured"] = damaged_tape
    tree = page(full, measurements=document)
    wide = tree.xpath("//table[contains(@class, 'wide')]")
    captions = {" ".join(table.findtext("caption").split()) for table in wide}
    assert {"Events on the recording", "Where both are known", "Levels of each channel"} <= captions
    for table in wide:
        assert table.get("role") == "table"
        heads = [" ".join(th.text_content().split()) for th in table.xpath("thead/tr/th")]
        assert all(heads) and table.xpath("thead[@role='rowgroup']/tr[@role='row']/th[@role='columnheader']")
        for row in table.xpath("tbody[@role='rowgroup']/tr"):
            assert row.get("role") == "row"
            assert [cell.get("data-label") for cell in row] == heads
            for cell in row:
                assert cell.get("role") == {"td": "cell", "th": "rowheader"}[cell.tag]
                assert not (cell.text or "").strip() or len(cell) == 0, "a cell holds one thing"
        assert table.xpath("tbody/tr")


def test_sentences_are_not_said_twice(full: Json) -> None:
    # long sentences from the words shared with READ-ME-FIRST.txt stand once each
    said = words_of(page(full))
    for sentence in (
        FILE_EMPHASIS["present"],
        "Access is restricted: reading room only",
        "Copyright: having this copy",
    ):
        assert said.count(sentence) == 1, sentence
