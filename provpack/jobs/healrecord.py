"""The record of a package as one tag manifest proves it, by way of a payload manifest."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from provpack.package import layout
from provpack.package.bagdeclaration import Declaration
from provpack.package.bagtext import Manifest, manifest_kind, parse_manifest
from provpack.package.healplan import IDENTITY
from provpack.package.healstock import Source, Stock

Read = Callable[[Source | None], bytes | None]
"""The bytes of a small file in stock, None when they cannot be had."""


def as_record(data: bytes | None) -> dict[str, Any]:
    """The document as a mapping; empty when it is none."""
    try:
        record = json.loads(data or b"{}")
    except (ValueError, RecursionError):
        return {}
    return record if isinstance(record, dict) else {}


def record_under(text: bytes, declaration: Declaration, stock: Stock, read: Read) -> dict[str, Any]:
    """The record that this tagmanifest-sha512.txt proves; empty when the copies do not hold it."""
    for name, data in _proven(parse_manifest(text, IDENTITY, declaration), _is_payload, stock, read):
        payload = parse_manifest(data, name, declaration)
        for _, record in _proven(payload, lambda path: path == layout.RECORD, stock, read):
            return as_record(record)
    return {}


def _is_payload(path: str) -> bool:
    kind = manifest_kind(path)
    return kind is not None and kind[0] == "payload"


def _proven(
    manifest: Manifest, wanted: Callable[[str], bool], stock: Stock, read: Read
) -> list[tuple[str, bytes]]:
    """(path, bytes) of the files listed under a wanted name that are there with their digest."""
    out = []
    for line in manifest.lines:
        if wanted(line.path):
            data = read(stock.find(line.path, {manifest.algorithm: line.digest}))
            if data is not None:
                out.append((line.path, data))
    return out
