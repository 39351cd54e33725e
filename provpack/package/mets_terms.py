"""Words of METS 1.12.1: namespaces, element builders, identifiers.

Every ID is made of the kind of its element and of a name that does not depend on chance, so that building a
record twice gives one document. All begin with a letter and hold only letters, digits, `-` and `_`, which
makes them NCNames, as xs:ID asks (XML Schema 1.0 part 2, 3.3.8).
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from provpack.xmldoc import Node

METS = "http://www.loc.gov/METS/"
XLINK = "http://www.w3.org/1999/xlink"
HREF = f"{{{XLINK}}}href"


def el(name: str, attrib: dict[str, Any] | None = None, *children: Node | str | None) -> Node:
    """A METS element; attributes and children that are None or empty are left out."""
    kept = {key: str(value) for key, value in (attrib or {}).items() if value is not None and value != ""}
    return Node(f"{{{METS}}}{name}", kept, tuple(child for child in children if child is not None))


def ids(names: Iterable[str]) -> str | None:
    """A list of IDREFS, each once; None when there is none, since the attribute may not be empty."""
    return " ".join(dict.fromkeys(names)) or None


def moment(text: Any) -> str | None:
    """An xs:dateTime; None for what is not one: a date alone, a leap second, nothing at all."""
    try:
        at = datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return at.isoformat() if "T" in str(text) else None


def wrapped(md: str, name: str, content: Node, *, admid: str | None = None, **mdtype: str) -> Node:
    """One metadata section: `<md ID><mdWrap ..><xmlData>content`."""
    wrap = el("mdWrap", dict(mdtype), el("xmlData", None, content))
    return el(md, {"ID": name, "ADMID": admid}, wrap)
