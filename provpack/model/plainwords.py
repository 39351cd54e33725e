"""What a broken schema keyword means, in plain language: what is wrong, what is allowed, the nearest match.

Takes plain values only (keyword, its value, the offending value), so it knows no validator library.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from typing import Final

_KINDS: Final = {
    "string": "text",
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "array": "a list",
    "object": "a table of fields",
    "null": "null (nothing)",
}
_FORMATS: Final = {
    "date": "a date that exists in the calendar, YYYY-MM-DD",
    "date-time": "a date and time that exist, with offset, for example 2031-05-04T14:30:00+02:00",
    "uuid": "a UUID in lower case",
}
_LIMITS: Final = {
    "minimum": "is below the lowest value allowed, {limit}",
    "maximum": "is above the highest value allowed, {limit}",
    "exclusiveMinimum": "must be above {limit}",
    "exclusiveMaximum": "must be below {limit}",
    "minLength": "is too short: at least {limit} character(s) are needed",
    "maxLength": "is too long: at most {limit} characters are allowed",
    "minItems": "has too few entries: at least {limit} needed",
    "maxItems": "has too many entries: at most {limit} allowed",
}


def shown(value: object, limit: int = 60) -> str:
    """A value as it stands in JSON, cut when long."""
    try:
        text = json.dumps(value, ensure_ascii=False)
    except (TypeError, ValueError, RecursionError):
        text = repr(type(value).__name__)
    return text if len(text) <= limit else text[: limit - 3] + "..."


def kind_of(value: object) -> str:
    """What kind of JSON value it is, in words."""
    match value:
        case None:
            return _KINDS["null"]
        case bool():
            return _KINDS["boolean"]
        case int():
            return _KINDS["integer"]
        case float():
            return _KINDS["number"]
        case str():
            return _KINDS["string"]
        case list():
            return _KINDS["array"]
        case _:
            return _KINDS["object"]


def nearest(value: object, allowed: Iterable[object]) -> str:
    """' Did you mean "x"?' with the nearest allowed word, or nothing."""
    words = [a for a in allowed if isinstance(a, str)]
    if not isinstance(value, str) or len(value) > 200:
        return ""
    tidy = value.strip().lower().replace("-", "_").replace(" ", "_")
    close = [tidy] if tidy in words else difflib.get_close_matches(tidy, words, n=1, cutoff=0.6)
    return f' Did you mean "{close[0]}"?' if close else ""


def unknown_key(key: str, known: Iterable[str]) -> str:
    """A field that the schema does not have."""
    names = sorted(known)
    hint = nearest(key, names)
    if not hint and 0 < len(names) <= 12:
        hint = f" Known here: {', '.join(names)}."
    return f"the field {shown(key)} is not known here.{hint}"


def missing_key(key: str, meaning: str) -> str:
    """A field that must be there and is not; meaning is the schema's description, may be empty."""
    return f'"{key}" is missing. {meaning}'.rstrip()


def explain(keyword: str, limit: object, value: object, meaning: str) -> str:
    """One broken keyword in words.

    keyword, limit: as in the schema, for example "enum" and the list; value: the offending value;
    meaning: the description of the schema that was broken, may be empty.
    """
    text = shown(value)
    if keyword == "enum" and isinstance(limit, list):
        words = ", ".join(a if isinstance(a, str) else shown(a) for a in limit)
        return f"{text} is not one of the values allowed: {words}.{nearest(value, limit)}"
    if keyword == "const":
        return f"must be {shown(limit)}, but is {text}."
    if keyword == "type":
        kinds = [limit] if isinstance(limit, str) else limit if isinstance(limit, list) else []
        wanted = " or ".join(_KINDS.get(str(k), str(k)) for k in kinds)
        what = kind_of(value)
        return f"must be {wanted}, but is {what}" + (f" ({text})." if what != _KINDS["null"] else ".")
    if keyword == "format":
        return f"{text} is not {_FORMATS.get(str(limit), str(limit))}."
    if keyword in _LIMITS:
        if keyword == "minLength" and value == "":
            return "is empty; leave the field out when there is nothing to say."
        return f"{text} {_LIMITS[keyword].format(limit=shown(limit))}."
    if keyword == "uniqueItems":
        return f"names the same entry twice: {text}."
    if keyword == "anyOf":
        return _any_of(limit, text, meaning)
    if keyword in ("contains", "minContains"):
        return f"lacks an entry with {_wanted(limit)}."
    if keyword == "maxContains":
        return f"has more than {shown(limit)} entry of a kind of which only so many may be there."
    if keyword == "not":
        return f"{text} is not allowed here."
    if meaning:
        return f"{text} does not have the form wanted. {meaning}"
    return f"{text} does not have the form wanted ({keyword}: {shown(limit)})."


def _any_of(limit: object, text: str, meaning: str) -> str:
    branches = limit if isinstance(limit, list) else []
    keys = [b["required"][0] for b in branches if isinstance(b, Mapping) and set(b) == {"required"}]
    if keys and len(keys) == len(branches):
        return f"needs one of these fields: {', '.join(keys)}."
    return f"{text} does not have any of the forms wanted. {meaning}".rstrip()


def _wanted(limit: object) -> str:
    if isinstance(limit, Mapping) and isinstance(limit.get("properties"), Mapping):
        pairs = [
            f"{name} {shown(rule['const'])}"
            for name, rule in limit["properties"].items()
            if isinstance(rule, Mapping) and "const" in rule
        ]
        if pairs:
            return " and ".join(pairs)
    return "what is needed"
