"""Patterns with `*`, as the standards and our requirements file have them, in time that cannot run away."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial

Matcher = Callable[[str], bool]

NAME_CLASSES = {"?": ".", "#": "[0-9]", "@": "[A-Za-z]"}
"""What stands for exactly one character in our requirements file: any, a digit, a letter without accents."""


def any_run(pattern: str) -> Matcher:
    """A matcher for a pattern in which `*` stands for zero or more characters, `/` included, and everything
    else for itself (BagIt Profiles 1.4.0, Tag-Files-Allowed)."""
    if "*" not in pattern:
        return pattern.__eq__
    first, *middle, last = pattern.split("*")

    def matches(text: str) -> bool:
        if len(text) < len(first) + len(last) or not text.startswith(first) or not text.endswith(last):
            return False
        at, end = len(first), len(text) - len(last)
        for piece in middle:  # the leftmost place is never worse than a later one
            at = text.find(piece, at, end)
            if at < 0:
                return False
            at += len(piece)
        return True

    return matches


def name_pattern(pattern: str) -> Matcher:
    r"""A matcher for names: `*` any run of characters, `?` one, `#` one digit, `@` one letter A-Z or a-z;
    a backslash before a character makes it stand for itself. Upper and lower case count.

    Every run takes the leftmost match and never gives it back (atomic groups), so time grows with the
    product of the two lengths at most.
    """
    pieces = [""]
    escaped = False
    for char in pattern:
        if escaped or char not in "*?#@\\":
            pieces[-1] += re.escape(char)
            escaped = False
        elif char == "\\":
            escaped = True
        elif char == "*":
            pieces.append("")
        else:
            pieces[-1] += NAME_CLASSES[char]
    if escaped:
        pieces[-1] += re.escape("\\")
    first, last = pieces[0], pieces[-1]
    middle = "".join(f"(?>.*?{piece})" for piece in pieces[1:-1])
    whole = f"{first}{middle}.*{last}" if len(pieces) > 1 else first
    return partial(_fits, re.compile(whole, re.DOTALL))  # can be sent to another process


def _fits(expression: re.Pattern[str], name: str) -> bool:
    return expression.fullmatch(name) is not None
