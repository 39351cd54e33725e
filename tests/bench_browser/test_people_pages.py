"""Every page in every window a person may have: what axe-core finds, how large targets are, what sticks out.

The job is in the middle of an evening (support/benchfull), with a pass that runs, findings, a refusal on each
page, an alert in the frame, and an act of which nobody knows whether it was logged.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_server.running import Running, running
from playwright.sync_api import expect
from support.benchbrowser import accessibility, browsing, in_step, sticks_out, too_small
from support.benchfull import ODD, PAGES, full, packed

SIZES = {"desk": (1280, 800), "tablet upright": (768, 1024), "tablet": (1024, 768)}
SCHEMES = ("light", "dark")
# WCAG 2.2, 2.5.8 (24 CSS pixels); its exception: a link within a sentence.
SMALLER_THAN_24 = """() => [...document.querySelectorAll('button, a, input, select, summary, textarea')]
  .filter((e) => e.checkVisibility() && !e.closest('.skip'))
  .map((e) => {
    const box = (e.matches('[type=checkbox], [type=radio]') ? e.closest('label') : e).getBoundingClientRect();
    const alone = e.parentElement.textContent.trim() === e.textContent.trim();
    return {box, what: e.outerHTML.slice(0, 120), inline: e.matches('p a:not(.button)') && !alone};
  })
  .filter((one) => !one.inline && (one.box.width < 24 || one.box.height < 24))
  .map((one) => one.what)"""
CUT = """() => [...document.querySelectorAll('main *, header *')]
  .filter((e) => e.checkVisibility() && e.children.length === 0 && e.textContent.trim()
    && !e.closest('.unseen, .quiet, svg, select, textarea, option') && !e.matches('option'))
  .filter((e) => e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX !== 'visible')
  .map((e) => e.outerHTML.slice(0, 120))"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    made = full(tmp_path_factory.mktemp("evening"))
    with running(made.folder, "--to", str(made.destination), "--by", "Ilse Varrow") as one:
        packed(one)
        yield one


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with browsing() as one:
        yield one


@pytest.fixture
def window(browser: Any, bench: Running) -> Iterator[Any]:
    name, _, value = bench.cookie.partition("=")
    context = browser.new_context(has_touch=True)
    context.add_cookies([{"name": name, "value": value, "url": f"http://{bench.host}"}])
    context.set_default_timeout(15_000)
    one = context.new_page()
    # Requests are looked at from the first page on; begun later, the browser may let one pass: see refuse().
    one.route("**/nobody-asks-for-this", lambda route: route.continue_())
    yield one
    context.close()


def show(page: Any, bench: Running, path: str) -> None:
    page.goto(f"http://{bench.host}{path}")
    in_step(page)


def refuse(page: Any) -> None:
    """Make something on the page be refused, in the program's own words for it."""
    told = {
        "code": "bench-changed-meanwhile", "what": "The title says 'Harbour songs (copy)' since 21:03:12.",
        "todo": "Look at what stands there now, then say it again if it is to be otherwise.",
    }  # fmt: skip
    page.route("**/act", lambda route: route.fulfill(status=409, json=told, content_type="application/json"))
    page.evaluate(
        "async () => { const b = document.querySelector('main button[data-act]');"
        " const form = document.querySelector('main form[data-act]');"
        " let d = (b ?? form)?.closest('details');"
        " for (; d; d = d.parentElement.closest('details')) d.open = true;"
        " if (b) { b.click(); return; }"
        " if (form) form.noValidate = true, form.requestSubmit(); }"
    )
    if page.locator("main [data-act]").count():
        page.locator(".refused").first.wait_for()


def open_up(page: Any) -> None:
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")


def frame_says(page: Any) -> None:
    """An alert of the job, and an act without answer, as the frame shows them."""
    kept = [
        {"kind": "event", "members": {}, "words": "Sound muted, chain A", "at": "21:03:12", "after": 1,
         "said": "It was not logged. Write it down again, with the time at which it happened.", "good": False}
    ]  # fmt: skip
    page.add_init_script(f"sessionStorage.setItem('bench-not-known', {json.dumps(json.dumps(kept))})")


@pytest.mark.parametrize("name", PAGES)
def test_no_violation_nothing_small_nothing_cut(name: str, window: Any, bench: Running) -> None:
    frame_says(window)
    for scheme in SCHEMES:
        window.emulate_media(color_scheme=scheme, reduced_motion="reduce")
        show(window, bench, PAGES[name])
        expect(window.locator("[data-not-known]")).to_contain_text("It was not logged.")
        refuse(window)
        for size in SIZES.values():
            window.set_viewport_size({"width": size[0], "height": size[1]})
            told = (name, scheme, size)
            assert sticks_out(window) == 0, told
            assert too_small(window) == [], told  # 44 CSS pixels: WCAG 2.2, 2.5.5
            assert window.evaluate(SMALLER_THAN_24) == [], told
            assert window.evaluate(CUT) == [], told
            if size != SIZES["tablet"]:
                assert accessibility(window) == [], told  # axe-core, all its rules
        moving = window.evaluate("document.getAnimations().length")
        assert moving == 0, told
        window.unroute("**/act")


@pytest.mark.parametrize("name", PAGES)
def test_everything_unfolded_at_200_percent(name: str, window: Any, bench: Running) -> None:
    # WCAG 2.2, 1.4.4 and 1.4.10: 200 % of a 1280 x 800 window is a window of half the CSS pixels
    window.set_viewport_size({"width": 640, "height": 400})
    show(window, bench, PAGES[name])
    open_up(window)
    assert sticks_out(window) == 0
    assert too_small(window) == []
    assert accessibility(window) == []


def test_all_keys_of_a_running_chain_are_in_one_look(window: Any, bench: Running) -> None:
    window.set_viewport_size({"width": 1280, "height": 800})
    show(window, bench, "/chains")
    last = window.locator("#lane-1 .key-row button").last.bounding_box()
    assert last["y"] + last["height"] <= 800


def test_an_odd_identifier_leads_to_its_own_pages(window: Any, bench: Running) -> None:
    show(window, bench, "/")
    window.get_by_role("link", name=ODD, exact=True).click()
    expect(window.get_by_role("heading", level=1)).to_have_text(f"Carrier {ODD}")
    window.get_by_role("link", name="Receipt", exact=True).click()
    expect(window.get_by_role("table")).to_contain_text(ODD)
    show(window, bench, "/packages")
    window.get_by_role("link").filter(has_text=f"All its fields: {ODD}").click()
    expect(window.get_by_role("heading", level=1)).to_have_text(f"Carrier {ODD}")


def test_dark_follows_the_machine_until_somebody_chooses(window: Any, bench: Running) -> None:
    shade = "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)"
    window.emulate_media(color_scheme="dark")
    show(window, bench, "/")
    darker = window.get_by_role("switch", name="Darker")
    assert max(window.evaluate(shade)) < 40
    expect(darker).to_have_attribute("aria-checked", "true")
    darker.click()
    expect(darker).to_have_attribute("aria-checked", "false")
    assert min(window.evaluate(shade)) > 200
    window.reload()
    assert min(window.evaluate(shade)) > 200


def test_no_raw_codes_and_no_machine_times(window: Any, bench: Running) -> None:
    """Words a person reads: no name of a schema's field, no time with a T in it. Rules and file names, which
    are looked up by their name, stand as code or are names somebody gave."""
    for name, path in PAGES.items():
        show(window, bench, path)
        text = window.evaluate(
            "(() => { const m = document.querySelector('main').cloneNode(true);"
            " m.querySelectorAll('code, .origin, .where, option, textarea, .hint').forEach("
            "(e) => e.remove()); return m.textContent; })()"
        )
        for raw in ("no_pcm_found", "custody_events", "audio_sha256", "transfer_events", "T00:", "+00:00\n"):
            assert raw not in text, (name, raw)


def test_the_frame_has_the_troubles_of_the_job(tmp_path: Path) -> None:
    from provpack.report.bench_pages import Frame, page

    frame = Frame(
        token="t", title="Packages", path="/packages", by="", job="J", n=0, now="2026-06-12T21:00:00+02:00"
    )
    view: dict[str, Any] = {
        "destination": "packages", "ready": [], "open": [], "any": False, "job_findings": [], "packages": [],
        "works": [], "busy": {}, "ledger": {"shown": [], "more": [], "trouble": ""},
    }  # fmt: skip
    said = "Line 14 of the bench log was changed after it was written."
    assert said not in page("packages", view, frame=frame)
    html = page("packages", {**view, "troubles": [said]}, frame=frame)
    alert = html[html.index('<div data-live="troubles">') : html.index("<main")]
    assert 'role="alert"' in alert and said in alert
