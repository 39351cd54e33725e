"""The index and the note of a delivery: complete, escaped, self-contained. Sources: WCAG 2.2 and the HTML
Living Standard as in support/pages.py; schemas/ for the words of closed lists; sha512sum(1) and
ssh-keygen(1) for the commands."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import subprocess
from pathlib import Path
from time import process_time
from typing import Any

import pytest
from markupsafe import Markup
from support.deliveries import digest, note, packages
from support.pages import HOSTILE, Reader, check_structure, contrast, palettes, words_of

from provpack.edge.schemas import validate
from provpack.package.readfirst_words import OUTCOME
from provpack.package.signwords import STATES
from provpack.package.summary import summarise
from provpack.report.delivery_html import FORMS, groups, render_index, render_note, safe_link
from provpack.report.html import breaks

ROOT = Path(__file__).resolve().parents[3]
Json = dict[str, Any]
FIELDS = json.loads((ROOT / "schemas" / "fields.schema.json").read_text(encoding="utf-8"))["$defs"]


@pytest.fixture(scope="module")
def record() -> Json:
    path = Path(__file__).parent / "records" / "pcm-14-bit.json"
    made: Json = json.loads(path.read_text(encoding="utf-8"))
    return made


def pages(delivery: Json, record: Json) -> tuple[str, str]:
    return render_index(delivery, packages=packages(delivery, record)), render_note(delivery)


def test_the_invented_notes_are_notes() -> None:
    for form in ("folder", "tar", "zip"):
        assert validate("delivery-note", note(7, form)) == []


@pytest.mark.parametrize("form", ["folder", "tar", "zip"])
@pytest.mark.parametrize("many", [1, 3, 50])
def test_both_pages_are_well_formed_and_load_nothing(many: int, form: str, record: Json) -> None:
    delivery = note(many, form)
    for text in pages(delivery, record):
        tree = check_structure(text)
        said = words_of(tree)
        rows = tree.xpath("//table[contains(@class, 'packages')]/tbody/tr")
        assert len(rows) == many
        for row, entry in zip(rows, delivery["packages"], strict=True):
            own = " ".join("".join(row.itertext()).split())
            for word in (entry["title"], entry["name"], entry["client_item_id"]):
                assert " ".join(word.split()) in own
            assert row.get("id") == f"p-{entry['n']}"
        for word in (delivery["delivery_name"], delivery["delivery_id"], "Ambersund Chamber Archive",
                     "Grauwell Transfer Room, Marrowick", "studio@grauwell.example",
                     delivery["signer"]["fingerprint"], delivery["note"], "Ambersund 2031"):  # fmt: skip
            assert word in said
        assert "None" not in re.sub(r"None of", "", said) and "{" not in said.replace("{{", "")
        # the digests are in groups, and whole when they are copied
        assert delivery["ledger"]["last_sha512"] in re.sub(r"\s", "", "".join(tree.itertext()))


def test_the_index_tells_each_package_and_links_its_page(record: Json) -> None:
    delivery = note(50)
    text = render_index(delivery, packages=packages(delivery, record))
    tree = check_structure(text)
    links = set(tree.xpath("//tbody//th/a/@href"))
    assert links == {entry["report"] for entry in delivery["packages"]}
    rows = tree.xpath("//tbody/tr")
    for row, entry in zip(rows, delivery["packages"], strict=True):
        own = " ".join("".join(row.itertext()).split())
        assert OUTCOME[entry["outcome"]] in own
        assert ("▲" in own) == (entry["outcome"] not in ("complete", "clean")), "a sign beside the colour"
        assert ("too bright on purpose" in own) == (entry["emphasis"] in ("present", "mixed")) or entry[
            "n"
        ] % 3 == 1
    said = words_of(tree)
    # 50 x 3600 s + 61 s x (1 + ... + 50) less the packages without sound, computed by the note itself
    whole = int(delivery["totals"]["duration_s"])
    assert f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02} of playing time" in said
    assert "What to do first" in said and "Keep the old carriers" in said and "provpack receive" in said
    told = summarise(record, {"error": 0, "warning": 1, "note": 0})
    assert said.count(told["listen"][0]) == 17 and told["cautions"][0] in said


def test_what_needs_a_look_is_counted_and_linked(record: Json) -> None:
    delivery = note(50)
    tree = check_structure(render_index(delivery, packages=packages(delivery, record)))
    (box,) = tree.xpath("//div[@class='loud']")
    said = " ".join("".join(box.itertext()).split())
    partial = [e["n"] for e in delivery["packages"] if e["outcome"] not in ("complete", "clean")]
    assert f"{len(partial)} packages: not the whole carrier transferred" in said
    assert [int(a[3:]) for a in box.xpath(".//li[1]//a/@href")] == partial[:20]
    assert f"and {len(partial) - 20} more" in said
    assert "5 packages: with a signature to look at (no. 9, 18, 27, 36, 45)" in said
    quiet = note(1)
    quiet["packages"][0] |= {"outcome": "clean", "emphasis": "absent", "findings": {"warning": 0}}
    assert 'class="loud"' not in render_index(quiet, packages=[])


def test_the_commands_are_those_of_stock_tools(tmp_path: Path) -> None:
    delivery = note(2)
    tree = check_structure(render_index(delivery, packages=[]))
    check, each, signature = (pre.text_content() for pre in tree.xpath("//pre"))
    assert check == "sha512sum -c checksums-sha512.txt"
    assert signature == (
        "ssh-keygen -Y verify -f allowed_signers -I studio@grauwell.example -n provpack-delivery "
        "-s delivery-note.json.sig < delivery-note.json"
    )
    if shutil.which("sha512sum") is None:
        pytest.skip("sha512sum is not installed")
    for name, data in (("good", b"x"), ("spoilt", b"y")):
        place = tmp_path / "packages" / name
        place.mkdir(parents=True)
        (place / "a").write_bytes(data)
        listed = hashlib.sha512(b"x").hexdigest()
        for manifest in ("manifest-sha512.txt", "tagmanifest-sha512.txt"):
            (place / manifest).write_text(f"{listed}  a\n")
    done = subprocess.run(
        ["sh", "-c", each], cwd=tmp_path, capture_output=True, text=True, timeout=30, check=False
    )
    assert "OK       packages/good/" in done.stdout and "LOOK AT  packages/spoilt/" in done.stdout
    assert "LOOK AT  packages/good/" not in done.stdout


def test_long_names_go_on_after_an_underscore(record: Json) -> None:
    assert breaks("a_b<i>_\x00") == "a_<wbr>b&lt;i&gt;_<wbr>\ufffd" and breaks("a-b") == "a-b"
    assert breaks(Markup("<b>_")) == "<b>_<wbr>", "what is marked as safe stays as it is"
    delivery = note(1) | {"delivery_name": "delivery_ambersund_2031-11-25"}
    delivery["packages"][0]["name"] = "gtr_t01"
    for text in pages(delivery, record):
        assert "<h1><bdi>delivery_<wbr>ambersund_<wbr>2031-11-25</bdi></h1>" in text
        assert "<code>gtr_<wbr>t01</code>" in text and "<title>Delivery" in text
        tree = check_structure(text)
        assert tree.xpath("//h1")[0].text_content() == "delivery_ambersund_2031-11-25", "copied whole"


def test_an_unsigned_delivery_says_so(record: Json) -> None:
    delivery = note(2, "tar") | {"signer": None, "ledger": None, "note": None, "client_profile": None}
    index, paper = (words_of(check_structure(text)) for text in pages(delivery, record))
    assert (
        "The delivery note is not signed: checksums tell whether anything changed, not who made it." in index
    )
    assert "ssh-keygen" not in index and "quiet" not in index and FORMS["tar"] in index
    assert "No custody ledger is named." in paper and "not signed with a key" in paper


def test_the_note_has_everything_to_sign(record: Json) -> None:
    delivery = note(50)
    tree = check_structure(render_note(delivery))
    sides = tree.xpath("//div[@class='sides']/section")
    assert [s.findtext("h3") for s in sides] == ["Handed over by", "Received by"]
    for side in sides:
        assert [p.text_content() for p in side.xpath("p[@class='line']")] == [
            "Name",
            "Place",
            "Date",
            "Signature",
        ]
    for row, entry in zip(tree.xpath("//tbody/tr"), delivery["packages"], strict=True):
        shown = row.xpath(".//code[@class='grouped']//span/text()")
        assert [len(group) for group in shown] == [8] * 16 and "".join(shown) == entry["tagmanifest_sha512"]
        assert entry["carrier_id"] is None or entry["carrier_id"] in row.text_content()
    style = "".join(tree.xpath("//style/text()"))
    assert re.search(r"@bottom-right \{ content: \"Page \" counter\(page\) \" of \" counter\(pages\)", style)
    assert "thead { display: table-header-group; }" in style and "tr { break-inside: avoid; }" in style
    assert f'content: "Delivery {delivery["delivery_id"]}"' in style


def hostile(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: hostile(v) for k, v in value.items()}
    if isinstance(value, list):
        return [hostile(v) for v in value]
    return HOSTILE if isinstance(value, str) else value


def test_hostile_text_cannot_break_out(record: Json) -> None:
    delivery = hostile(note(3))
    told = [
        {"entry": e, "summary": [HOSTILE], "listen": [HOSTILE], "cautions": [HOSTILE]}
        for e in delivery["packages"]
    ]
    for text in (render_index(delivery, packages=told), render_note(delivery)):
        seen = Reader(text)
        assert not {"script", "img", "x"} & set(seen.tags)
        assert not [name for _, name, _ in seen.attributes if name.startswith("on")]
        assert "alert(1)" not in "".join(seen.styles)
        links = {v for _, n, v in seen.attributes if n == "href"}
        assert all(link.startswith("#") or link == "delivery-note.html" for link in links)
        assert "\x00" not in text and "\x1b" not in text and "\u202e" not in text
        assert "{{7*7}}{% x %}" in text, "text is never read as a template"


@pytest.mark.parametrize(
    "given", [{}, {"packages": None, "totals": None}, {"packages": [{}], "totals": {}, "signer": {}}]
)
def test_what_is_missing_does_not_stop_the_pages(given: Json) -> None:
    for text in (render_index(given, packages=[{}]), render_note(given)):
        Reader(text)


def test_only_paths_inside_the_delivery_become_links() -> None:
    assert safe_link("packages/gtr_t01/data/report/index.html")
    assert safe_link("reports/gtr_t01.html") == "reports/gtr_t01.html"
    for bad in ("../x.html", "packages/../x", "packages/a/./b", "/etc/passwd", "http://x/", "packages/a b",
                "javascript:alert(1)", "packages//x", "packages/", "", None, "packages/" + "a" * 500,
                "index.html"):  # fmt: skip
        assert safe_link(bad) == "", bad


def test_digests_are_grouped_and_nothing_is_lost() -> None:
    whole = digest("any")
    assert "".join(groups(whole)) == whole and len(groups(whole)) == 16
    assert groups(None) == [] and groups("") == []


def test_every_word_of_the_closed_lists_has_words() -> None:
    assert set(STATES) == set(FIELDS["signature_state"]["enum"])
    assert set(FORMS) == set(FIELDS["delivery_form"]["enum"])
    assert set(OUTCOME) == set(FIELDS["outcome"]["enum"])


@pytest.mark.parametrize("surroundings", ["light", "dark"])
def test_contrast_of_the_palette(surroundings: str, record: Json) -> None:
    # WCAG 2.2, 1.4.3: 4.5 for text; every ink on every paper these two pages use
    for text in pages(note(3), record):
        style = "".join(Reader(text).styles)
        palette = palettes(style)[surroundings]
        for ink in ("ink", "quiet", "accent", "warn", "open"):
            for paper in ("paper", "shade"):
                assert contrast(palette[ink], palette[paper]) >= 4.5, (ink, paper)
        for ink in ("ink", "quiet", "accent", "warn"):
            assert contrast(palette[ink], palette["warn-paper"]) >= 4.5, ink
        assert set(re.findall(r"var\(--([\w-]+)\)", style)) <= set(palette)


def test_five_hundred_packages_stay_quick_and_small(record: Json) -> None:
    delivery = note(500)
    told = packages(delivery, record)
    render_index(delivery, packages=told)
    start = process_time()
    index, paper = pages(delivery, record)
    assert process_time() - start < 3, "0.25 s on the development machine"
    assert len(index) < 1_500_000 and len(paper) < 750_000
    check_structure(index)
