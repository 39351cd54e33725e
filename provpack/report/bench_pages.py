"""The pages of the bench: a view (plain values, all decisions taken) becomes HTML through one template each.

A page says nothing that its view does not hold; the frame around it is the same for all. No inline script and
no inline style: the server's content security policy allows neither.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from provpack.report.bench_addresses import ADDRESSES
from provpack.report.bench_after import after_parts
from provpack.report.bench_words import place, plainly, remedy
from provpack.report.html import page_of
from provpack.report.html_values import words
from provpack.report.html_words import label

PAGES: Final[Mapping[str, tuple[str, str]]] = {
    "carriers": ("carriers.html", "/"),
    "carrier": ("carrier.html", "/"),
    "receipt": ("receipt.html", "/"),
    "chains": ("chains.html", "/chains"),
    "after": ("after.html", "/chains"),
    "packages": ("packages.html", "/packages"),
    "machines": ("machines.html", "/machines"),
    "machine": ("machine.html", "/machines"),
}
"""Name of a page -> its template below templates/bench/, and the entry of the contents it belongs to."""

CONTENTS: Final = (
    ("/", "Carriers"), ("/chains", "Chains"), ("/packages", "Packages"), ("/machines", "Set-up")
)  # fmt: skip
_OFFSET = re.compile(r"[+-]\d{2}:\d{2}(?=(?::\d{2})?$)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What stands around every page.

    token: the page token that goes back in the X-Bench header. path: address of the page. by: who is at the
    bench, may be "". n: number of the last line of the bench log the page shows. now: ISO 8601 with offset,
    the program's clock when the page was made; its offset is the one all times of the page are shown in.
    works: what runs or ran in the background, in the shape of a `work` event.
    """

    token: str
    title: str
    path: str
    by: str
    job: str
    n: int
    now: str
    works: tuple[Mapping[str, Any], ...] = ()

    @property
    def zone(self) -> str:
        """Offset from UTC as people write it: "UTC+02:00"."""
        return f"UTC{_OFFSET.findall(self.now)[0]}"


def page(
    name: str, view: Mapping[str, Any], *, frame: Frame, between: Callable[[], object] = lambda: None
) -> str:
    """The page of that name (a key of PAGES) as HTML text. Whatever its template misses is raised.
    between is called again and again while it is made: there the caller may let others go first.

    Templates have `view`, `frame`, `to` (the addresses of other pages), `label(field)` (what a field is
    called) and `said(field, value)` (a value of the record in plain words), as the report of a package has
    them, and `plainly`, `remedy` and `place` for findings.
    """
    template, entry = PAGES[name]

    def said(field: str, value: Any) -> str:
        between()
        return words(field, value)

    def called(field: str) -> str:
        between()
        return label(field)

    return page_of(
        "bench/" + template,
        view=view,
        frame=frame,
        contents=CONTENTS,
        entry=entry,
        to=ADDRESSES,
        label=called,
        plainly=plainly,
        place=place,
        remedy=remedy,
        said=said,
        drawing=after_parts(view) if name == "after" else {},
    )
