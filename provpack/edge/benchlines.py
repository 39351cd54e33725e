"""Whether something is a line of the bench log as schemas/bench-entry has it; quick for lines like others.

A log may have tens of thousands of lines, and a whole validation takes half a millisecond. The schema of a
line puts nothing between its values but what the kind asks for (which members it has), so a line is good
when its members are those of a good line of its kind, and each of its values stood in a good line before.
"""

from __future__ import annotations

import functools
import json
import re
from collections.abc import Callable, Mapping
from typing import Any, Final

from provpack.edge import schemas
from provpack.model.formats import FORMATS
from provpack.package.bagpaths import readable
from provpack.package.benchline import KINDS

LONGEST: Final = 128 * 1024
"""Bytes of one line at most; ours have some hundred."""
DEEPEST: Final = 12
"""Tables and lists within each other in one line at most."""
_MOST: Final = 50_000
_LONGEST_KEPT: Final = 2000

_EVERY: Final = frozenset(
    ("schema_version", "n", "previous", "at", "kind", "tool", "tool_version", "by", "through")
)
_WHOLE: Final = ("pass", "entry", "bytes", "frames", "header_sampling_frequency_hz")
_PREVIOUS: Final = re.compile(r"[0-9a-f]{128}\Z")
_ANY: Final = frozenset({"value", "was"})
"""Members that may hold anything."""
_GOOD: set[object] = set()
"""(kind, its members) and (member, type, value) that were seen in lines the schema took."""


def unwritable(line: Mapping[str, Any]) -> str:
    """Why this cannot be a line of the log, as the end of a sentence; "" when it can."""
    if _depth(line) > DEEPEST:
        return f"holds more than {DEEPEST} tables or lists within each other."
    try:
        size = len(json.dumps(line, ensure_ascii=False, allow_nan=False).encode("utf-8"))
    except UnicodeEncodeError:
        return "holds characters that are no Unicode text."
    except (ValueError, TypeError):
        return "holds a number or another value that JSON has no form for."
    return f"has {size} bytes, more than the {LONGEST} a line may have." if size > LONGEST else ""


def _depth(value: Any) -> int:
    """How many tables and lists lie within each other; looks no deeper than DEEPEST + 1."""
    level, depth = [value], 0
    while depth <= DEEPEST:
        level = [one for one in level if isinstance(one, Mapping | list | tuple)]
        if not level:
            break
        depth += 1
        level = [x for one in level for x in (one.values() if isinstance(one, Mapping) else one)]
    return depth


def foreign(entry: Mapping[str, Any]) -> str:
    """Why this is no line as the schema has it, as the end of a sentence; "" when it is."""
    must, may = KINDS.get(str(entry.get("kind")), (tuple(entry), ()))
    extra = [name for name in entry if name not in _EVERY and name not in must and name not in may]
    if extra:  # the schema says so too, but not in words
        return f"has a member '{readable(extra[0][:80])}', which no line of its kind has."
    broken = [name for name in _WHOLE if isinstance(entry.get(name), float)]
    if broken:
        return f"has a fraction as {broken[0]}."
    new = _new(entry)
    if not new:
        return ""
    wrong = schemas.validate("bench-entry", entry)
    if wrong:
        return f"is not as it should be: {wrong[0].pointer[1:]} {wrong[0].message}"
    if len(_GOOD) > _MOST:
        _GOOD.clear()
    _GOOD.update(new)
    return ""


def _new(entry: Mapping[str, Any]) -> list[object]:
    """What of a line was not yet seen in a good one."""
    shape = (str(entry.get("kind")), frozenset(entry))
    new: list[object] = [] if shape in _GOOD else [shape]
    checks = _checks()
    for name, value in entry.items():
        if name in _ANY or (name in checks and checks[name](value)):
            continue
        plain = isinstance(value, str | int | None)  # with its type: true is not 1
        told = value if plain else json.dumps(value, sort_keys=True)
        seen = (name, type(value), told)
        if seen not in _GOOD:
            new.append(() if isinstance(told, str) and len(told) > _LONGEST_KEPT else seen)
    return new


@functools.cache
def _checks() -> Mapping[str, Callable[[Any], bool]]:
    """Members whose values are seldom seen twice -> whether a value is one the schema takes. Only ever says
    yes where the schema does; what it does not know goes to the schema."""
    checks: dict[str, Callable[[Any], bool]] = {
        "n": lambda value: type(value) is int and value >= 1,
        "entry": lambda value: type(value) is int and value >= 1,
        "previous": lambda value: type(value) is str and _PREVIOUS.match(value) is not None,
    }
    for name, fragment in schemas.load("bench-entry")["properties"].items():
        rule = {k: v for k, v in schemas.resolve(fragment).items() if k != "description"}
        if rule.get("type") in ("string", ["string", "null"]) and rule.keys() == {
            "type", "minLength", "maxLength"
        }:  # fmt: skip
            checks[name] = functools.partial(_text, rule["minLength"], rule["maxLength"])
        elif rule.keys() == {"type", "format", "pattern"} and rule["pattern"].endswith("$"):
            pattern = re.compile(rule["pattern"].removesuffix("$") + r"\Z", re.ASCII)
            checks[name] = functools.partial(_moment, pattern, FORMATS[rule["format"]])
    return checks


def _text(least: int, most: int, value: Any) -> bool:
    return type(value) is str and least <= len(value) <= most


def _moment(pattern: re.Pattern[str], is_one: Callable[[str], bool], value: Any) -> bool:
    return type(value) is str and pattern.match(value) is not None and is_one(value)
