"""What a power cut leaves of an append, and what it never leaves.

One append writes whole lines, front to back. Cut short it leaves the beginning of a line of ours: compact
JSON that opens an object, in its place in the chain. Where the file grew before its bytes reached the disk,
zero bytes follow that beginning, or stand in its place (behind other entries: a file of zeros alone is a lost
ledger). Anything else after the last line end was put there by something else.
"""

from __future__ import annotations

import codecs
import json
import re
from collections.abc import Iterator
from typing import Any, Final

LONGEST_LINE: Final = 1024 * 1024
"""Bytes; our lines have about a thousand."""
LONGEST_FIRST: Final = 256 * 1024
"""Bytes of a first line cut short. A file of nothing else has lost a ledger sooner than a longer line."""
_DEEPEST: Final = 20

_TOKEN = re.compile(r'["\[\]{}]')
_STRING = re.compile(
    r'"[^"\\]*(?:\\(?:u[0-9a-fA-F]{4}|[^u])[^"\\]*)*("|\\(?:u[0-9a-fA-F]{0,3})?\Z|\Z)', re.DOTALL
)
_ENDINGS = ("", "null", ":null", '"":null', *(w[n:] for w in ("true", "false", "null") for n in range(1, 4)))


def may_be_torn(rest: bytes, number: int, digest: str) -> bool:
    """Whether these bytes may be the beginning of the entry after entry `number` with that SHA-512.

    number 0, with zeros: nothing stands before. Whole entries count only when they follow.
    """
    if len(rest) > (LONGEST_LINE if number else LONGEST_FIRST):
        return False
    if number and rest and not rest.strip(b"\0"):
        return True
    try:
        text = codecs.getincrementaldecoder("utf-8")().decode(rest.rstrip(b"\0"))
    except ValueError:
        return False
    if not text.startswith("{"):
        return False
    return any(_in_place(entry, number, digest, whole) for entry, whole in _completed(text))


def _in_place(entry: dict[str, Any], number: int, digest: str, whole: bool) -> bool:
    own, previous = entry.get("n"), entry.get("previous")
    if whole:
        return type(own) is int and own == number + 1 and previous == digest
    if own is not None and not (type(own) is int and str(number + 1).startswith(str(own))):
        return False
    return previous is None or (isinstance(previous, str) and digest.startswith(previous))


def _completed(text: str) -> Iterator[tuple[dict[str, Any], bool]]:
    """The objects that this may be the beginning of, with as little added as can be; whole: nothing was.
    text: begins with the brace of an object."""
    open_: list[str] = []
    at, in_text = 0, False
    while (token := _TOKEN.search(text, at)) is not None:
        at = token.end()
        if token[0] == '"':
            string = _STRING.match(text, token.start())
            if string is None:
                return
            at = string.end()
            if string[1] != '"':
                text, in_text = text[: string.start(1)] + '"', True
                break
        elif token[0] in "[{":
            open_.append("]" if token[0] == "[" else "}")
            if len(open_) > _DEEPEST:
                return
        elif not open_ or open_.pop() != token[0]:
            return
    closing = "".join(reversed(open_))
    for ending in ("", ":null") if in_text else _ENDINGS if open_ else ("",):
        try:
            # of a name that stands twice the first counts: the last may be the beginning of another name
            entry = json.loads(text + ending + closing, object_pairs_hook=lambda p: dict(reversed(p)))
        except ValueError:
            continue
        yield entry, not open_
