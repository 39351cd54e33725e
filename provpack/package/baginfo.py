"""Read bag-info.txt (package-info.txt up to 0.95): ordered, repeatable elements. RFC 8493 section 2.2.2."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from provpack.findings import Finding
from provpack.package import bagrules as text_rules
from provpack.package.bagdeclaration import Declaration, text_lines
from provpack.package.bagpaths import Findings, readable

__all__ = ["BagInfo", "Element", "Oxum", "parse_bag_info"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Element:
    """One element; a folded value keeps its line breaks as LF and loses the padding."""

    label: str
    value: str
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Oxum:
    """Payload-Oxum: bytes and number of payload files."""

    octets: int
    streams: int
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BagInfo:
    """bag-info.txt as read, elements in file order."""

    name: str
    elements: tuple[Element, ...]
    oxums: tuple[Oxum, ...]
    findings: tuple[Finding, ...]

    def values(self, label: str) -> tuple[str, ...]:
        """All values of a label; labels do not count case."""
        return tuple(e.value for e in self.elements if e.label.lower() == label.lower())


_ONCE = {
    "bagging-date": "Bagging-Date",
    "bag-size": "Bag-Size",
    "bag-group-identifier": "Bag-Group-Identifier",
    "bag-count": "Bag-Count",
}


def parse_bag_info(data: bytes, declaration: Declaration, name: str = "bag-info.txt") -> BagInfo:
    """Read the elements. Older bags may have blanks around the colon, 1.0 bags may not."""
    found = Findings(name)
    rows: list[tuple[int, str, list[str]]] = []
    for number, text in text_lines(data, declaration, found):
        if found.hopeless(text_rules.INFO_LINE):
            break
        if text[:1] in (" ", "\t"):
            if rows and rows[-1][1]:
                rows[-1][2].append(text.strip(" \t"))
            else:
                found.add(text_rules.INFO_LINE, "A continuation line has no element before it.", line=number)
        elif not text:
            found.add(text_rules.BLANK_LINE, "The line is blank.", line=number)
            # What follows a blank line cannot continue the element before it.
            rows.append((number, "", []))
        else:
            label, colon, value = text.partition(":")
            if not colon or not label.strip():
                found.add(
                    text_rules.INFO_LINE, f"{readable(text[:200])!r} is not 'Label: value'.", line=number
                )
                rows.append((number, "", []))
                continue
            if label != label.rstrip(" \t"):
                found.add(
                    text_rules.INFO_LINE,
                    f"There is a blank between {readable(label.strip())!r} and its colon.",
                    line=number,
                    severity=declaration.laxer,
                )
            if value[:1] not in (" ", "\t"):
                found.add(
                    text_rules.INFO_LINE,
                    f"There is no blank after the colon of {readable(label.strip())!r}.",
                    line=number,
                    severity=declaration.laxer,
                )
            rows.append((number, label.rstrip(" \t"), [value.strip(" \t")]))
    elements = tuple(
        Element(label=label, value="\n".join(parts), line=number) for number, label, parts in rows if label
    )
    oxums = _judge(elements, declaration, found)
    return BagInfo(name=name, elements=elements, oxums=oxums, findings=found.done())


def _judge(elements: tuple[Element, ...], declaration: Declaration, found: Findings) -> tuple[Oxum, ...]:
    """Check the reserved elements that have a form or must not repeat."""
    counts = Counter(e.label.lower() for e in elements)
    oxums = []
    seen: set[str] = set()
    for element in elements:
        key = element.label.lower()
        again = key in seen
        seen.add(key)
        if key in _ONCE and again:
            found.add(
                text_rules.INFO_REPEATED,
                f"{_ONCE[key]} stands {counts[key]} times; it should not repeat.",
                line=element.line,
            )
        if key == "payload-oxum":
            if again:
                found.add(
                    text_rules.INFO_REPEATED,
                    f"Payload-Oxum stands {counts[key]} times; it must not repeat.",
                    line=element.line,
                    severity=declaration.laxer,
                )
            match = re.fullmatch(r"([0-9]{1,19})\.([0-9]{1,19})", element.value)
            if match:
                oxums.append(Oxum(octets=int(match[1]), streams=int(match[2]), line=element.line))
            else:
                found.add(
                    text_rules.OXUM_FORM,
                    f"Payload-Oxum is {readable(element.value[:80])!r}, not bytes, a dot and the file count.",
                    line=element.line,
                )
        elif key == "bagging-date" and not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", element.value):
            found.add(
                text_rules.INFO_VALUE,
                f"Bagging-Date is {readable(element.value[:80])!r}, not YYYY-MM-DD.",
                line=element.line,
            )
        elif key == "bag-count" and not re.fullmatch(r"[0-9]+ +of +(?:[0-9]+|\?)", element.value):
            found.add(
                text_rules.INFO_VALUE,
                f"Bag-Count is {readable(element.value[:80])!r}, not 'N of T' or 'N of ?'.",
                line=element.line,
            )
    return tuple(oxums)
