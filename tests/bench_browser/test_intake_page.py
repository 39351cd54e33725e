"""The intake pages in a browser, with the program itself behind them."""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from bench_server.running import running
from playwright.sync_api import expect
from support.benchbrowser import accessibility, browsing, fill_treatment, in_step, sticks_out, too_small
from support.benchforms import jot
from support.benchjob import world

WINDOWS: dict[str, dict[str, Any]] = {
    "desk": {"viewport": {"width": 1280, "height": 800}},
    "desk in the dark": {"viewport": {"width": 1280, "height": 800}, "color_scheme": "dark"},
    "tablet upright": {"viewport": {"width": 768, "height": 1024}},
    # WCAG 2.2, 1.4.4 and 1.4.10: 200 % zoom of a 1280 x 800 window is a window of half the CSS pixels
    "desk at 200 %": {"viewport": {"width": 640, "height": 400}},
}
Open = Callable[..., Any]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browsing() as one:
        yield one


@pytest.fixture
def opened(browser: Any, tmp_path: Path) -> Iterator[Open]:
    """opened(path, **window) -> a page of the program on a job with four carriers; page.job is its folder."""
    with ExitStack() as stack:
        job = world(tmp_path).desk.folder
        bench = stack.enter_context(running(job, "--by", "Ilse Varrow", opened=False))
        context = browser.new_context(**WINDOWS["desk"])
        stack.callback(context.close)
        context.set_default_timeout(8000)
        troubles: list[str] = []
        first = context.new_page()
        first.goto(bench.opening)
        first.close()

        def open_one(path: str, **window: Any) -> Any:
            one = context.new_page()
            if window:
                one.set_viewport_size(window["viewport"])
                one.emulate_media(color_scheme=window.get("color_scheme", "light"))
            one.on("pageerror", lambda error: troubles.append(str(error)))
            one.on("console", lambda said: troubles.append(said.text) if "Security" in said.text else None)
            one.goto(f"http://{bench.host}{path}")
            in_step(one)
            one.job = job
            return one

        yield open_one
        assert troubles == []


def entries(job: Path) -> list[dict[str, Any]]:
    lines = (job / "bench-log.jsonl").read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines]


def png() -> bytes:
    """One white pixel (PNG specification, second edition, sections 5.2, 5.3 and 11.2)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\x00\xff")) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


@pytest.mark.parametrize("window", WINDOWS)
def test_every_window_can_be_used(window: str, opened: Open) -> None:
    for path in ("/", "/carrier/T01", "/receipt?ids=T01,T02"):
        one = opened(path, **WINDOWS[window])
        assert accessibility(one) == [], path  # axe-core, all its rules
        assert too_small(one) == [], path
        assert sticks_out(one) == 0, path
        one.close()


def test_a_carrier_page_has_no_fault_when_everything_is_unfolded(opened: Open) -> None:
    one = opened("/carrier/T01")
    one.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert accessibility(one) == []
    assert too_small(one) == []


def test_a_scanner_takes_in_one_after_the_other_and_duplicates_are_told(opened: Open) -> None:
    one = opened("/")
    expect(one.locator("#take-in")).to_be_focused()
    for code in ("T05", "T06", "T05", "K-0411"):  # a scanner types and presses Enter, and waits for nothing
        one.keyboard.type(code)
        one.keyboard.press("Enter")
    expect(one.locator("[data-took] p")).to_have_count(4)
    told = one.locator("[data-took]").inner_text()
    assert "T05 was taken in already" in told and "K-0411 was taken in already, as T01" in told
    taken = [e["transfer_id"] for e in entries(one.job) if e["kind"] == "taken_in"]
    assert taken == ["T01", "T02", "T03", "T04", "T05", "T06"]
    expect(one.locator(".carrier-row")).to_have_count(6)
    expect(one.locator("#take-in")).to_be_focused()


def test_a_field_is_written_down_when_left_and_can_be_taken_back(opened: Open) -> None:
    one = opened("/carrier/T01")
    one.locator("#f-label_transcription").fill("SIDE A  quintet 3/86")
    one.keyboard.press("Tab")
    part = one.locator("[data-live=f-label_transcription]")
    expect(part.locator(".origin")).to_contain_text("by Ilse Varrow")
    expect(part.locator("[data-saved]")).to_contain_text("\u2713")
    last = entries(one.job)[-1]
    assert (last["field"], last["value"], last["was"]) == (
        "label_transcription",
        "SIDE A  quintet 3/86",
        None,
    )
    part.get_by_role("button", name="Take it back").click()
    expect(part.locator(".origin")).to_have_text("nobody has said")
    expect(one.locator("#f-label_transcription")).to_have_value("")


def test_quick_ticks_are_all_kept_and_mould_is_told(opened: Open) -> None:
    one = opened("/carrier/T01")
    for term in ("edge_damage", "dust", "mould_suspected"):
        one.locator(f"#f-condition_terms-{term}").check()
    expect(one.locator("[data-live=mould]")).to_contain_text("specialists")
    expect(one.locator("[data-live=f-condition_terms] .elsewhere")).to_have_count(0)
    assert set(entries(one.job)[-1]["value"]) == {"edge_damage", "dust", "mould_suspected"}
    assert accessibility(one) == []
    one.locator("[data-now=f-condition_assessed_at]").click()
    expect(one.locator("[data-live=f-condition_assessed_at] .origin")).to_contain_text("said here")


def test_two_windows_do_not_overwrite_each_other(opened: Open) -> None:
    one, other = opened("/carrier/T01"), opened("/carrier/T01")
    other.locator("#f-title").fill("Wind quintet, other words")
    one.locator("#f-title").fill("Wind quintet, side 2")
    one.keyboard.press("Tab")
    expect(other.locator("[data-live=f-title] .elsewhere")).to_be_visible()
    other.locator("#f-title").press("Tab")
    expect(other.locator("[data-live=f-title] .refused")).to_contain_text("not what was seen")
    assert entries(one.job)[-1]["value"] == "Wind quintet, side 2"
    expect(other.locator("#f-title")).to_have_value("Wind quintet, other words")


def test_a_treatment_with_consent_and_a_receipt(opened: Open) -> None:
    one = opened("/carrier/T01")
    one.locator("#f-treatments-add summary").click()
    add = one.locator("#f-treatments-add")
    fill_treatment(add)
    expect(one.locator("[data-live=f-treatments] form[data-row='0']")).to_have_count(1)
    assert entries(one.job)[-1]["value"] == [
        {
            "type": "cleaning", "start": "2026-06-12", "agent": "Ilse Varrow",
            "consent_by": "Odo Fenwright, Ambersund Chamber Archive", "consent_at": "2026-06-10",
            "consent_ref": "letter 2026-17",
        }
    ]  # fmt: skip
    one.locator("#f-custody_events-add summary").click()
    custody = one.locator("#f-custody_events-add")
    custody.get_by_role("button", name="now").click()
    custody.get_by_role("button", name="Write it down").click()
    expect(one.locator("[data-live=f-custody_events] form[data-row='0']")).to_have_count(1)
    receipt = opened("/receipt?ids=T01")
    assert "from Ambersund Chamber Archive to Ilse Varrow" in receipt.locator("main").inner_text()
    receipt.emulate_media(media="print")
    assert receipt.locator("[data-print]").is_hidden() and receipt.locator(".sign-line").count() == 2


def test_a_row_that_was_being_changed_when_another_went_is_refused_not_put_in_its_place(opened: Open) -> None:
    """Rows are kept by their number: what a row has seen of its list is the list as it was then."""
    one = opened("/carrier/T01")
    told = {
        "type": "cleaning",
        "start": "2026-06-12",
        "consent_by": "Odo Fenwright",
        "consent_at": "2026-06-10",
    }
    three = [{**told, "agent": agent} for agent in ("Ilse Varrow", "Odo Fenwright", "Ewan Tressel")]
    jot("declare", one.job, "treatments", "--transfer", "T01", "--json-value", json.dumps(three))
    rows = one.locator("[data-live=f-treatments] form.row")
    expect(rows).to_have_count(4)
    rows.nth(1).locator("[name=note]").fill("Two passes")
    rows.nth(0).locator("[data-remove-row]").click()
    expect(one.locator("[data-live=f-treatments] .elsewhere")).to_be_visible()
    assert [row["agent"] for row in entries(one.job)[-1]["value"]] == ["Odo Fenwright", "Ewan Tressel"]
    rows.nth(1).locator("[type=submit]").click()
    expect(one.locator("[data-live=f-treatments] .refused")).to_contain_text("not what was seen")
    one.get_by_role("button", name="Show it, and drop what I typed here").click()
    expect(rows).to_have_count(3)
    rows.nth(0).locator("[name=note]").fill("Two passes")
    rows.nth(0).locator("[type=submit]").click()
    expect(one.locator("[data-live=f-treatments] .elsewhere")).to_have_count(0)
    written = entries(one.job)[-1]["value"]
    assert [(row["agent"], row.get("note")) for row in written] == [
        ("Odo Fenwright", "Two passes"), ("Ewan Tressel", None),
    ]  # fmt: skip


def test_photos_come_by_choosing_and_no_picture_is_refused(opened: Open) -> None:
    one = opened("/carrier/T01")
    choose = one.locator("#photo-condition_photos")
    choose.set_input_files({"name": "case front.png", "mimeType": "image/png", "buffer": png()})
    image = one.locator("[data-live=photos-condition_photos] img")
    expect(image).to_have_count(1)
    image.scroll_into_view_if_needed()
    one.wait_for_function("document.querySelector('.photos img').naturalWidth === 1")
    assert len(list((one.job / "photos").glob("*.png"))) == 1
    choose.set_input_files({"name": "x.png", "mimeType": "image/png", "buffer": b"no picture at all" * 9})
    expect(one.locator("[data-drop] .refused")).to_contain_text("no photo")
    one.locator("#phone-condition_photos summary").click()
    one.locator("#phone-condition_photos [data-phone]").click()
    expect(one.locator("#phone-condition_photos .refused")).to_contain_text("--phone ADDRESS")
    assert accessibility(one) == []
