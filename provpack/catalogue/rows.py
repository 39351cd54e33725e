"""Values to rows: every text and number made fit to be stored (see words.py)."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

from provpack.catalogue import words
from provpack.catalogue.tables import AFTER_ALL, BEFORE_ALL
from provpack.catalogue.values import Carrier, Check, Fault, Ledger, Package, Sealed

Row = dict[str, Any]

_KEYS = ("job_id", "transfer_id", "client", "client_item_id", "carrier_id", "carrier_stock", "deck_id",
         "decoder_id", "operator", "record_id", "supersedes")  # fmt: skip
_TEXTS = ("place_base64", "version", "record_version", "tool_version", "title", "carrier_type",
          "recording_format", "source_domain", "outcome", "tape_emphasis", "file_emphasis", "rights_basis",
          "access_restriction")  # fmt: skip
_MOMENTS = ("made_at", "transferred_at", "chain_check_at")
_DAYS = ("access_restriction_until", "next_check_due", "retention_until")
_NUMBERS = ("payload_files", "payload_bytes", "check_age_days")


def package_row(p: Package, package_id: int, ledger_id: int | None) -> Row:
    """A row of `package`."""
    row: Row = {
        "id": package_id,
        "place": words.text(p.place),
        "storage": p.storage,
        "name": words.key(p.name),
        "stamp": words.text(p.stamp),
        "ledger_id": ledger_id,
        "ours": bool(p.ours),
        "names_held_back": bool(p.names_held_back),
        "identity": words.digest(p.identity, 64),
        "identity_start": words.start_of(words.digest(p.identity, 64)),
        "audio_sha256": words.digest(p.audio_sha256, 32),
        "duration_ms": words.thousandths(p.duration_s),
        "damage_events": words.summable(p.damage_events),
        "damage_ms": words.thousandths(p.damage_seconds),
        "problem": words.text(p.problem) or "",
        "files": len(p.files),
    }
    row |= {name: words.key_or_none(getattr(p, name)) for name in _KEYS}
    if words.digest(p.supersedes, 64):
        row["supersedes"] = row["supersedes"].lower()
    row |= {name: words.text(getattr(p, name)) for name in _TEXTS}
    row |= {name: words.moment(getattr(p, name)) for name in _MOMENTS}
    row |= {name: words.day(getattr(p, name)) for name in _DAYS}
    row |= {name: words.whole(getattr(p, name)) for name in _NUMBERS}
    return row


def package_words(p: Package) -> list[str]:
    """What a package is found by."""
    return words.words_of(
        (p.name, p.title, p.label, p.notes, p.client, p.client_item_id, p.carrier_id, p.carrier_stock,
         p.job_id, p.transfer_id, p.record_id)
    )  # fmt: skip


def file_rows(p: Package, package_id: int) -> list[Row]:
    """Rows of `file`."""
    return [
        {
            "package_id": package_id,
            "n": n,
            "path": words.text(f.path) or "",
            "role": words.text(f.role),
            "bytes": words.whole(f.bytes),
            "sha256": words.digest(f.sha256, 32),
            "sha512": words.digest(f.sha512, 64),
        }
        for n, f in enumerate(p.files)
    ]


def part_rows(p: Package, package_id: int) -> list[Row]:
    """Rows of `part`."""
    return [
        {
            "package_id": package_id,
            "n": n,
            "what": words.key(x.what),
            "role": words.key(x.role),
            "pass_n": words.whole(x.pass_n),
            "started_at": words.moment(x.started_at) or BEFORE_ALL,
            "stopped_at": words.moment(x.stopped_at) or AFTER_ALL,
        }
        for n, x in enumerate(p.parts)
    ]


def raised_rows(p: Package, package_id: int) -> list[Row]:
    """Rows of `raised`: one per rule, with what it says first and how often it is raised."""
    rows: dict[str, Row] = {}
    for r in p.raised:
        rule = words.key(r.rule)
        if rule in rows:
            rows[rule]["times"] += 1
            continue
        rows[rule] = {
            "package_id": package_id,
            "rule": rule,
            "severity": words.key(r.severity),
            "times": 1,
            "what": words.text(r.what) or "",
            "where": words.text(r.where) or "",
        }
    return list(rows.values())


def ledger_row(v: Ledger, ledger_id: int) -> Row:
    """A row of `ledger`, its counts still to be filled in."""
    return {
        "id": ledger_id,
        "path": words.text(v.path),
        "lines": words.whole(v.lines) or 0,
        "head": words.text(v.head),
        "size": words.whole(v.size) or 0,
        "broken": words.text(v.broken) or "",
        "open_carriers": 0,
        "checks": 0,
    }


def check_rows(checks: Iterable[Check], ledger_id: int) -> list[Row]:
    """Rows of `fixity_check`; a check without a moment it could have been at counts as the oldest."""
    rows: dict[tuple[str, int], Row] = {}
    for c in checks:
        name, line = words.key(c.package), words.whole(c.line) or 0
        rows[name, line] = {
            "ledger_id": ledger_id,
            "package": name,
            "line": line,
            "at": words.moment(c.at) or "",
            "outcome": words.key(c.outcome),
            "depth": words.key_or_none(c.depth),
            "tool_version": words.key_or_none(c.tool_version),
            "identity_start": words.start_of(words.digest(c.identity, 64)),
            "place": words.text(c.place),
        }
    return list(rows.values())


def sealed_rows(
    all_sealed: Iterable[Sealed], ledger_id: int, known: Mapping[str, set[bytes | None]]
) -> list[Row]:
    """Rows of `sealed`. known: the identities under each name beside that ledger; None = it tells none."""
    rows = {}
    for s in all_sealed:
        name, identity = words.key(s.package), words.digest(s.identity, 64)
        line = words.whole(s.line) or 0
        rows[name, line] = {
            "ledger_id": ledger_id,
            "package": name,
            "line": line,
            "at": words.moment(s.at) or "",
            "identity": identity,
            "stays": bool(s.stays),
            "superseded": bool(s.superseded),
            "unknown": bool(s.stays) and not is_there(identity, known.get(name, set())),
            "record_id": words.text(s.record_id),
        }
    return list(rows.values())


def is_there(sealed: bytes | None, beside: Collection[bytes | None]) -> bool:
    """Whether what was sealed may be one of what lies under its name: known by its identity, where both tell
    theirs."""
    return bool(beside) and (sealed is None or None in beside or sealed in beside)


def carrier_rows(carriers: Iterable[Carrier], ledger_id: int) -> list[Row]:
    """Rows of `carrier`."""
    rows = {}
    for c in carriers:
        name = words.key(c.carrier)
        rows[name] = {
            "ledger_id": ledger_id,
            "carrier": name,
            "client": words.key_or_none(c.client),
            "received_at": words.moment(c.received_at) or "",
            "ended": words.text(c.ended),
            "ended_at": words.moment(c.ended_at),
        }
    return list(rows.values())


def fault_rows(faults: Iterable[Fault], ledger_id: int) -> list[Row]:
    """Rows of `fault`. Its times stay as they were noted: a day is not a moment."""
    return [
        {
            "ledger_id": ledger_id,
            "n": n,
            "equipment": words.key(f.equipment),
            "notice_id": words.text(f.notice_id),
            "since": words.text(f.since),
            "until": words.text(f.until),
            "noted_at": words.text(f.noted_at),
            "cleared_at": words.text(f.cleared_at),
            "what": words.text(f.what) or "",
        }
        for n, f in enumerate(faults)
    ]
