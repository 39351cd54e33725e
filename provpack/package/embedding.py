"""What of a transfer record can stand inside its own master.

Both the making of the axml chunk and its later comparison with record.json go by this one function, so the
two can never disagree about what was left out on purpose.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from provpack.package import layout

EMBEDDED_SILENCES = 200
"""The embedded record lists this many runs of digital silence at the most; measurements.json lists all."""
EMBEDDED_EVENTS = 50
"""The same for measured events."""
_CUT = {"digital_silence": EMBEDDED_SILENCES, "events_detected": EMBEDDED_EVENTS}


def embeddable(record: Mapping[str, Any]) -> dict[str, Any]:
    """The record as it stands inside its master: without files, measured lists cut to a fixed length.

    A file cannot hold its own digest, so `files` is empty; a tape with thousands of mutes would swell the
    file, so lists of silences and events are cut, and an entry in `derived` then says so. Any other value is
    the very object of the record given. Raises nothing, whatever shape the record has.
    """
    inner = {**record, "files": []}
    measured, derived = record.get("measured"), record.get("derived")
    if not isinstance(measured, Mapping):
        return inner
    notes: list[dict[str, Any]] = []
    for name, most in _CUT.items():
        entries = measured.get(name)
        if not isinstance(entries, list) or len(entries) <= most:
            continue
        inner["measured"] = {**inner["measured"], name: entries[:most]}
        notes.append(
            {
                "field": f"/measured/{name}",
                "from": [f"{layout.RECORD}#/measured/{name}", layout.MEASUREMENTS],
                "how": f"the first {most} of {len(entries)}; the package lists all of them",
            }
        )
    if notes:
        inner["derived"] = [*(derived if isinstance(derived, list) else []), *notes]
    return inner
