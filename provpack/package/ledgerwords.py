"""A line of the ledger as a sentence for people."""

from __future__ import annotations

from collections.abc import Mapping

from provpack.package import ledgerline as kinds
from provpack.package.custodystate import text
from provpack.package.ledgerchain import Entry

_WORDS: Mapping[str, str] = {
    kinds.CARRIER_RECEIVED: "carrier received",
    kinds.PASS_MADE: "pass made",
    kinds.WRAPPED: "wrapped and sealed",
    kinds.FIXITY_CHECKED: "checked",
    kinds.DELIVERED: "delivered",
    kinds.ACCEPTED: "accepted",
    kinds.REFUSED: "REFUSED",
    kinds.CARRIER_RETURNED: "carrier returned",
    kinds.RETAINED: "kept",
    kinds.DESTROYED: "destroyed",
    kinds.FAULT_NOTED: "fault noted",
    kinds.FAULT_CLEARED: "fault cleared",
    kinds.SUPERSEDED: "superseded",
    kinds.COPIED: "copied",
    kinds.MOVED: "moved",
    kinds.HEALED: "healed",
    kinds.NOTE: "note",
}
_SIDES: Mapping[str, str] = {kinds.CARRIER_RECEIVED: "from", kinds.ACCEPTED: "by", kinds.REFUSED: "by"}


def sentence(entry: Entry) -> str:
    """What a line says, without its moment; a kind that is not known is named as it stands."""
    kind = text(entry, "kind") or "?"
    parts = [_WORDS.get(kind, kind)]
    subject = text(entry, "carrier_id") or text(entry, "client_item_id") or text(entry, "equipment_id")
    package = text(entry, "package")
    parts += [name for name in (subject, package) if name]
    place = text(entry, "place")
    if place:
        parts.append(f"at {place}")
    if kind == kinds.PASS_MADE:
        parts += _pass(entry, subject)
    if kind == kinds.FIXITY_CHECKED:
        parts.append(f"({text(entry, 'depth') or 'depth unknown'}): {text(entry, 'outcome') or 'unknown'}")
    side, person = text(entry, "organisation"), text(entry, "person")
    if side:
        parts.append(f"{_SIDES.get(kind, 'to')} {side}")
    if person:
        parts.append(f"({person})")
    since, until = text(entry, "since"), text(entry, "until")
    if since:
        parts.append(f"since {since}")
    if until:
        parts.append(f"until {until}")
    said = " ".join(parts)
    note = text(entry, "note")
    return f"{said}. {note.removesuffix('.')}." if note else f"{said}."


def _pass(entry: Entry, named: str | None) -> list[str]:
    parts = []
    transfer, number, chain = text(entry, "transfer_id"), entry.get("pass_n"), text(entry, "chain_id")
    if transfer and transfer != named:  # often the carrier's own name: said once
        parts.append(transfer)
    if isinstance(number, int):
        parts.append(f"pass {number}")
    if chain:
        parts.append(f"on chain {chain}")
    used = entry.get("equipment_ids")
    if isinstance(used, list) and used:
        parts.append(f"({', '.join(str(u) for u in used)})")
    outcome = text(entry, "pass_outcome")
    return [*parts, outcome] if outcome else parts
