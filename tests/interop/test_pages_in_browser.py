"""The pages in a real browser: nothing sticks out or lies on top of anything, text can be read, the keyboard
gets everywhere, paper is A4.

WCAG 2.2: 1.4.10 reflow (nothing to be scrolled sideways at 360 px; tables of data may, in a place of their
own), 1.4.4 text at 200 %, 1.4.3 contrast as painted, 2.4.7 focus visible. A4 is 210 x 297 mm (ISO 216).
"""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from support.browser import (
    chromium,
    darkened,
    enlarged,
    measure,
    picture_size,
    printed,
    run,
    sheets,
)
from support.deliveries import note, packages
from support.measured import measure as measured_sound
from support.measured import tape

from provpack.findings import Finding
from provpack.report.delivery_html import render_index, render_note
from provpack.report.html import render_package

RECORDS = Path(__file__).resolve().parents[1] / "unit" / "report" / "records"
A4 = (595.3, 841.9)
FINDINGS = [
    Finding(rule="rec-a", severity="error", what="An error.", where="/a/" + "x" * 200, todo="Mend it."),
    Finding(rule="rec-b", severity="warning", what="A warning.", where="/b", todo="Look."),
]
Json = dict[str, Any]


def load(name: str) -> Json:
    made: Json = json.loads((RECORDS / f"{name}.json").read_text(encoding="utf-8"))
    return made


@pytest.fixture(scope="module")
def pages() -> dict[str, str]:
    """One page of each kind, with long words and everything that can be on it."""
    chromium()
    record, bare = load("pcm-14-bit"), load("no-pcm-found")
    codes = tape(20)
    codes[300_000:301_000] = 0
    document, record["measured"] = measured_sound(codes)
    for n, event in enumerate(e for e in record["processing"]["transfer_events"] if e.get("frame")):
        event["frame"] = 150_000 * (n + 1)
    record["item"]["title"] = "Kantate " + "Donaudampfschifffahrtsgesellschaftskapitän" * 3
    record["signal"]["signal_state_ranges"] = [
        {"start": 0, "end": 400_000, "emphasis": "on"},
        {"start": 400_000, "end": record["measured"]["frames"], "emphasis": "unknown"},
    ]
    record["held_back"] = [
        {"label": "operator 1", "roles": ["/people/operator"], "commitment_sha256": "ab" * 32}
    ]
    signed = ("studio@grauwell.example", "SHA256:4bZkV0mXq7c8Wc1nU3yqkqT7n9h2bq3JmYx0oQ5tYkE")
    made = {
        "report": render_package(
            record, measurements=document, findings=FINDINGS, files=record["files"], signed_by=signed
        ),
        "bare": render_package(bare, measurements=None, findings=[], files=bare["files"]),
    }
    for many in (3, 50):
        delivery = note(many)
        delivery["packages"][1]["title"] = record["item"]["title"]
        delivery["packages"][1]["name"] = "gtr-2031-07_" + "x" * 120
        told = packages(delivery, record)
        made[f"index {many}"] = render_index(delivery, packages=told)
        made[f"note {many}"] = render_note(delivery)
    return made


@pytest.fixture(scope="module")
def seen(pages: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Every page as laid out on a telephone, on a desk, in the dark, and with letters twice as large."""
    cases = {}
    for name, page in pages.items():
        cases[f"{name}, 360"] = (page, 360)
        cases[f"{name}, 1280"] = (page, 1280)
        cases[f"{name}, dark"] = (darkened(page), 800)
        cases[f"{name}, 200 %"] = (enlarged(page, 200), 1280)
    return measure(tmp_path_factory.mktemp("frames"), cases)


def test_no_page_is_wider_than_its_window(seen: dict[str, Any]) -> None:
    for name, one in seen.items():
        assert one["width"] in (360, 800, 1280) and one["height"] > 600, name
        assert one["page"] <= one["width"], f"{name}: {one['page']} px"
        assert one["outside"] == [], f"{name}: {one['outside'][:5]}"


def test_no_table_is_cut_on_a_telephone_or_with_large_letters(pages: dict[str, str], tmp_path: Path) -> None:
    # under another name the places that may be scrolled are looked at like any other
    bare = {
        name: page.replace("scroll", "window") for name, page in pages.items() if name in ("report", "bare")
    }
    cases = {f"{name}, 360": (page, 360) for name, page in bare.items()}
    cases |= {f"{name}, 200 %": (enlarged(page, 200), 1280) for name, page in bare.items()}
    for name, one in measure(tmp_path, cases).items():
        assert one["page"] <= one["width"] and one["outside"] == [], f"{name}: {one['outside'][:5]}"
        assert one["over"] == [], f"{name}: {one['over'][:5]}"


def test_nothing_lies_on_top_of_anything(seen: dict[str, Any]) -> None:
    for name, one in seen.items():
        assert one["over"] == [], f"{name}: {one['over'][:5]}"


def test_text_can_be_read_as_it_is_painted(seen: dict[str, Any]) -> None:
    for name, one in seen.items():
        assert one["faint"] == [], f"{name}: {one['faint'][:5]}"
        assert one["small"] == [], f"{name}: {one['small'][:5]}"


def test_the_keyboard_gets_everywhere_and_it_is_seen_where_it_is(seen: dict[str, Any]) -> None:
    for name, one in seen.items():
        assert one["focus"] and one["focus"][0]["what"].startswith("A.skip"), name
        for place in one["focus"]:
            assert place["got"] and place["line"] != "none" and place["thick"] >= 2, (name, place)
            assert place["shown"], (name, place)


def test_the_measuring_notices_what_it_is_for(tmp_path: Path) -> None:
    bad = (
        "<!DOCTYPE html><body><p style='width:900px'>a b c</p><p style='color:#999'>faint</p>"
        "<p>one</p><p style='margin-top:-2.2em'>two</p><a href='#' style='outline:0'>x</a></body>"
    )
    one = measure(tmp_path, {"bad": (bad, 360)})["bad"]
    assert one["page"] > 360 and one["outside"] and one["over"] and one["faint"]
    assert one["focus"][0]["line"] == "none"


@pytest.mark.parametrize(
    ("name", "least", "most"),
    [
        ("report", 8, 14),
        ("bare", 2, 5),
        ("index 3", 2, 4),
        ("index 50", 6, 16),
        ("note 3", 1, 2),
        ("note 50", 4, 9),
    ],
)
def test_paper_is_a4(name: str, least: int, most: int, pages: dict[str, str], tmp_path: Path) -> None:
    sizes = sheets(printed(tmp_path, pages[name]))
    assert least <= len(sizes) <= most
    for width, height in sizes:
        assert (width, height) == (pytest.approx(A4[0], abs=1), pytest.approx(A4[1], abs=1))


def read_back(pdf: Path) -> list[str]:
    """The text of each page."""
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("pdftotext (Poppler) is not installed; what is on paper is not read back")
    done = subprocess.run(
        [reader, "-layout", pdf, "-"], capture_output=True, text=True, timeout=60, check=True
    )
    return [side for side in done.stdout.split("\f") if side.strip()]


def test_a_picture_and_its_key_are_on_one_page(pages: dict[str, str], tmp_path: Path) -> None:
    (tmp_path / "report.pdf").write_bytes(printed(tmp_path, pages["report"]))
    sides = read_back(tmp_path / "report.pdf")
    for head, key in (
        ("What the sound does where", "noted in the log by a person (declared)"),
        ("Loudness", "integrated, of the whole file"),
        ("Frequencies", "shape of 50/15"),
    ):
        (side,) = [side for side in sides if re.search(rf"^ *{head}$", side, re.MULTILINE)]
        assert key in side, head
    assert all(len(side.splitlines()) > 12 for side in sides[:-1]), "no page is nearly empty"


def test_no_row_of_the_note_is_split_and_its_head_is_on_every_page(
    pages: dict[str, str], tmp_path: Path
) -> None:
    (tmp_path / "note.pdf").write_bytes(printed(tmp_path, pages["note 50"]))
    sides = read_back(tmp_path / "note.pdf")
    with_rows = [side for side in sides if re.search(r"\bACA-0\d{3}\b", side)]
    assert len(with_rows) > 3 and sum(side.count("ACA-0") for side in with_rows) == 50
    for number, side in enumerate(sides, start=1):
        assert f"Page {number} of {len(sides)}" in side
        assert "Delivery 0c9b4ad7-3a86-4d2b-8f60-5a0f0c1f8f11" in side
        if side in with_rows:
            assert "SHA-512 of the tag manifest" in side
            groups = len(re.findall(r"\b[0-9a-f]{8}\b(?!-)", side.replace("Delivery 0c9b4ad7", "")))
            rows = len(re.findall(r"\bACA-0\d{3}\b", side))
            assert groups - 16 * rows in (0, 16), "the last page may have the ledger's number as well"
    assert "Handed over by" in sides[-1] and sides[-1].count("Signature") == 2


def test_commands_are_not_cut_off_on_paper(pages: dict[str, str], tmp_path: Path) -> None:
    reader = shutil.which("pdftotext")
    if reader is None:
        pytest.skip("pdftotext (Poppler) is not installed; paper is not read back")
    for name in ("report", "index 3"):
        (tmp_path / "p.pdf").write_bytes(printed(tmp_path, pages[name]))
        done = subprocess.run(
            [reader, "-raw", tmp_path / "p.pdf", "-"], capture_output=True, text=True, timeout=60, check=True
        )
        wanted = re.findall(r"<pre[^>]*>(.*?)</pre>", pages[name], re.DOTALL)
        said = re.sub(r"\s", "", done.stdout)
        assert len(wanted) >= 2
        for command in map(html.unescape, wanted):
            assert re.sub(r"\s", "", command)[-60:] in said, command


def test_a_photograph_of_the_screen_has_the_size_asked_for(pages: dict[str, str], tmp_path: Path) -> None:
    (tmp_path / "page.html").write_text(pages["index 3"], encoding="utf-8")
    target = tmp_path / "page.png"
    run(tmp_path, "--hide-scrollbars", "--window-size=360,1200", f"--screenshot={target}",
        (tmp_path / "page.html").as_uri())  # fmt: skip
    data = target.read_bytes()
    assert picture_size(data) == (360, 1200) and len(data) > 20_000, (
        "the page as it is, policy and all, is drawn"
    )
