"""Rules on custody, consent, rights and people (domain rules 22, 27, 28)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from provpack.findings import Finding
from provpack.model import rules
from provpack.model.recordview import View, found

_ENDS: Final = ("returned", "retained", "destroyed")
_KNOWN_CODECS: Final = {"md": "ATRAC"}


def judge_custody(view: View) -> Iterator[Finding]:
    """Domain rule 22."""
    events = view.rows("custody/custody_events")
    if not events and isinstance(view.get("custody"), dict):
        yield found(rules.CUSTODY_MISSING, "custody_events is empty.", "/custody/custody_events", [])
    first = min((m for e in events if (m := e.moment("at"))), key=lambda m: m.earliest, default=None)
    assessed, played = view.moment("condition/condition_assessed_at"), view.first_pass
    where = "/condition/condition_assessed_at"
    if first is not None and assessed is not None and assessed.surely_before(first):
        yield found(
            rules.CUSTODY_ORDER,
            f"The carrier was assessed before the first custody event ({first.text}).",
            where,
            assessed.text,
        )
    if played is not None and assessed is not None and played.surely_before(assessed):
        yield found(
            rules.CUSTODY_ORDER,
            f"The first pass ({played.text}) came before the assessment.",
            where,
            assessed.text,
        )
    if played is not None and first is not None and played.surely_before(first):
        yield found(
            rules.CUSTODY_ORDER,
            f"The first pass ({played.text}) came before the first custody event.",
            "/custody/custody_events/0/at",
            first.text,
        )
    condition = view.get("condition")
    if played is not None and isinstance(condition, dict) and condition.get("condition_assessed_at") is None:
        yield found(rules.NOT_ASSESSED, "condition_assessed_at is empty.", where, None)
    for row in view.rows("condition/treatments"):
        start, consent = row.moment("start"), row.moment("consent_at")
        if not row.text("consent_by") or consent is None:
            yield found(
                rules.CONSENT,
                f"The treatment {row.text('type')} has no consent with name and date.",
                row.pointer + "/consent_at",
                row.text("consent_at"),
            )
        elif start is not None and start.surely_before(consent):
            yield found(
                rules.CONSENT,
                f"The treatment {row.text('type')} began {start.text}, before consent was given.",
                row.pointer + "/consent_at",
                consent.text,
            )
    yield from _open(view)


def _open(view: View) -> Iterator[Finding]:
    received: dict[str, str] = {}
    for row in view.rows("custody/custody_events"):
        items = row.fields.get("items")
        for index, name in enumerate(items if isinstance(items, list) else ()):
            if not isinstance(name, str):
                continue
            if row.text("type") == "received":
                received[name] = f"{row.pointer}/items/{index}"
            elif row.text("type") in _ENDS:
                received.pop(name, None)
    for name, pointer in received.items():
        yield found(
            rules.CUSTODY_OPEN, f"Item {name} was received; its end is not recorded here.", pointer, name
        )


def judge_rights(view: View, *, delivering: bool) -> Iterator[Finding]:
    """Domain rule 27; delivering = the record goes to a third party now."""
    basis, where = view.text("rights/rights_basis"), "/rights/rights_basis"
    if basis == "unknown":
        yield found(
            rules.RIGHTS_UNKNOWN,
            "rights_basis is unknown" + (" at delivery to a third party." if delivering else "."),
            where,
            basis,
            severity="error" if delivering else None,
        )
    flags = []
    if view.text("interface/cs_copy") == "asserted":
        flags.append("channel status asserts copyright")
    if view.text("decoder/copy_indicator") in ("on", "changed"):
        flags.append("the decoder's copy-prohibit lamp was on")
    if flags and not basis:
        yield found(rules.RIGHTS_MISSING, f"{' and '.join(flags).capitalize()}.", where, basis)


def judge_people(view: View) -> Iterator[Finding]:
    """Domain rule 28: self-approval, and lossy sources whose coding history does not name the codec."""
    operator, checker = view.text("people/operator"), view.text("people/qc_by")
    if operator and operator == checker:
        yield found(
            rules.SELF_APPROVAL, f"{operator} made and checked the transfer.", "/people/qc_by", checker
        )
    codec = view.text("carrier/source_codec") or _KNOWN_CODECS.get(view.recording_format or "")
    history = view.text("coding_history")
    if codec and history is not None and codec.casefold() not in history.casefold():
        yield found(
            rules.CODEC,
            f"The source was coded with {codec}; coding_history does not say so.",
            "/coding_history",
            history,
        )
