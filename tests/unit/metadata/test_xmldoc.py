"""The door to XML: what is refused, and that what is written is read by another parser (xml.etree of the
Python library) as it was meant. XML 1.0 section 2.2 (characters), 2.4 (markup), 2.8 (document type)."""

from __future__ import annotations

import xml.etree.ElementTree as Outside

import pytest

from provpack.xmldoc import Node, Raw, XmlProblem, parse_untrusted, serialise

NS = "urn:example:tapes"


def test_text_stands_where_it_was_put() -> None:
    node = Node(
        f"{{{NS}}}a",
        {"k": 'x < "y" & z'},
        (
            "one ",
            "two",
            Node(f"{{{NS}}}b", {}, ("in",)),
            " after",
            " more",
            Raw(b"<c>raw</c>"),
            "end\x00 ]]>",
        ),
    )
    root = Outside.fromstring(serialise(node, prefixes={"t": NS}))
    assert (root.tag, root.attrib, root.text) == (f"{{{NS}}}a", {"k": 'x < "y" & z'}, "one two")
    first, second = root
    assert (first.tag, first.text, first.tail) == (f"{{{NS}}}b", "in", " after more")
    assert (second.tag, second.text, second.tail) == ("c", "raw", "end\ufffd ]]>")


@pytest.mark.parametrize(
    ("data", "code", "where"),
    [
        (b"<a>" + b" " * 100 + b"</a>", "xml-too-large", "notes.xml"),
        (b"<a>\n<b></a>", "xml-not-well-formed", "notes.xml, line 2"),
        (b"", "xml-not-well-formed", "notes.xml"),
        (b"<!DOCTYPE a><a/>", "xml-doctype-refused", "notes.xml"),
        (b'<!DOCTYPE a [<!ENTITY e "x">]><a>&e;</a>', "xml-doctype-refused", "notes.xml"),
    ],
)
def test_what_is_not_read(data: bytes, code: str, where: str) -> None:
    with pytest.raises(XmlProblem) as refused:
        parse_untrusted(data, where="notes.xml", limit=100)
    assert refused.value.code == code and refused.value.where.startswith(where)


@pytest.mark.parametrize("over", [0, 1])
def test_the_limit_is_the_largest_that_is_read(over: int) -> None:
    data = b"<a>" + b" " * 93 + b"</a>"
    if not over:
        assert parse_untrusted(data, where="x", limit=len(data)).tag == "a"
    else:
        with pytest.raises(
            XmlProblem, match=f"has {len(data)} bytes; more than {len(data) - 1} are not read"
        ):
            parse_untrusted(data, where="x", limit=len(data) - 1)
