"""`LIST INFO` (RIFF-1991, INFO list): tags with NUL-terminated text."""

from __future__ import annotations

import re
from collections.abc import Iterable

from provpack.chunks import rules
from provpack.chunks.limits import Collector, decode_text, id_text, until_nul
from provpack.chunks.lists import chunk_bytes, sub_chunks
from provpack.errors import RecordProblem
from provpack.findings import Finding

_TAG = re.compile(r"I[A-Z0-9]{3}")


def parse_info(data: bytes, where: str = "") -> tuple[tuple[tuple[str, str], ...], tuple[Finding, ...]]:
    """(tag, text) in file order, from the body of a LIST chunk that starts with `INFO`. Never raises.

    Offsets in findings count from the first byte of the body.
    """
    found = Collector(where)
    if data[:4] != b"INFO":
        found.add(rules.LIST_BAD, f"List type '{id_text(data[:4])}', not INFO.", offset=0, chunk="LIST")
        return (), found.done()
    entries: list[tuple[str, str]] = []
    for chunk_id, offset, body in sub_chunks(data, found):
        text, ascii_only = decode_text(until_nul(body))
        if not ascii_only:
            found.add(
                rules.TEXT_NOT_ASCII,
                f"{id_text(chunk_id)} of LIST INFO has bytes outside ASCII.",
                offset=offset,
                chunk="LIST",
            )
        entries.append((id_text(chunk_id), text))
    return tuple(entries), found.done()


def build_info(entries: Iterable[tuple[str, str]]) -> bytes:
    """The body of a LIST chunk, from `INFO` on; entries keep their order.

    Each text is written as ASCII with a NUL that counts in its size, then a pad byte when odd. Raises
    RecordProblem for a tag that is none, a tag given twice, or text outside printable ASCII.
    """
    body = b"INFO"
    seen: set[str] = set()
    for tag, text in entries:
        if not _TAG.fullmatch(tag) or tag in seen:
            raise _refused(tag, "the tag must be I and three capitals or digits, each only once")
        seen.add(tag)
        bad = next((c for c in text if not " " <= c <= "~"), None)
        if bad is not None:
            raise _refused(tag, f"U+{ord(bad):04X} is not printable ASCII")
        body += chunk_bytes(tag.encode("ascii"), text.encode("ascii") + b"\0")
    return body


def _refused(tag: str, why: str) -> RecordProblem:
    return RecordProblem(
        "info-entry-refused",
        f"The INFO entry {tag!r} cannot be written: {why}.",
        where=f"LIST INFO {tag}",
        todo="Correct the text; keep the full wording in the record.",
    )
