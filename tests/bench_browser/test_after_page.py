"""The pages after a pass and of the packages, given by the real program to a real browser."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from bench_server.running import Running, running
from playwright.sync_api import expect
from support.benchafter import A, B, Finished
from support.benchbrowser import accessibility, browsing, in_step, sticks_out, too_small

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and ports as POSIX has them")

WINDOWS = {
    "desk": {"viewport": {"width": 1280, "height": 800}},
    "desk in the dark": {"viewport": {"width": 1280, "height": 800}, "color_scheme": "dark"},
    # WCAG 2.2, 1.4.4 and 1.4.10: 200 % zoom of a 1280 x 800 window is a window of half the CSS pixels
    "desk at 200 %": {"viewport": {"width": 640, "height": 400}},
}
PATIENCE = 60_000


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browsing() as one:
        yield one


@pytest.fixture
def made(tmp_path: Path) -> Finished:
    return Finished(tmp_path)


@pytest.fixture
def bench(made: Finished) -> Iterator[Running]:
    words = ("--to", str(made.destination), "--by", "Ilse Varrow")
    with running(made.folder, *words, opened=False) as one:
        yield one


@pytest.fixture
def page(browser: Any, bench: Running) -> Iterator[Any]:
    troubles: list[str] = []
    with ExitStack() as stack:
        context = browser.new_context(**WINDOWS["desk"])
        stack.callback(context.close)
        context.set_default_timeout(20_000)
        one = context.new_page()
        one.on("pageerror", lambda error: troubles.append(str(error)))
        one.on("console", lambda said: troubles.append(said.text) if "Security" in said.text else None)
        one.goto(bench.opening)
        yield one
    assert troubles == []


def show(page: Any, bench: Running, path: str) -> None:
    page.goto(f"http://{bench.host}{path}")
    in_step(page)


def last(made: Finished) -> dict[str, Any]:
    line = (made.folder / "bench-log.jsonl").read_text(encoding="utf-8").splitlines()[-1]
    return dict(json.loads(line))


def usable(page: Any) -> None:
    """In every window: axe-core finds nothing, targets are large, nothing sticks out."""
    for window in WINDOWS.values():
        page.set_viewport_size(window["viewport"])
        page.emulate_media(color_scheme=window.get("color_scheme", "light"))
        assert accessibility(page) == []  # axe-core, all its rules
        assert too_small(page) == []
        assert sticks_out(page) == 0
    page.set_viewport_size(WINDOWS["desk"]["viewport"])


def test_from_the_file_to_the_decision(page: Any, bench: Running, made: Finished) -> None:
    show(page, bench, "/after/T01/1")
    mine = page.locator("article", has=page.get_by_role("heading", name=A))
    mine.get_by_role("button", name="Attach", exact=True).wait_for()
    usable(page)
    other = page.locator("article", has=page.get_by_role("heading", name=B))
    assert other.get_by_role("button", name="Attach", exact=True).count() == 0
    expect(other).to_contain_text("Capture input: does not agree")
    expect(other.get_by_role("link", name="T02, pass 1, on chain B")).to_be_visible()
    mine.get_by_role("button", name="Attach", exact=True).focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name=f"{A} is attached")).to_be_visible()
    assert (last(made)["kind"], last(made)["file"], last(made)["attached_by"]) == (
        "file_attached", A, "agreement"
    )  # fmt: skip
    page.locator("figure > svg").wait_for(timeout=PATIENCE)  # measured in the background, by itself
    expect(page.get_by_role("table", name="Declared beside measured")).to_be_visible()
    page.locator("#events summary").click()
    expect(page.locator("#events")).to_contain_text("Sound muted")
    for box in page.locator(".findings summary").all():
        box.click()
    usable(page)
    page.get_by_label("Your note on it").fill("clean")
    page.get_by_role("button", name="Accept the pass").click()
    expect(page.locator(".decided")).to_contain_text("accepted")
    assert (last(made)["verdict"], last(made)["note"]) == ("accepted", "clean")
    page.get_by_role("button", name="Take this decision back").click()
    expect(page.locator(".decided")).to_have_count(0)
    page.get_by_role("button", name="Make it again").click()
    expect(page.locator(".decided")).to_contain_text("to be made again")


def test_a_crossed_file_needs_a_reason(page: Any, bench: Running, made: Finished) -> None:
    show(page, bench, "/after/T01/1")
    other = page.locator("article", has=page.get_by_role("heading", name=B))
    other.locator("summary", has_text="Attach all the same").click()
    before = last(made)["n"]
    other.get_by_role("button", name="Attach all the same").click()
    assert last(made)["n"] == before  # the browser itself asks for the reason
    other.get_by_label("Why it belongs to this pass").fill("the cables were crossed")
    other.get_by_role("button", name="Attach all the same").click()
    expect(page.get_by_role("heading", name=f"{B} is attached")).to_be_visible()
    assert (last(made)["attached_by"], last(made)["reason"]) == ("person", "the cables were crossed")


def test_a_finding_is_explained(page: Any, bench: Running, made: Finished) -> None:
    made.act("declared", scope="transfer", id="T01", field="source_bit_depth", value=16)
    made.attach("T01", A)
    made.measure("T01")
    show(page, bench, "/after/T01/1")
    rule = "rec-bit-depth"
    one = page.locator(".finding", has=page.locator("code", has_text=rule)).first
    why = one.get_by_label("Why it may stay as it is")
    for _ in range(5):  # the page may just be drawn anew, with what was measured in it
        if not why.is_visible():
            one.locator("summary").click()
        page.wait_for_timeout(400)
    why.fill("The decoder was set so.")
    one.get_by_role("button", name="Put the explanation into the record").click()
    expect(page.locator(".findings")).to_contain_text("Set aside by Ilse Varrow")
    said = last(made)
    assert (said["field"], [w["rule"] for w in said["value"]]) == ("waivers", [rule])
    assert said["value"][0]["reason"] == "The decoder was set so." and said["value"][0]["at"]


def test_a_refused_wrap_is_told_though_the_list_was_shown_anew(
    page: Any, bench: Running, made: Finished
) -> None:
    made.attach("T01", A)
    held: list[Any] = []
    page.route("**/work/wrap", lambda route: held.append(route))  # before the page is loaded: see acts_held
    show(page, bench, "/packages")
    chosen = page.get_by_role("checkbox", name="T01")
    chosen.check()
    with page.expect_request("**/work/wrap"):
        page.get_by_role("button", name="Wrap those chosen").click()
    for transfer_id in ("T01", "T03"):
        title = f"Said meanwhile of {transfer_id}"
        made.act("declared", scope="transfer", id=transfer_id, field="title", value=title)
    expect(page.locator("[data-live=open]")).to_contain_text("Said meanwhile of T03")
    told = {"code": "no-room", "what": "There is no room for it.", "todo": "Make some."}
    held[0].fulfill(status=507, json=told, content_type="application/json")
    expect(page.locator("[data-live=ready] .refused")).to_contain_text("There is no room for it.")
    expect(page.locator("[data-live=ready] .elsewhere")).to_be_visible()
    assert chosen.is_checked()


def test_wrap_and_verify_from_the_page(page: Any, bench: Running, made: Finished) -> None:
    made.attach("T01", A)
    show(page, bench, "/packages")
    expect(page.locator("[data-live=open]")).to_contain_text("T03")
    usable(page)
    page.get_by_role("button", name="Wrap those chosen").click()
    expect(page.get_by_role("alert").filter(has_text="Nothing is chosen")).to_be_visible()
    page.get_by_role("checkbox", name="T01").focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Wrap those chosen").click()
    expect(page.locator("[data-live=works]")).to_contain_text("1 of 1 wrapped.", timeout=PATIENCE)
    package = page.get_by_role("checkbox", name="job-1_t01")
    package.check()
    page.get_by_role("button", name="Verify those chosen").click()
    expect(page.locator("[data-live=works]")).to_contain_text("Verified: 1 good.", timeout=PATIENCE)
    expect(page.locator("[data-live=sealed]")).to_contain_text(": good (every byte).")
    expect(page.locator(".ledger li").first).to_contain_text("Checked job-1_t01")
    usable(page)
    show(page, bench, "/after/T01/1")
    expect(page.locator("[data-live=state]")).to_contain_text("never patched")
