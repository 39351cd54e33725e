"""A browser for the pages of the bench: Chromium by Playwright, and what axe-core finds on a page."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from support.browser import chromium

ROOT = Path(__file__).resolve().parents[2]

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


@contextmanager
def window(browser: Any, opening: str, *, patience: int = 15_000) -> Iterator[Any]:
    """A window with cookies of its own that has opened the address which the program printed.

    An error of a script, or something the content security policy had to hold back, fails the test.
    """
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    troubles: list[str] = []
    try:
        context.set_default_timeout(patience)
        page = context.new_page()
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.on("console", lambda said: troubles.append(said.text) if "Security" in said.text else None)
        page.goto(opening)
        in_step(page)
        yield page
    except Exception as err:
        err.add_note(f"said by the window: {troubles}")
        raise
    finally:
        context.close()
    assert troubles == []


# A browser passes keys over that come between a navigation and its first picture. A window that is not drawn
# (behind others) has none to wait for.
DRAWN = """() => new Promise((done) => {
  const until = performance.now() + 2000;
  const look = () => (performance.getEntriesByType('paint').length || performance.now() > until
    ? done() : setTimeout(look, 10));
  look();
})"""


def in_step(page: Any) -> None:
    """Wait until the page says that it is in step with the program, and takes keys."""
    try:
        page.wait_for_selector("[data-link=step]")
        page.evaluate(DRAWN)
    except Exception as err:
        err.add_note(f"{page.url}: {page.locator('body').inner_text()[:600]}")
        raise


def show(page: Any, path: str) -> None:
    """Go to a page of the same bench, and wait until it is in step with the program."""
    page.goto(page.evaluate("location.origin") + path)
    in_step(page)


def log_of(job: Path) -> list[dict[str, Any]]:
    """The lines of the bench log of a job folder, read from the disk."""
    path = job / "bench-log.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    return [json.loads(line) for line in lines]


def jotting(job: Path, *words: str) -> subprocess.Popen[str]:
    """`provpack jot` in a process of its own, begun and not waited for. words: action, then its words."""
    action, *rest = words
    return subprocess.Popen(
        [sys.executable, "-m", "provpack", "jot", action, str(job), *rest],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip


def jot(job: Path, *words: str) -> tuple[int, str]:
    """The same, waited for: exit code, and all it said."""
    process = jotting(job, *words)
    out, err = process.communicate(timeout=60)
    return process.returncode, out + err


def chain_faults(job: Path) -> list[str]:
    """Where a line of the bench log does not follow the one before: each holds its number, and the SHA-512 of
    the line before it (schemas/bench-entry.schema.json, n and previous). The sums are this test's own."""
    found, before = [], "0" * 128
    for number, raw in enumerate((job / "bench-log.jsonl").read_bytes().splitlines(), 1):
        entry = json.loads(raw)
        if (entry["n"], entry["previous"]) != (number, before):
            found.append(f"line {number}: {entry['n']}, {entry['previous'][:8]} for {before[:8]}")
        before = hashlib.sha512(raw).hexdigest()
    return found


def fill_treatment(add: Any) -> None:
    """A cleaning that the client agreed to, written down in the form that is open."""
    add.locator("[name=type]").select_option('"cleaning"')
    add.locator("[name=start]").fill("2026-06-12")
    add.locator("[name=agent]").fill("Ilse Varrow")
    add.locator("[name=consent_by]").fill("Odo Fenwright, Ambersund Chamber Archive")
    add.locator("[name=consent_at]").fill("2026-06-10")
    add.locator("[name=consent_ref]").fill("letter 2026-17")
    add.get_by_role("button", name="Write it down").click()
