"""iXML: only what must be compared with bext (iXML specification, BEXT object). Never written."""

from __future__ import annotations

import re

from provpack.chunks import rules
from provpack.chunks.bext import Bext
from provpack.chunks.limits import U32, Collector
from provpack.errors import InputProblem
from provpack.findings import Finding
from provpack.xmldoc import parse_untrusted

LOW = "BWF_TIME_REFERENCE_LOW"
HIGH = "BWF_TIME_REFERENCE_HIGH"


_UTF16_STARTS = (b"\xff\xfe", b"\xfe\xff", b"<\0", b"\0<")
_UTF16_BLANKS = {c + b"\0" for c in (b" ", b"\t", b"\r", b"\n", b"\0")}


def trimmed(data: bytes) -> bytes:
    """The document without the blanks and NULs that real files pad the chunk with.

    UTF-16, told by its first bytes (XML 1.0 appendix F), goes two bytes at a time: half its bytes are NULs.
    """
    if not data.startswith(_UTF16_STARTS):
        return data.strip(b" \t\r\n\0")
    end = len(data) - len(data) % 2
    while end > 2 and (data[end - 2 : end] in _UTF16_BLANKS or data[end - 2 : end][::-1] in _UTF16_BLANKS):
        end -= 2
    return data[:end]


def compare_with_bext(ixml: bytes, bext: Bext | None, where: str = "iXML") -> tuple[Finding, ...]:
    """Findings when the document cannot be read or its time reference is not that of bext.

    Some recorders write the low word as a negative number: both words are taken modulo 2**32. Never raises.
    """
    found = Collector("")
    try:
        root = parse_untrusted(ixml, where=where)
    except InputProblem as problem:
        found.add(rules.XML_BAD, f"{problem.what}", offset=0, chunk="iXML")
        return found.done()
    words: dict[str, int] = {}
    for element in root.iter(LOW, HIGH):
        text = (element.text or "").strip()
        if re.fullmatch(r"[+-]?[0-9]{1,19}", text):
            words.setdefault(str(element.tag), int(text))
    if bext is not None and LOW in words:
        total = ((words.get(HIGH, 0) & U32) << 32) | (words[LOW] & U32)
        if total != bext.time_reference:
            found.add(
                rules.IXML_DIFFERS,
                f"The time reference is {total} frames in iXML, {bext.time_reference} in bext.",
                offset=0,
                chunk="iXML",
            )
        elif words[LOW] < 0:
            found.add(
                rules.IXML_DIFFERS,
                f"iXML writes the low word of the time reference as {words[LOW]}; taken without a sign it "
                "agrees with bext.",
                offset=0,
                chunk="iXML",
                severity="note",
            )
    return found.done()
