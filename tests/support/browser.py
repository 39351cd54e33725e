"""A real browser, without a screen: Chromium measures pages as it has laid them out, and prints them.

Pages carry no script and allow none; the measuring script stands in a frame of its own around copies of them.
"""

from __future__ import annotations

import html
import json
import os
import re
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

DARK = "@media screen and (prefers-color-scheme: dark)"
NAMES = ("chromium", "chromium-browser", "google-chrome")

# For each frame: how wide the page became, what sticks out, what lies on top of what, contrast of the text
# as painted (WCAG 2.2, relative luminance and contrast ratio), what the keyboard reaches and in what order.
SCRIPT = r"""
function channel(c) { c /= 255; return c <= 0.04045 ? c / 12.92 : Math.pow((c + 0.055) / 1.055, 2.4); }
function light(c) { return 0.2126 * channel(c[0]) + 0.7152 * channel(c[1]) + 0.0722 * channel(c[2]); }
function rgba(text) { const n = text.match(/[\d.]+/g).map(Number); return n.length < 4 ? [...n, 1] : n; }
function paper(win, e) {
  for (; e; e = e.parentElement) {
    const c = rgba(win.getComputedStyle(e).backgroundColor);
    if (c[3] > 0.99) return c;
  }
  return [255, 255, 255, 1];
}
function name(e) {
  const kind = typeof e.className === 'string' && e.className ? '.' + e.className : '';
  return e.tagName + kind + ': ' + e.textContent.trim().slice(0, 40);
}
function look(frame) {
  const win = frame.contentWindow, doc = frame.contentDocument, wide = win.innerWidth;
  const out = {width: wide, page: doc.documentElement.scrollWidth, height: doc.documentElement.scrollHeight,
               outside: [], over: [], faint: [], small: [], focus: []};
  const leaves = [];
  for (const e of doc.body.querySelectorAll('*')) {
    if (e.closest('svg') && e.tagName !== 'svg') continue;
    const box = e.getBoundingClientRect(), style = win.getComputedStyle(e);
    if (!box.width || !box.height || style.visibility === 'hidden') continue;
    if (e.closest('.unseen, .skip, thead')) continue;
    if (e.checkVisibility && !e.checkVisibility({contentVisibilityAuto: true})) continue;
    const own = [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim());
    if (box.right > wide + 1 && !e.closest('.scroll, pre')) out.outside.push(name(e));
    if (own) {
      const ink = light(rgba(style.color)), ground = light(paper(win, e));
      const ratio = (Math.max(ink, ground) + 0.05) / (Math.min(ink, ground) + 0.05);
      if (ratio < 4.5) out.faint.push(ratio.toFixed(2) + ' ' + name(e));
      if (parseFloat(style.fontSize) < 11) out.small.push(style.fontSize + ' ' + name(e));
      if (!e.closest('.scroll')) {
        const range = doc.createRange(); range.selectNodeContents(e);
        for (const r of range.getClientRects()) if (r.width > 1 && r.height > 1) leaves.push([r, e]);
      }
    }
  }
  leaves.sort((a, b) => a[0].top - b[0].top);
  for (let i = 0; i < leaves.length; i++) {
    const [a, x] = leaves[i];
    for (let j = i + 1; j < leaves.length && leaves[j][0].top < a.bottom - 1; j++) {
      const [b, y] = leaves[j];
      if (x === y || x.contains(y) || y.contains(x)) continue;
      const w = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const h = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (w > 2 && h > 4) out.over.push(name(x) + ' | ' + name(y));
    }
  }
  for (const e of doc.querySelectorAll('a[href], [tabindex], summary')) {
    e.focus({focusVisible: true});
    const style = win.getComputedStyle(e), box = e.getBoundingClientRect();
    const shown = box.width > 0 && box.right > 0 && box.left < wide;
    out.focus.push({what: name(e), got: doc.activeElement === e, line: style.outlineStyle,
                    thick: parseFloat(style.outlineWidth), shown: shown});
  }
  return out;
}
window.addEventListener('load', () => {
  const told = {};
  for (const frame of document.querySelectorAll('iframe')) told[frame.title] = look(frame);
  document.body.replaceChildren();
  const pre = document.createElement('pre');
  pre.id = 'told'; pre.textContent = JSON.stringify(told);
  document.body.append(pre);
});
"""


def chromium() -> str:
    """The browser; skips the test where there is none, and fails it where there must be one (CI)."""
    found = next(filter(None, map(shutil.which, NAMES)), None)
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail("Chromium is not installed; with CI=true the pages must be looked at")
        pytest.skip("Chromium is not installed; the pages are not looked at in a browser")
    return found


def run(folder: Path, *words: str) -> str:
    done = subprocess.run(
        [chromium(), "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
         "--no-first-run", "--disable-extensions", "--disable-background-networking",
         f"--user-data-dir={folder / 'profile'}", *words],
        capture_output=True, text=True, encoding="utf-8", timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def without_policy(page: str) -> str:
    """The page as it is, save that it no longer forbids what its frame needs to look inside."""
    return re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page)


def darkened(page: str) -> str:
    """The page as on a screen that asks for dark colours."""
    assert DARK in page
    return page.replace(DARK, "@media screen")


def enlarged(page: str, percent: int) -> str:
    """The page with its text made larger, as a reader does who needs it."""
    return page.replace("</style>", f"html {{ font-size: {percent}%; }}</style>", 1)


def measure(folder: Path, cases: Mapping[str, tuple[str, int]]) -> dict[str, Any]:
    """What the browser sees: by name of the case; a case is a page and the width of its window in pixels."""
    frames = "".join(
        f'<iframe title="{name}" style="border:0;height:900px;width:{width}px" '
        f'srcdoc="{html.escape(without_policy(page))}"></iframe>'
        for name, (page, width) in cases.items()
    )
    place = folder / "frames.html"
    place.write_text(
        f"<!DOCTYPE html><meta charset=utf-8><script>{SCRIPT}</script><body>{frames}</body>", encoding="utf-8"
    )
    seen = run(folder, "--window-size=1600,1000", "--virtual-time-budget=20000", "--dump-dom", place.as_uri())
    found = re.search(r'<pre id="told">(.*?)</pre>', seen, re.DOTALL)
    assert found is not None, seen[-500:]
    told: dict[str, Any] = json.loads(html.unescape(found[1]))
    assert set(told) == set(cases)
    return told


def printed(folder: Path, page: str) -> bytes:
    """The page printed to PDF."""
    place, target = folder / "printed.html", folder / "printed.pdf"
    place.write_text(page, encoding="utf-8")
    run(folder, "--no-pdf-header-footer", f"--print-to-pdf={target}", place.as_uri())
    return target.read_bytes()


def sheets(pdf: bytes) -> list[tuple[float, float]]:
    """Width and height of every page of a PDF in points (ISO 32000-2, 7.7.3.3: /Type /Page, /MediaBox)."""
    pages = re.findall(rb"<<(?:(?!endobj).)*?/Type\s*/Page\b(?!s)(?:(?!endobj).)*", pdf, re.DOTALL)
    boxes = [re.search(rb"/MediaBox\s*\[\s*([\d.\s]+)\]", page) for page in pages]
    sizes = [tuple(map(float, box[1].split())) for box in boxes if box is not None]
    assert len(sizes) == len(pages)
    return [(right - left, top - bottom) for left, bottom, right, top in sizes]


def picture_size(png: bytes) -> tuple[int, int]:
    """Width and height of a PNG (ISO/IEC 15948, IHDR)."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    return int.from_bytes(png[16:20], "big"), int.from_bytes(png[20:24], "big")
