"""Printing a result: one object, as text or as JSON, and the exit code that belongs to it.

Every JSON object begins with the same three members: `schema` (its schema's name and version), `outcome`
(one word) and `exit_code`. What follows is told by `schemas/result-<command>.schema.json`.
"""

from __future__ import annotations

import codecs
import json
import operator
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import islice
from typing import Any

import click

from provpack.cli.streams import OutputLost

F = Callable[..., Any]

SCHEMA_VERSION = "1.0.0"
NEWER = {"check": "1.1.0", "demo": "1.1.0", "jot": "1.1.0", "verify": "1.3.0", "wrap": "1.1.0"}
"""Results whose schema has moved on."""


class Printed:
    """What of a command's answer is on standard output: begun, and the exit code once it is all there.

    A signal after that has nothing left to stop; one within it must not add a second JSON object.
    """

    begun = False
    code: int | None = None

    def reset(self) -> None:
        """Nothing yet."""
        self.begun, self.code = False, None


PRINTED = Printed()


def json_option(function: F) -> F:
    """`--json`, the same on every command."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Print one JSON object on standard output instead of text."
    )(function)


def emit(kind: str, result: Mapping[str, Any], lines: Iterable[str], code: int, *, as_json: bool) -> int:
    """Print a command's result on standard output, as JSON or as text lines; returns the exit code.

    kind: the command. result holds `outcome`; code is the exit code that goes with it. A member of the result
    that is an iterator is printed as an array, each element as it comes. Raises OutputLost.
    """
    try:
        if as_json:
            _print_json(kind, result, code)
            return code
        for line in lines:
            click.echo(for_terminal(line))
        mixed = ", with warnings" if result["outcome"] == "good" and code == 1 else ""
        click.echo(f"Outcome: {result['outcome']}{mixed} (exit code {code})")
    except OutputLost as lost:
        raise lost.of_result(str(result["outcome"]), code) from None
    PRINTED.code = code
    return code


def emit_error(outcome: str, problem: Mapping[str, str], code: int) -> None:
    """Print why a command was refused or stopped, as the one JSON object on standard output."""
    _print_json("error", {"outcome": outcome, "error": dict(problem)}, code)


def headed(kind: str, result: Mapping[str, Any], code: int) -> dict[str, Any]:
    """The result with the members every JSON object begins with."""
    return {
        "schema": f"urn:provpack:schema:result-{kind}:{NEWER.get(kind, SCHEMA_VERSION)}",
        "outcome": result["outcome"],
        "exit_code": code,
        **result,
    }


_AT_ONCE = 1 << 16
"""Characters that are put together before they are written."""

_TOGETHER = 16
"""Elements made into text at a time: each time leaves work for the garbage collector."""


def _print_json(kind: str, result: Mapping[str, Any], code: int) -> None:
    # A terminal that is not UTF-8 gets escapes, which are the same JSON.
    encoder = json.JSONEncoder(ensure_ascii=not _is_utf8(), indent=2, allow_nan=False)
    parts: list[str] = []
    size = 0
    for part in json_parts(headed(kind, result, code), encoder):
        parts.append(part)
        size += len(part)
        if size >= _AT_ONCE:
            _write("".join(parts), nl=False)
            parts, size = [], 0
    _write("".join(parts))
    PRINTED.code = code


def _write(text: str, *, nl: bool = True) -> None:
    # Only now: while the text was being made, a signal could still be told as the one object.
    PRINTED.begun = True
    click.echo(text, nl=nl)


def json_parts(whole: Mapping[str, Any], encoder: json.JSONEncoder) -> Iterator[str]:
    """The text that encoder (indent 2) makes of an object, in parts; a member that is an iterator becomes an
    array, of which a few elements at a time are there. So a result over very many packages is never whole."""
    if not whole:
        yield "{}"
        return
    before = "{"
    for key, value in whole.items():
        yield f"{before}\n  {encoder.encode(_no_surrogates(key))}: "
        before = ","
        if isinstance(value, Iterator):
            yield from _array(value, encoder)
        else:
            yield from (_deeper(part, 1) for part in encoder.iterencode(_unicode(value)))
    yield "\n}"


def _array(elements: Iterator[Any], encoder: json.JSONEncoder) -> Iterator[str]:
    before = "["
    while some := [_unicode(element) for element in islice(elements, _TOGETHER)]:
        yield before + _deeper(encoder.encode(some)[len("[") : -len("\n]")], 1)
        before = ","
    yield "[]" if before == "[" else "\n  ]"


def _deeper(text: str, levels: int) -> str:
    """The same JSON, so many levels further in: line breaks stand only between its members, never in them."""
    return text.replace("\n", "\n" + "  " * levels)


def _is_utf8() -> bool:
    try:
        return codecs.lookup(getattr(sys.stdout, "encoding", None) or "ascii").name == "utf-8"
    except LookupError:
        return False


def _unicode(value: Any) -> Any:
    """The value with every string made of Unicode characters: bytes of file names that are none as \\xNN.

    What needs no change is not copied: a result may hold a hundred thousand packages.
    """
    if isinstance(value, str):
        return value if value.isascii() else _no_surrogates(value)
    if isinstance(value, Mapping):
        told = {_no_surrogates(str(key)): _unicode(inner) for key, inner in value.items()}
        same = isinstance(value, dict) and all(value.get(key, told) is inner for key, inner in told.items())
        return value if same else told
    if isinstance(value, list | tuple):
        parts = [_unicode(inner) for inner in value]
        return value if all(map(operator.is_, parts, value)) else parts
    return value


def _no_surrogates(text: str) -> str:
    if not any(0xD800 <= ord(c) <= 0xDFFF for c in text):
        return text
    return "".join(_escaped(c) if 0xD800 <= ord(c) <= 0xDFFF else c for c in text)


def _escaped(char: str) -> str:
    code = ord(char)
    return f"\\x{code - 0xDC00:02x}" if 0xDC80 <= code <= 0xDCFF else f"\\u{code:04x}"


def for_terminal(text: str) -> str:
    """One line for people: nothing in it can move the cursor, colour the screen or turn the reading order.

    Names and texts come from files that others made. Control characters, line breaks, direction marks and
    bytes that are no Unicode are shown as escapes.
    """
    if text.isascii() and text.isprintable():
        return text
    out = []
    for char in text:
        code = ord(char)
        if 0xD800 <= code <= 0xDFFF:
            out.append(_escaped(char))
        elif code < 0x20 or 0x7F <= code < 0xA0:
            out.append(f"\\x{code:02x}")
        elif code in (0x061C, 0x200E, 0x200F, 0x2028, 0x2029, 0xFEFF) or 0x202A <= code <= 0x202E or (
            0x2066 <= code <= 0x2069
        ):  # fmt: skip
            out.append(f"\\u{code:04x}")
        else:
            out.append(char)
    return "".join(out)
