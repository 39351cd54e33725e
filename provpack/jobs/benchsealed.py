"""Acts on what is sealed already: they are logged, but the package that stands does not hold them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from provpack.edge.tree import open_regular, read_limited
from provpack.errors import ProvpackError
from provpack.jobs.benchact import instant
from provpack.package.benchstate import BenchState
from provpack.package.figures import count
from provpack.package.layout import RECORD

_RECORD_AT_MOST: Final = 64 * 1024 * 1024
_OF_A_PASS: Final = frozenset({"event", "noted", "pass_stopped"})


def sealed_at(package: Path) -> datetime | None:
    """When a package was made, as its record says; None when that cannot be read."""
    try:
        return instant(sealed_record(package)["made_by"]["at"])
    except (ProvpackError, OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def sealed_record(package: Path) -> Any:
    """The record in a package, whatever it holds. ProvpackError, OSError, ValueError, RecursionError."""
    with open_regular(package, RECORD) as file:
        return json.loads(read_limited(file, RECORD, _RECORD_AT_MOST))


def about(entry: Mapping[str, Any]) -> str | None:
    """The transfer a line is about, None when it is about none."""
    if entry.get("kind") == "declared":
        found = entry.get("id") if entry.get("scope") == "transfer" else None
    else:
        found = entry.get("transfer_id")
    return found if isinstance(found, str) else None


def not_in_it(kind: str, members: Mapping[str, Any], package: str | None, state: BenchState) -> list[str]:
    """What to say of a line about a transfer whose package stands; [] when there is none.

    A pass that runs was started after that was said once: its events are not delayed by reading it again.
    """
    transfer_id = about({"kind": kind, **members})
    if package is None or transfer_id is None:
        return []
    if kind in _OF_A_PASS and any(p.transfer_id == transfer_id for p in state.running()):
        return []
    return [
        f"{transfer_id} is sealed in package {package}: this is in the log now, and not in that package. "
        "If it belongs into one, make a new transfer that replaces it: on the page Packages, or by "
        "`provpack jot correct`."
    ]


def since(state: BenchState, made: Mapping[str, datetime | None]) -> dict[str, str]:
    """Transfer -> what was written about it after its package was made, in words; nothing where nothing was.

    made: the transfers with a package, and when that was made.
    """
    later: dict[str, list[int]] = {}
    for entry in state.entries:
        transfer_id = about(entry)
        sealed = made.get(transfer_id) if transfer_id is not None else None
        if transfer_id is None or sealed is None or entry["n"] in state.taken_back:
            continue
        at = instant(str(entry.get("at", "")))
        if at is not None and at > sealed:
            later.setdefault(transfer_id, []).append(entry["n"])
    return {
        transfer_id: f"{count(len(lines), 'line', 'lines')} of the bench log about {transfer_id} came after "
        f"it was sealed (the last: line {lines[-1]}): the package does not hold that."
        for transfer_id, lines in later.items()
    }
