"""PREMIS events of a transfer, in the order of the work: custody, condition, treatment, chain check, passes,
processing, measuring, checking, digests, embedding, packing, retention.

Event types are those of the Library of Congress where one fits; the rest are words of this trade without an
authority. One event has one outcome (Data Dictionary 3.0, 2.5.1): success, warning, fail, or unknown.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

from provpack.package.premis_agents import hardware_of_pass, operator_links, software_of_pass
from provpack.package.premis_terms import el, identifier, term
from provpack.package.premis_view import NOT_KNOWN, Json, View, at, date, rows, spoken, words
from provpack.package.sshsig import NAMESPACE_PACKAGE
from provpack.xmldoc import Node

PASS_OUTCOME = {
    "complete": "success",
    "clean": "success",
    "partial": "warning",
    "stopped_for_safety": "warning",
    "no_pcm_found": "fail",
    "failed": "fail",
}
_MOST_HELD = 50  # names held back that one event lists
SOUND_CONDITION = frozenset({"good", "record_tab_present"})
STEP_EVENT = {
    "metadata_modification": "metadata modification",
    "relabel": "metadata modification",
    "container_change": "migration",
    "join": "compiling",
}


def outcome_of(word: Any) -> str:
    """Outcome of a pass in the words of the eventOutcome list; unknown stays unknown."""
    return PASS_OUTCOME.get(str(word), "unknown")


def _event(
    view: View,
    name: str,
    kind: str,
    when: str,
    *,
    detail: str = "",
    outcome: str = "success",
    note: str = "",
    links: tuple[Node, ...] = (),
) -> Node:
    return el(
        "event",
        identifier("event", view.id_of("event", name)),
        term("eventType", kind),
        el("eventDateTime", when),
        el("eventDetailInformation", el("eventDetail", detail)) if detail else None,
        el(
            "eventOutcomeInformation",
            term("eventOutcome", outcome),
            el("eventOutcomeDetail", el("eventOutcomeDetailNote", note)) if note else None,
        ),
        *links,
    )


def _handling(view: View) -> list[Node]:
    """Custody, condition and treatment: what happened to the carrier itself."""
    condition, tape = at(view.record, "condition"), view.link_object("carrier")
    out: list[Node] = []
    for i, entry in enumerate(rows(at(view.record, "custody", "custody_events")), start=1):
        name, said = f"custody-change-{i}", words(entry, skip=("at",))
        out.append(_event(view, name, "custody change", date(entry.get("at")), detail=said, links=(tape,)))
    assessed = at(condition, "condition_assessed_at")
    if assessed:
        terms = set(at(condition, "condition_terms") or ())
        known = "success" if terms <= SOUND_CONDITION else "warning"
        outcome = "unknown" if not terms or terms & NOT_KNOWN else known
        said, name = words(condition, "condition_terms", "condition_note"), "condition-assessment-1"
        out.append(
            _event(
                view,
                name,
                "condition assessment",
                date(assessed),
                detail=said,
                outcome=outcome,
                links=(tape,),
            )
        )
    for i, entry in enumerate(rows(at(condition, "treatments")), start=1):
        when, said = date(entry.get("start"), entry.get("end")), words(entry, skip=("start", "end"))
        # Whether it helped stands in the condition afterwards, if anywhere.
        name = f"treatment-{i}"
        out.append(_event(view, name, "treatment", when, detail=said, outcome="unknown", links=(tape,)))
    return out


def _machines(view: View, entry: Json) -> tuple[Node, ...]:
    """Every machine of a pass."""
    return tuple(view.link_agent(name, role) for name, role in hardware_of_pass(view, entry))


def _equipment(view: View) -> list[Node]:
    """The last chain check that was passed, and doubts about the equipment."""
    check, when = at(view.record, "capture", "chain_check_id"), at(view.record, "capture", "chain_check_at")
    out: list[Node] = []
    if check and check not in ("none", "unknown"):
        said = f"test {spoken(check)} of the chain, the last one passed before the transfer"
        links = _machines(view, {})
        out.append(_event(view, "chain-check-1", "chain check", date(when), detail=said, links=links))
    for i, entry in enumerate(rows(view.record.get("equipment_status")), start=1):
        outcome = "success" if entry.get("status") == "cleared" else "warning"
        name, said = f"equipment-fault-notice-{i}", words(entry, skip=("at",))
        out.append(
            _event(view, name, "equipment fault notice", date(entry.get("at")), detail=said, outcome=outcome)
        )
    return out


def _captures(view: View) -> list[Node]:
    out: list[Node] = []
    for name, entry in view.passes:
        made, result = view.made_by_pass(entry), entry.get("outcome")
        people = (*software_of_pass(view, entry), *operator_links(view))
        links = (*_machines(view, entry), *people, view.link_object("carrier", "source"))
        if made is not None:
            links = (*links, view.link_object(made, "outcome"))
        out.append(
            _event(
                view,
                name,
                "capture",
                date(entry.get("started_at"), entry.get("stopped_at")),
                detail=words(entry, skip=("started_at", "stopped_at", "outcome", "sha256")),
                outcome=outcome_of(result),
                note=spoken(result),
                links=links,
            )
        )
    return out


def _processing(view: View) -> list[Node]:
    out: list[Node] = []
    for i, entry in enumerate(rows(at(view.record, "processing", "processing_steps")), start=1):
        if view.is_embedding(entry):
            continue  # told with the other things the software did
        kind = STEP_EVENT.get(str(entry.get("type")), "modification")
        said = words(entry, skip=("at", "input_sha256", "output_sha256"))
        links = (*_program_of_step(view, entry), *_objects_of_step(view, entry))
        out.append(_event(view, f"processing-{i}", kind, date(entry.get("at")), detail=said, links=links))
    earlier = at(view.record, "derived_from")
    if earlier:
        said = f"the received file was made by others from an earlier one; {words(earlier)}"
        links = tuple(view.link_object(name, "outcome") for name in list(view.received.values())[:1])
        out.append(
            _event(
                view,
                "modification-before-receipt-1",
                "modification",
                date(None),
                detail=said,
                outcome="unknown",
                links=links,
            )
        )
    return out


def _program_of_step(view: View, entry: Json) -> tuple[Node, ...]:
    """The program that wrote this document, where it did the step itself."""
    own = entry.get("tool") is not None and entry.get("tool") == at(view.record, "made_by", "tool")
    return (view.link_agent("software", "executing program"),) if own else ()


def _objects_of_step(view: View, entry: Json) -> tuple[Node, ...]:
    keys = (("input_sha256", "source"), ("output_sha256", "outcome"))
    found = ((view.by_digest.get(str(entry.get(key))), role) for key, role in keys)
    return tuple(view.link_object(name, role) for name, role in found if name)


def _checking(view: View) -> list[Node]:
    """What the software did: measuring, checking, digests, embedding, packing."""
    record, masters, now = view.record, view.named("master"), date(view.made_at)
    tool, received = view.link_agent("software", "executing program"), tuple(view.received.values())
    out: list[Node] = []
    measured = at(record, "measured")
    if measured:
        keys = ("tool", "version", "frames", "channels", "container_bits", "effective_bits", "peak_dbfs")
        said = f"audio measured; {words(measured, *keys)}"
        links = (tool, *(view.link_object(m, "source") for m in masters))
        name, when = "metadata-extraction-1", date(at(measured, "at"))
        out.append(_event(view, name, "metadata extraction", when, detail=said, links=links))
    out.append(_validation(view))
    if masters:
        audio = ("audio-1",) if at(record, "audio_sha256") else ()
        said = "digests of the files" + (" and of the audio payload alone" if audio else "")
        others = (n for n, f in view.numbered if f.get("role") in ("pass", "derivative"))
        links = (tool, *(view.link_object(n) for n in (*received, *masters, *audio, *others)))
        name = "message-digest-calculation-1"
        out.append(_event(view, name, "message digest calculation", now, detail=said, links=links))
        said = (
            "the record was embedded in a copy of the received file; the audio payload was copied unchanged"
        )
        sources = (view.link_object(view.received[m], "source") for m in masters if m in view.received)
        links = (tool, *sources, *(view.link_object(m, "outcome") for m in masters))
        out.append(
            _event(view, "metadata-modification-1", "metadata modification", now, detail=said, links=links)
        )
    said = f"package {spoken(record.get('package_name'))}"
    replaced = words(record.get("supersedes"))
    said = f"{said}; replaces an earlier one: {replaced}" if replaced else said
    name = "information-package-creation-1"
    out.append(_event(view, name, "information package creation", now, detail=said, links=(tool,)))
    return [*out, *_redaction(view), *_signature(view)]


def _validation(view: View) -> Node:
    """The check of the record against its schema and rules: which rules were broken how often, and what was
    waived. Where the findings are not at hand, nothing is said of them."""
    waivers = rows(view.record.get("waivers"))
    said: list[str] = []
    outcome = "warning" if waivers else "success"
    if view.findings is not None:
        counts = Counter(f.severity for f in view.findings)
        said.append("; ".join(f"{s}s: {counts[s]}" for s in ("error", "warning", "note")))
        broken = Counter(f.rule for f in view.findings if f.severity != "note")
        named = [f"{rule} ({n})" for rule, n in sorted(broken.items())]
        if named:
            said.append(f"rules: {', '.join(named)}")
        outcome = "fail" if counts["error"] else "warning" if counts["warning"] or waivers else "success"
    said += [f"waived: {words(w)}" for w in waivers]
    return _event(
        view,
        "validation-1",
        "validation",
        date(view.made_at),
        detail="record checked against its schema and rules",
        outcome=outcome,
        note="; ".join(said),
        links=(
            view.link_agent("software", "validator"),
            *(view.link_object(m) for m in view.named("master")),
        ),
    )


def _redaction(view: View) -> list[Node]:
    """Names held back. It concerns the papers, never the sound, so no object is linked."""
    held = rows(view.record.get("held_back"))
    if not held:
        return []
    detail = (
        f"names held back: {len(held)}, in the record and in everything made from it; the roles are kept, "
        "and the full record stays with the transfer organisation"
    )
    shown = [f"{spoken(e.get('label'))}: {spoken(e.get('roles'))}" for e in held[:_MOST_HELD]]
    more = [f"and {len(held) - _MOST_HELD} more, see record.json"] if len(held) > _MOST_HELD else []
    links = (view.link_agent("software", "executing program"),)
    note = "; ".join([*shown, *more])
    return [
        _event(view, "redaction-1", "redaction", date(view.made_at), detail=detail, note=note, links=links)
    ]


def _signature(view: View) -> list[Node]:
    """The signature of the package, which is made over the tag manifest and so after this document."""
    if view.signed_by is None:
        return []
    detail = (
        "signature over tagmanifest-sha512.txt in the SSHSIG format, "
        f"namespace {NAMESPACE_PACKAGE}; key {view.signed_by[1]}"
    )
    links = (view.link_agent("signer", "signer"), view.link_agent("software", "executing program"))
    name, kind = "digital-signature-generation-1", "digital signature generation"
    return [_event(view, name, kind, date(view.made_at), detail=detail, links=links)]


def _retention(view: View) -> list[Node]:
    said = words(at(view.record, "retention"), "retention_until", "next_check_due")
    when = date(view.made_at)
    return [_event(view, "policy-assignment-1", "policy assignment", when, detail=said)] if said else []


def build_events(view: View) -> list[Node]:
    """All events of a transfer."""
    before = [*_handling(view), *_equipment(view)]
    return [*before, *_captures(view), *_processing(view), *_checking(view), *_retention(view)]
