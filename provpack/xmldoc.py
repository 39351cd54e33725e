"""The door to lxml: parse XML we did not write, and write XML ourselves.

Parsing is hardened: no DTD is loaded, no entity is expanded, nothing is fetched, and trees deeper or
larger than libxml2's own limits are refused. A document type declaration is refused outright, because
nothing this trade puts into a chunk needs one and every known expansion attack does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from provpack.errors import InputProblem

if TYPE_CHECKING:
    from lxml.etree import _Element

SIZE_LIMIT = 16 * 1024 * 1024


class XmlProblem(InputProblem):
    """XML that is not well-formed or not safe to read."""


@dataclass(frozen=True, slots=True)
class Raw:
    """An already serialised, well-formed XML document, to be embedded as a child element."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Node:
    """An element to be written: tag is `{namespace}local`."""

    tag: str
    attrib: Mapping[str, str] = field(default_factory=dict)
    children: tuple[Node | str | Raw, ...] = ()


def parse_untrusted(data: bytes, *, where: str, limit: int = SIZE_LIMIT) -> _Element:
    """The root element of an XML document from an unknown hand. Raises XmlProblem."""
    from lxml import etree

    if len(data) > limit:
        raise XmlProblem(
            "xml-too-large",
            f"The XML document has {len(data)} bytes; more than {limit} are not read.",
            where=where,
            todo="Look at the document with a text viewer; it is kept as received.",
        )
    parser = etree.XMLParser(
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        dtd_validation=False,
        huge_tree=False,
        remove_comments=False,
        remove_pis=False,
    )
    try:
        root = etree.fromstring(data, parser)
    except (etree.XMLSyntaxError, ValueError) as err:
        line = getattr(err, "lineno", None)
        raise XmlProblem(
            "xml-not-well-formed",
            f"The XML document cannot be read: {err}",
            where=f"{where}, line {line}" if line else where,
            todo="It is kept as received; ask whoever wrote it for a well-formed copy.",
        ) from None
    if str(getattr(root.getroottree().docinfo, "doctype", "")):
        raise XmlProblem(
            "xml-doctype-refused",
            "The XML document carries a document type declaration, which is not read for safety.",
            where=where,
            todo="It is kept as received; remove the declaration if the content is needed.",
        )
    return root


def clean_text(text: str) -> str:
    """Text with the characters XML 1.0 cannot hold (section 2.2, Char) replaced by U+FFFD."""
    return "".join(
        c
        if c in "\t\n\r" or "\x20" <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c >= "\U00010000"
        else "\ufffd"
        for c in text
    )


def serialise(root: Node, *, prefixes: Mapping[str, str]) -> bytes:
    """UTF-8 bytes of a document, with declaration; prefixes maps prefix to namespace ("" = default)."""
    from lxml import etree

    nsmap: Any = {(prefix or None): uri for prefix, uri in prefixes.items()}

    def build(node: Node, parent: _Element | None) -> _Element:
        attrib = {k: clean_text(v) for k, v in node.attrib.items()}
        element = (
            etree.Element(node.tag, attrib, nsmap=nsmap)
            if parent is None
            else etree.SubElement(parent, node.tag, attrib)
        )
        last: _Element | None = None
        for child in node.children:
            if isinstance(child, str):
                text = clean_text(child)
                if last is None:
                    element.text = (element.text or "") + text
                else:
                    last.tail = (last.tail or "") + text
            elif isinstance(child, Raw):
                last = parse_untrusted(child.data, where="embedded document")
                element.append(last)
            else:
                last = build(child, element)
        return element

    tree = build(root, None)
    return etree.tostring(tree, xml_declaration=True, encoding="UTF-8", pretty_print=True)
