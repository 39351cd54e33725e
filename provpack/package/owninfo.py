"""bag-info.txt of a package of ours: which element says what of the record. RFC 8493 section 2.2.2."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from provpack.package.describe import name_of

Pair = tuple[str, str]

FROM_FIELD: Mapping[str, str] = {
    "source-organization": "/people/transfer_organisation",
    "external-description": "/item/title",
    "bag-group-identifier": "/job_id",
    "internal-sender-identifier": "/transfer_id",
}
"""Elements that repeat a declared field: label in lower case -> JSON pointer into the record."""


def own_bag_info(
    record: Mapping[str, Any], *, bagging_date: str, payload_bytes: int, payload_files: int, software: str
) -> tuple[Pair, ...]:
    """The elements every package has, in their order. bagging_date: YYYY-MM-DD."""
    people, item = record.get("people") or {}, record.get("item") or {}
    return (
        ("Source-Organization", name_of(people.get("transfer_organisation"))),
        ("External-Description", str(item.get("title") or "")),
        ("External-Identifier", f"urn:uuid:{record.get('record_id', '')}"),
        ("Bagging-Date", bagging_date),
        ("Bag-Size", human_size(payload_bytes)),
        ("Payload-Oxum", f"{payload_bytes}.{payload_files}"),
        ("Bag-Group-Identifier", str(record.get("job_id", ""))),
        ("Internal-Sender-Identifier", str(record.get("transfer_id", ""))),
        ("Bag-Software-Agent", software),
    )


def with_clients(own: Iterable[Pair], more: Iterable[Pair]) -> tuple[Pair, ...]:
    """Our elements and the client's after them; what is there already is not said twice."""
    kept = tuple(pair for pair in own if pair[1])
    there = {(label.lower(), value) for label, value in kept}
    return (*kept, *(p for p in dict.fromkeys(more) if (p[0].lower(), p[1]) not in there))


def human_size(size: int) -> str:
    """Bytes in the largest unit that leaves a figure of at least 1 (RFC 8493 Bag-Size is for people)."""
    figure, units = float(size), ["B", "KB", "MB", "GB", "TB"]
    while figure >= 1000 and len(units) > 1:
        figure /= 1000
        units.pop(0)
    return f"{figure:.1f} {units[0]}" if units[0] != "B" else f"{size} B"
