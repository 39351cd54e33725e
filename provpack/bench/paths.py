"""The address of a request as its parts, each decoded exactly once. Pure."""

from __future__ import annotations

import unicodedata
from typing import Final
from urllib.parse import unquote_to_bytes

MAX_PART: Final = 400
_MAX_PARTS: Final = 40


def parts_of_path(raw: bytes) -> tuple[str, ...] | None:
    """`/carrier/A%2F1` -> ("carrier", "A/1"); `/` -> (). None for what no page of ours has as an address:
    empty parts, `.` and `..`, control characters, what is no UTF-8, anything far too long."""
    if not raw.startswith(b"/"):
        return None
    if raw == b"/":
        return ()
    pieces = raw[1:].split(b"/")
    if len(pieces) > _MAX_PARTS:
        return None
    out = []
    for piece in pieces:
        part = decoded(piece)
        if part is None or part in ("", ".", ".."):
            return None
        out.append(part)
    return tuple(out)


def decoded(piece: bytes, limit: int = MAX_PART) -> str | None:
    """Percent-encoded UTF-8 as text; None when it is none, too long, or holds control characters."""
    if len(piece) > 3 * limit:
        return None
    try:
        text = unquote_to_bytes(piece).decode("utf-8")
    except UnicodeDecodeError:
        return None
    if len(text) > limit or any(unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") for c in text):
        return None
    return text


def matched(pattern: tuple[str, ...], parts: tuple[str, ...]) -> tuple[str, ...] | None:
    """The parts that stand where the pattern has `{}`, and what its last `{*}` takes, joined with `/`."""
    if pattern and pattern[-1] == "{*}":
        fixed = len(pattern) - 1
        if len(parts) <= fixed:
            return None
        head = matched(pattern[:-1], parts[:fixed])
        return None if head is None else (*head, "/".join(parts[fixed:]))
    if len(pattern) != len(parts):
        return None
    for wanted, part in zip(pattern, parts, strict=True):
        if wanted not in ("{}", part):
            return None
    return tuple(part for wanted, part in zip(pattern, parts, strict=True) if wanted == "{}")
