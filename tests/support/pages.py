"""Reading a page as a strict parser does, measuring its colours, and text that tries to break out of it."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

from lxml import html

VOID = {"meta", "br", "hr", "img", "link", "input", "source", "wbr"}
HOSTILE = (
    "</title></style><script>alert(1)</script><img src=http://x/ onerror=a()>"
    "\"'`&lt;\x00\x1b[31m\u202e{{7*7}}{% x %}"
)


class Reader(HTMLParser):
    """Tags in order, attributes, text; complains about tags that do not match."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.words: list[str] = []
        self.styles: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        (self.styles if self.open and self.open[-1] == "style" else self.words).append(data)


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definitions)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def palettes(style: str) -> dict[str, dict[str, str]]:
    """The colours by name, on a light screen and paper, and on a dark screen."""
    light, _, dark = style.partition("@media screen and (prefers-color-scheme: dark)")
    found = re.compile(r"--([\w-]+): (#[0-9a-f]{6});")
    return {"light": dict(found.findall(light)), "dark": dict(found.findall(dark))}


def check_structure(text: str) -> Any:
    """What every page must be, whatever it says; returns the tree (lxml, HTML).

    WCAG 2.2: 3.1.1 language, 2.4.1 skip link, 2.4.2 title, 1.3.1 headings, tables and landmarks, 2.4.3 focus
    order, 1.1.1 pictures, 2.3.3 no motion. HTML Living Standard: unique ids, links that lead somewhere.
    """
    Reader(text)
    tree = html.document_fromstring(text)
    (root,) = tree.xpath("/html")
    assert root.get("lang") == "en" and tree.findtext("head/title").strip()
    assert not tree.xpath("//script|//img|//iframe|//object|//embed|//link|//form|//base|//*[@style]")
    assert not [a for a in tree.xpath("//@*") if re.match(r"\s*(javascript|data):", a, re.IGNORECASE)]
    ids = tree.xpath("//@id")
    assert len(ids) == len(set(ids))
    for link in tree.xpath("//a/@href"):
        assert not re.match(r"[a-z]+:|//|/", link, re.IGNORECASE), f"{link} leads out of the folder"
        assert link[:1] != "#" or link[1:] in ids, link
    for names in tree.xpath("//@aria-labelledby"):
        assert set(names.split()) <= set(ids), names
    first = tree.xpath("//body//*[self::a[@href] or @tabindex or self::summary]")[0]
    assert first.get("class") == "skip" and first.get("href")[1:] in ids
    assert set(tree.xpath("//@tabindex")) <= {"0"}, "the keyboard follows the order of the page"
    for landmark in ("header", "main"):
        assert len(tree.xpath(f"//body/{landmark}")) == 1, landmark
    assert all(nav.get("aria-label") for nav in tree.xpath("//nav"))
    levels = [int(h.tag[1]) for h in tree.xpath("//h1|//h2|//h3|//h4|//h5|//h6")]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels)), "no heading level is skipped"
    assert all("".join(h.itertext()).strip() for h in tree.xpath("//h1|//h2|//h3"))
    for table in tree.xpath("//table"):
        assert table.xpath("caption") and table.xpath("thead/tr/th[@scope='col']"), "caption and column heads"
        assert table.xpath("tbody/tr[not(th[@scope='row'])]") == [] or not table.xpath("tbody/tr/th")
        widths = {len(row.xpath("th|td")) for row in table.xpath("thead/tr|tbody/tr")}
        assert len(widths) == 1, "every row has the cells its head has"
    assert all(th.get("scope") in ("row", "col") for th in tree.xpath("//th"))
    for region in tree.xpath("//*[@tabindex]"):
        assert region.get("aria-label") or region.get("aria-labelledby"), "what can be focused has a name"
    for svg in tree.xpath("//svg[not(ancestor::svg)]"):
        told = svg.get("aria-labelledby") or svg.get("aria-label")
        assert told or svg.get("aria-hidden") == "true", "a picture has words, or is none"
    style = "".join(tree.xpath("//style/text()"))
    assert not re.search(r"url\(|@import|transition|animation|scroll-behavior|</", style)
    return tree


def words_of(tree: Any) -> str:
    """The text of the body as one line, without the style sheet."""
    return " ".join(" ".join(tree.xpath("//body//text()")).split())
