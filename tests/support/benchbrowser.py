"""A browser for the pages of the bench: Chromium by Playwright, and what axe-core finds on a page."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from support.browser import chromium

# WCAG 2.2 success criterion 2.5.5 (enhanced) asks for 44 CSS pixels; a box counts with its label.
SMALL = """() => [...document.querySelectorAll('button, a, input, select, summary, textarea')]
  .filter((e) => e.checkVisibility() && !e.closest('.skip'))
  .map((e) => {
    const target = e.matches('[type=checkbox], [type=radio]') ? e.closest('label') : e;
    const box = target.getBoundingClientRect();
    return {width: box.width, height: box.height, what: e.outerHTML.slice(0, 120),
            inText: e.matches('p a, li a, dd a')};
  })
  .filter((one) => !one.inText && (one.width < 44 || one.height < 44))
  .map((one) => `${one.width} x ${one.height}: ${one.what}`)"""


@contextmanager
def browsing() -> Iterator[Any]:
    """Chromium, without a screen."""
    from playwright.sync_api import sync_playwright

    path = chromium()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


def accessibility(page: Any) -> list[str]:
    """What axe-core finds wrong: rule, and where."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [f"{v['id']}: {v['help']}: {[n['target'] for n in v['nodes']][:5]}" for v in found]


def too_small(page: Any) -> list[str]:
    """Things to press that are under 44 pixels high or wide."""
    found: list[str] = page.evaluate(SMALL)
    return found


def sticks_out(page: Any) -> int:
    """By how many pixels the page is wider than its window."""
    wide: int = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    return max(wide, 0)
