"""JSON documents that leave the house (delivery note, receipt): how written, and how a stranger's is read."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from provpack.errors import InputProblem, RecordProblem

MAX_DOCUMENT = 64 * 1024 * 1024
"""Bytes of such a document that are read at most; a note of 10 000 packages has about 15 million."""


def document_bytes(value: Mapping[str, Any]) -> bytes:
    """UTF-8, indented by one blank, keys in the order given, LF at the end.

    Raises RecordProblem for half characters: a stranger's record may hold them, parse_document refuses them.
    """
    try:
        return json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False).encode("utf-8") + b"\n"
    except UnicodeEncodeError as err:
        raise RecordProblem(
            "document-half-character",
            "A text of the record holds half a character, so no document can quote it.",
            where=ascii(err.object[max(0, err.start - 40) : err.start + 1]),
            todo="The package was not made by this program: ask its maker for a record in sound Unicode.",
        ) from None


def parse_document(data: bytes, name: str) -> dict[str, Any]:
    """The JSON object in data. Raises InputProblem for anything that two readers could read differently:
    other encodings, keys given twice, numbers JSON does not have, half characters; and for what is too deep.
    """
    try:
        value = json.loads(
            data.decode("utf-8"), object_pairs_hook=_once, parse_constant=_refuse, parse_float=_finite
        )
        json.dumps(value, ensure_ascii=False).encode("utf-8")
    except UnicodeError:
        raise _unreadable(name, "it is not UTF-8, or holds half characters") from None
    except RecursionError:
        raise _unreadable(name, "it is nested too deeply") from None
    except json.JSONDecodeError as err:
        raise _unreadable(name, f"it is no JSON (line {err.lineno}, column {err.colno})") from None
    except ValueError as err:
        raise _unreadable(name, str(err)[:200]) from None
    if not isinstance(value, dict):
        raise _unreadable(name, "it is no JSON object")
    return value


def _unreadable(name: str, why: str) -> InputProblem:
    return InputProblem(
        "document-unreadable",
        f"The document cannot be read: {why}.",
        where=name,
        todo="Look whether it is the right file. If it is, it was damaged or edited: ask for it again.",
    )


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key is given twice")
    return found


def _refuse(word: str) -> object:
    raise ValueError(f"{word} is no number in JSON")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text[:40]} is too large a number")
    return number
