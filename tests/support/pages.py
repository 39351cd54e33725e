"""Reading a page as a strict parser does, measuring its colours, and text that tries to break out of it."""

from __future__ import annotations

from html.parser import HTMLParser

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
