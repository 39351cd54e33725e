"""The two structural maps of METS: the carrier as a thing, and the item as a work.

physical: carrier > pass > file; photographs and papers stand under the carrier too.
logical: item > programme segment > the stretch of the file that holds it. A derivative is a second pointer of
the same division, not a `par`: `par` means played at the same time (mets.xsd 1.12.1, parType).
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from provpack.package.dublincore import segment_node, source_item_node, urn
from provpack.package.mets_admin import Admin, event_id
from provpack.package.mets_files import file_id
from provpack.package.mets_terms import HREF, el, wrapped
from provpack.package.mets_time import clock_time, keeps_time, rate_of, rate_words
from provpack.package.premis_view import Json, View, at, rows, spoken
from provpack.xmldoc import Node

ITEM_DMD = "dmdsec-item"
_PAPERS = ("photo", "label_scan", "document", "log", "sidecar")


def _segment_dmd(number: int) -> str:
    return f"dmdsec-segment-{number}"


def _source_dmd(number: int) -> str:
    return f"dmdsec-source-{number}"


def _fptr(name: str) -> Node:
    return el("fptr", {"FILEID": file_id(name)})


# --- physical ---


def build_physical(view: View, admin: Admin) -> Node:
    """`structMap TYPE="physical"`: the carrier, its passes in order, what was put beside it."""
    carrier = at(view.record, "carrier")
    label = at(carrier, "carrier_id") or at(carrier, "carrier_type_note") or at(carrier, "carrier_type")
    packed = {received: name for name, received in view.received.items()}
    placed: set[str] = set()
    passes: list[Node] = []
    for number, (event, entry) in enumerate(view.passes, start=1):
        left = view.made_by_pass(entry)
        name = packed.get(left, left) if left else None
        placed |= {name} if name else set()
        passes.append(
            el(
                "div",
                {
                    "ID": f"div-pass-{number}",
                    "TYPE": "pass",
                    "ORDER": number,
                    "LABEL": f"pass {entry.get('n', number)}",
                    "ADMID": event_id(event),
                },
                _fptr(name) if name else None,
            )
        )
    masters = [name for name in view.named("master") if name not in placed]
    loose = [name for name in view.named("pass") if name not in placed]
    assembled = rows(at(view.record, "processing", "assembly"))
    top = el(
        "div",
        {
            "ID": "div-carrier",
            "TYPE": "carrier",
            "LABEL": spoken(label),
            "ADMID": admin.of_carrier(),
        },
        *(_fptr(name) for name in (*(() if assembled else masters), *loose)),
        *passes,
        _assembly(masters, assembled) if assembled and masters else None,
        _papers(view),
    )
    return el("structMap", {"ID": "structmap-physical", "TYPE": "physical"}, top)


def _assembly(masters: Sequence[str], parts: Sequence[Json]) -> Node:
    numbers = dict.fromkeys(spoken(part.get("pass_n")) for part in parts)
    attrib = {"TYPE": "assembled from passes", "LABEL": f"assembled from passes {', '.join(numbers)}"}
    return el("div", {"ID": "div-assembly", **attrib}, *map(_fptr, masters))


def _papers(view: View) -> Node | None:
    names = [name for name, file in view.numbered if file.get("role") in _PAPERS]
    attrib = {"ID": "div-documents", "TYPE": "documents", "LABEL": "photographs, papers, logs"}
    return el("div", attrib, *map(_fptr, names)) if names else None


# --- logical ---


def area_words(start: int, end: int | None, rate: Fraction) -> str:
    """The exact frames of a stretch, half-open, since TIME cannot hold them."""
    frames = f"frames {start} to {end}, end not included" if end is not None else f"from frame {start}"
    return f"{frames}, at {rate_words(rate)}"


def _area(name: str, start: Any, end: Any, rate: Fraction | None) -> Node:
    """A stretch of a file; the whole file where position or rate is not known. END is the moment at which
    the last frame has ended, which is the moment the first frame after it begins."""
    if not isinstance(start, int) or rate is None:
        return _fptr(name)
    known = end if isinstance(end, int) else None
    attrib = {
        "FILEID": file_id(name),
        "BETYPE": "TIME",
        "BEGIN": clock_time(start, rate),
        "END": clock_time(known, rate) if known is not None else None,
        "LABEL": area_words(start, known, rate),
    }
    return el("fptr", None, el("area", attrib))


def build_logical(view: View, admin: Admin) -> Node:
    """`structMap TYPE="logical"`: the item, its programme segments, the carriers it runs over."""
    item, rate = at(view.record, "item"), rate_of(view.record)
    masters = view.named("master")
    derived = [(name, file) for name, file in view.numbered if file.get("role") == "derivative"]
    timed = [*masters, *(name for name, file in derived if keeps_time(view, file))]
    segments = [
        el(
            "div",
            {
                "ID": f"div-segment-{number}",
                "TYPE": "programme segment",
                "ORDER": number,
                "LABEL": spoken(part.get("title")),
                "DMDID": _segment_dmd(number),
            },
            *(_area(name, part.get("start"), part.get("end"), rate) for name in timed),
        )
        for number, part in enumerate(rows(at(item, "programme_segments")), start=1)
    ]
    top = el(
        "div",
        {
            "ID": "div-item",
            "TYPE": "item",
            "LABEL": spoken(at(item, "title")),
            "DMDID": ITEM_DMD,
            "ADMID": admin.of_package(),
        },
        *map(_fptr, (*masters, *(name for name, _ in derived))),
        *segments,
        _sources(view, timed, rate),
    )
    return el("structMap", {"ID": "structmap-logical", "TYPE": "logical"}, top)


def _sources(view: View, timed: Sequence[str], rate: Fraction | None) -> Node | None:
    """The carriers of one item in playing order; one that has a record of its own is pointed at by the
    OBJID of the METS document made with that record. Where the next carrier begins, this one ends."""
    entries = rows(at(view.record, "item", "source_items"))
    joins = sorted(e["join_frame"] for e in entries if isinstance(e.get("join_frame"), int))
    divs: list[Node] = []
    for number, entry in enumerate(entries, start=1):
        start, other = entry.get("join_frame"), entry.get("record_id")
        after = [join for join in joins if isinstance(start, int) and join > start]
        known = isinstance(start, int)
        divs.append(
            el(
                "div",
                {
                    "ID": f"div-source-{number}",
                    "TYPE": "source carrier",
                    "ORDER": entry.get("order"),
                    "LABEL": spoken(entry.get("carrier_id") or entry.get("client_item_id")),
                    "DMDID": _source_dmd(number),
                },
                el("mptr", {"LOCTYPE": "URN", HREF: urn(other)})
                if other and other != view.record_id
                else None,
                *(_area(name, start, after[0] if after else None, rate) for name in timed if known),
            )
        )
    attrib = {"ID": "div-sources", "TYPE": "source carriers", "LABEL": "carriers of the item"}
    return el("div", attrib, *divs) if divs else None


def build_descriptions(view: View, item: Node) -> list[Node]:
    """`dmdSec` of the item, of each segment and of each source carrier; item: the Dublin Core node."""
    details = at(view.record, "item")
    out = [wrapped("dmdSec", ITEM_DMD, item, MDTYPE="DC")]
    for number, part in enumerate(rows(at(details, "programme_segments")), start=1):
        node = segment_node(part, view.record)
        out.append(wrapped("dmdSec", _segment_dmd(number), node, MDTYPE="DC"))
    for number, entry in enumerate(rows(at(details, "source_items")), start=1):
        out.append(wrapped("dmdSec", _source_dmd(number), source_item_node(entry), MDTYPE="DC"))
    return out
