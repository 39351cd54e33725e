"""One line of the custody ledger before it is chained: which kinds there are, and what each member holds.

The law is schemas/ledger-entry.schema.json. `n` and `previous` are filled in by edge/ledger when the line is
appended.
"""

from __future__ import annotations

from typing import Any, Final

LINE_VERSION: Final = "1.3.0"

CARRIER_RECEIVED: Final = "carrier_received"
PASS_MADE: Final = "pass_made"
WRAPPED: Final = "wrapped"
FIXITY_CHECKED: Final = "fixity_checked"
DELIVERED: Final = "delivered"
ACCEPTED: Final = "accepted"
REFUSED: Final = "refused"
CARRIER_RETURNED: Final = "carrier_returned"
RETAINED: Final = "retained"
DESTROYED: Final = "destroyed"
FAULT_NOTED: Final = "fault_noted"
FAULT_CLEARED: Final = "fault_cleared"
SUPERSEDED: Final = "superseded"
COPIED: Final = "copied"
MOVED: Final = "moved"
HEALED: Final = "healed"
NOTE: Final = "note"

KINDS: Final = (
    CARRIER_RECEIVED, PASS_MADE, WRAPPED, FIXITY_CHECKED, DELIVERED, ACCEPTED, REFUSED, CARRIER_RETURNED,
    RETAINED, DESTROYED, FAULT_NOTED, FAULT_CLEARED, SUPERSEDED, COPIED, MOVED, HEALED, NOTE,
)  # fmt: skip
"""Every kind of line we write; a reader passes over kinds it does not know."""

HERE: Final = frozenset({WRAPPED, FIXITY_CHECKED, COPIED, HEALED, RETAINED, "received"})
"""Kinds after which a package is expected beside its ledger ("received" is of version 1.0)."""

SAYS_NO_PLACE: Final = frozenset(
    {
        DELIVERED, ACCEPTED, REFUSED, SUPERSEDED, PASS_MADE, FAULT_NOTED, FAULT_CLEARED, NOTE,
        CARRIER_RECEIVED, CARRIER_RETURNED,
    }
)  # fmt: skip
"""Kinds that say nothing of where a package is; after any kind in neither set it may be gone."""

ALWAYS: Final = ("package", "tagmanifest_sha512", "record_id", "outcome", "depth", "findings", "note")
"""Members every line has; null where there is nothing to say."""

OPTIONAL: Final = (
    "equipment_id", "equipment_ids", "notice_id", "carrier_id", "client_item_id", "transfer_id", "job_id",
    "delivery_id", "document_sha512", "person", "organisation", "happened_at", "since", "until", "pass_n",
    "chain_id", "started_at", "stopped_at", "pass_outcome", "host", "operator", "signature", "principal",
    "fingerprint", "place", "seen_path", "manifests_sha512",
)  # fmt: skip
"""Members a line has only where they say something."""


def ledger_line(
    kind: str, *, at: str, tool_version: str, tool: str = "provpack", **fields: Any
) -> dict[str, Any]:
    """A line ready for edge.ledger.append: the members given, null for those every line has.

    at: when the line is written, ISO 8601 with offset. An optional member that is None or "" is left out.
    Raises TypeError for a kind or a member that no line has: that is a mistake of the caller, not of a user.
    """
    unknown = set(fields) - set(ALWAYS) - set(OPTIONAL)
    if kind not in KINDS or unknown:
        raise TypeError(f"no line of a ledger has this: {kind} {sorted(unknown)}")
    line: dict[str, Any] = {
        "schema_version": LINE_VERSION,
        "at": at,
        "kind": kind,
        "tool": tool,
        "tool_version": tool_version,
    }
    line |= {name: fields.get(name) for name in ALWAYS}
    line |= {name: fields[name] for name in OPTIONAL if fields.get(name) not in (None, "", [])}
    return line
