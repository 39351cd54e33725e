"""Read a small JSON document from a stranger: bounded, no key twice, no number that is none (RFC 8259)."""

from __future__ import annotations

import json
from typing import Any

MAX_BYTES = 1024 * 1024
MAX_DEPTH = 16
MAX_ENTRIES = 20_000
_SHOWN = 20


def read_document(data: bytes) -> tuple[dict[str, Any] | None, str, tuple[str, ...]]:
    """(the object, "", keys that stood twice), or (None, why it cannot be read, ()). Raises nothing.

    A byte order mark is passed over (RFC 8259 section 8.1 allows that).
    """
    if len(data) > MAX_BYTES:
        return None, f"it is larger than {MAX_BYTES} bytes", ()
    twice: list[str] = []

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for key, value in pairs:
            if key in out and len(twice) < _SHOWN:
                twice.append(key)
            out[key] = value
        return out

    try:
        text = data.decode("utf-8-sig")
        document = json.loads(text, object_pairs_hook=once, parse_constant=_no_number)
    except UnicodeDecodeError:
        return None, "it is not UTF-8 text", ()
    except RecursionError:
        return None, "it is nested too deeply", ()
    except json.JSONDecodeError as err:
        return None, f"it is not JSON (line {err.lineno}: {err.msg})", ()
    except ValueError as err:
        return None, f"it is not JSON ({str(err)[:100]})", ()
    if not isinstance(document, dict):
        return None, "it is no JSON object", ()
    why = _beyond(document)
    return (None, why, ()) if why else (document, "", tuple(twice))


def _no_number(word: str) -> None:
    raise ValueError(f"{word} is no number")


def _beyond(document: dict[str, Any]) -> str:
    """Why the document is beyond what is read, "" when it is not."""
    level: list[Any] = [document]
    seen = 0
    for _ in range(MAX_DEPTH):
        inner = [v for value in level for v in (value.values() if isinstance(value, dict) else value)]
        seen += len(inner)
        if seen > MAX_ENTRIES:
            return f"it has more than {MAX_ENTRIES} entries"
        level = [value for value in inner if isinstance(value, (dict, list))]
        if not level:
            return ""
    return "it is nested too deeply"
