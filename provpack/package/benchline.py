"""One line of the bench log before it is chained: which kinds there are, and what each holds.

The law is schemas/bench-entry.schema.json. `n` and `previous` are filled in by edge/benchlog when the line is
appended.
"""

from __future__ import annotations

from typing import Any, Final, Literal

LINE_VERSION: Final = "1.0.0"
LOG_NAME: Final = "bench-log.jsonl"

Scope = Literal["job", "defaults", "chain", "transfer", "equipment"]
Through = Literal["page", "command_line"]
Fits = Literal["agrees", "disagrees", "not_known"]

KINDS: Final[dict[str, tuple[tuple[str, ...], tuple[str, ...]]]] = {
    "taken_in": (("transfer_id",), ()),
    "declared": (("scope", "id", "field", "value", "was"), ("note",)),
    "pass_started": (
        ("transfer_id", "pass", "chain_id", "settings", "changed"),
        ("reason", "note", "happened_at"),
    ),
    "pass_stopped": (("transfer_id", "pass", "outcome"), ("note", "happened_at")),
    "event": (("transfer_id", "pass", "type"), ("note", "happened_at")),
    "noted": (("note",), ("transfer_id", "pass", "happened_at")),
    "file_attached": (
        (
            "transfer_id", "pass", "file", "bytes", "modified_at", "frames", "header_sampling_frequency_hz",
            "starts_at", "starts_from", "agreement", "attached_by",
        ),
        ("reason",),
    ),
    "file_detached": (("transfer_id", "pass", "file"), ("reason",)),
    "judged": (("transfer_id", "pass", "verdict"), ("note",)),
    "taken_back": (("entry",), ("reason",)),
}  # fmt: skip
"""Kind -> the members it must have, and those it may have, besides what every line has."""


def bench_line(
    kind: str, *, at: str, by: str | None, through: Through, tool_version: str, tool: str = "provpack",
    **members: Any,
) -> dict[str, Any]:  # fmt: skip
    """A line ready for edge.benchlog.append. An optional member that is None or "" is left out.

    at: ISO 8601 with offset. Raises TypeError for a kind or member that no line has: a mistake of the caller.
    """
    must, may = KINDS[kind]
    if set(members) - set(must) - set(may) or set(must) - set(members):
        raise TypeError(f"no line of the bench log has this: {kind} {sorted(members)}")
    line: dict[str, Any] = {
        "schema_version": LINE_VERSION,
        "at": at,
        "kind": kind,
        "tool": tool,
        "tool_version": tool_version,
        "by": by or None,
        "through": through,
    }
    line |= {name: members[name] for name in must}
    line |= {name: members[name] for name in may if members.get(name) not in (None, "")}
    return line
