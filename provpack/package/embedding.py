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


def embeddable(record: Mapping[str, Any]) -> dict[str, Any]:
    """The record as it stands inside its master: without files, silences cut to a fixed number.

    A file cannot hold its own digest, so `files` is empty; a tape with thousands of mutes would swell the
    file, so the list of silences is cut, and an entry in `derived` then says so. Any other value is the very
    object of the record given. Raises nothing, whatever shape the record has.
    """
    inner = {**record, "files": []}
    measured = record.get("measured")
    silences = measured.get("digital_silence") if isinstance(measured, Mapping) else None
    if not isinstance(measured, Mapping) or not isinstance(silences, list):
        return inner
    if len(silences) <= EMBEDDED_SILENCES:
        return inner
    inner["measured"] = {**measured, "digital_silence": silences[:EMBEDDED_SILENCES]}
    derived = record.get("derived")
    inner["derived"] = [
        *(derived if isinstance(derived, list) else []),
        {
            "field": "/measured/digital_silence",
            "from": [f"{layout.RECORD}#/measured/digital_silence", layout.MEASUREMENTS],
            "how": f"the first {EMBEDDED_SILENCES} of {len(silences)} runs; the package lists all of them",
        },
    ]
    return inner
