"""With the keyboard alone: everything is reached, the focus is seen, nothing is a trap, and the focus is not
lost when the page is brought up to date (WCAG 2.2, 2.1.1, 2.1.2, 2.4.3, 2.4.7)."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from bench_server.running import Running, running
from playwright.sync_api import expect
from support.benchbrowser import browsing, in_step
from support.benchfull import PAGES, full

FOCUS = """() => {
  const e = document.activeElement, s = getComputedStyle(e), box = e.getBoundingClientRect();
  return {body: e === document.body, outline: s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2,
          name: (e.getAttribute('aria-label') ?? e.textContent).trim().slice(0, 60), tag: e.tagName,
          seen: box.bottom > 0 && box.top < innerHeight && box.width > 0};
}"""
REACHABLE = """() => [...document.querySelectorAll(
    'a[href], button, input, select, textarea, summary, [tabindex="0"]')]
  .filter((e) => e.checkVisibility() && !e.disabled && e.type !== 'hidden').length"""

# What it is called, on which chain, and where it leads: a link to one place may stand twice.
NAMES = """() => [...document.querySelectorAll('main button, main a[href], main summary')]
  .filter((e) => e.checkVisibility())
  .map((e) => [(e.getAttribute('aria-label') ?? e.textContent).replace(/\\s+/g, ' ').trim(),
    e.closest('[data-lane-name]')?.dataset.laneName, e.getAttribute('href')].filter(Boolean).join(' / '))"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    made = full(tmp_path_factory.mktemp("evening"))
    with running(made.folder, "--to", str(made.destination), "--by", "Ilse Varrow") as one:
        yield one


@pytest.fixture(scope="module")
def window(bench: Running) -> Iterator[Any]:
    with ExitStack() as stack:
        browser = stack.enter_context(browsing())
        name, _, value = bench.cookie.partition("=")
        context = browser.new_context(viewport={"width": 1280, "height": 800})
        stack.callback(context.close)
        context.add_cookies([{"name": name, "value": value, "url": f"http://{bench.host}"}])
        context.set_default_timeout(15_000)
        yield context.new_page()


def show(page: Any, bench: Running, path: str) -> None:
    page.goto(f"http://{bench.host}{path}")
    in_step(page)


def tab_to(page: Any, name: str, key: str = "Tab") -> dict[str, Any]:
    """Press Tab until the focus is on what is called so."""
    for _ in range(300):
        page.keyboard.press(key)
        at: dict[str, Any] = page.evaluate(FOCUS)
        if name in at["name"]:
            assert at["outline"] and at["seen"], at
            return at
    raise AssertionError(f"{name} is not reached with {key}")


@pytest.mark.parametrize("name", PAGES)
def test_tab_goes_through_the_whole_page_and_out_of_it(name: str, window: Any, bench: Running) -> None:
    show(window, bench, PAGES[name])
    window.evaluate("document.activeElement.blur()")
    there, seen = window.evaluate(REACHABLE), []
    for _ in range(there + 20):
        window.keyboard.press("Tab")
        at = window.evaluate(FOCUS)
        if at["body"] or (seen and at["name"] == "Skip to the page"):
            break  # out of the page, into the browser's own controls; some of its builds begin anew at once
        assert at["outline"] and at["seen"], at
        seen.append(at["name"])
    else:
        raise AssertionError(f"a trap: {seen[-3:]}")
    assert len(seen) >= there - 20 * (
        name == "carriers"
    )  # the field with the focus at first is not blurred back
    assert seen[0] == "Skip to the page" or name == "carriers"


def test_an_event_is_logged_and_taken_back_by_keyboard_alone(
    window: Any, bench: Running, tmp_path: Path
) -> None:
    show(window, bench, "/chains")
    window.keyboard.press("Tab")
    window.keyboard.press("Enter")  # the skip link
    assert window.evaluate("document.activeElement.id") == "main"
    count = window.locator("#lane-1 .log h3")
    expect(count).to_have_text("Written down in this pass: 10")
    tab_to(window, "Signal lost")
    window.keyboard.press("Enter")
    expect(count).to_have_text("Written down in this pass: 11")
    assert "Signal lost" in window.evaluate(FOCUS)["name"]  # the page was brought up to date around it
    expect(window.locator("[data-say]")).to_contain_text("unlock")  # said to a screen reader
    tab_to(window, "Take it back", key="Shift+Tab")  # the last act stands before the keys
    window.keyboard.press("Enter")
    expect(count).to_have_text("Written down in this pass: 10")
    window.keyboard.press("1")
    window.keyboard.press("j")  # by its own key
    expect(count).to_have_text("Written down in this pass: 11")
    window.keyboard.press("n")
    window.keyboard.type("by hand")
    window.keyboard.press("Enter")
    expect(count).to_have_text("Written down in this pass: 12")
    window.keyboard.press("Escape")
    window.evaluate("document.activeElement.blur()")
    window.keyboard.press("z")
    assert window.evaluate("document.activeElement.id") == "outcome-1"


def test_what_can_be_pressed_has_a_name_of_its_own(window: Any, bench: Running) -> None:
    """Buttons with the same words are told apart by whom they are about (WCAG 2.2, 2.4.6)."""
    for name, path in PAGES.items():
        show(window, bench, path)
        window.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        names = window.evaluate(NAMES)
        assert [one for one in names if names.count(one) > 1] == [], name
        assert all(one.strip() for one in names), name
