"""PREMIS agents and rights of a transfer: people, organisations, software, every machine in the chain.

PREMIS 3.0 knows hardware agents (Data Dictionary 3.0, 3.3 agentType). A serial number has no element of its
own and stands in agentNote. The record may hold a role or an identifier instead of a person's name; the
role is noted beside either.
"""

from __future__ import annotations

from provpack.package.premis_terms import el, identifier, term, text
from provpack.package.premis_view import AUDIO_ROLES, Json, View, at, spoken, words
from provpack.xmldoc import Node

# agent name -> (section of the record, prefix of its fields, role in an event)
HARDWARE = {
    "deck": ("deck", "deck", "playback deck"),
    "decoder": ("decoder", "decoder", "decoder"),
    "interface": ("interface", "interface", "interface"),
    "capture-device": ("capture", "capture_device", "capture device"),
}
# field of `people` -> (agent type, role)
PARTIES = {
    "operator": ("person", "operator"),
    "qc_by": ("person", "quality control"),
    "transfer_organisation": ("organization", "transfer organisation"),
    "client": ("organization", "client"),
}


def _agent(
    view: View,
    name: str,
    kind: str,
    label: str,
    *notes: str,
    version: str | None = None,
    key: str | None = None,
) -> Node:
    return el(
        "agent",
        identifier("agent", view.id_of("agent", name)),
        identifier("agent", key, kind="equipment identifier") if key else None,
        el("agentName", label),
        term("agentType", kind),
        text("agentVersion", version),
        *(text("agentNote", note) for note in notes if note),
    )


def _present(view: View, section: str, prefix: str) -> bool:
    """Whether the record names such a machine at all (no decoder exists for DAT, CD-R, analogue)."""
    fields = at(view.record, section)
    keys = (f"{prefix}_id", f"{prefix}_make_model", f"{prefix}_serial", f"{prefix}_type")
    return any(at(fields, key) for key in keys)


def hardware_of_pass(view: View, entry: Json) -> list[tuple[str, str]]:
    """Agent name and role of every machine of a pass. When the pass names another deck or another capture
    device than the record does, or another chain, only what the pass itself names is claimed."""
    own_deck, own_chain = at(view.record, "deck", "deck_id"), at(view.record, "capture", "chain_id")
    deck, chain = entry.get("deck_id"), entry.get("chain_id")
    other_deck = bool(deck and deck != own_deck)
    other_chain = other_deck or bool(chain and own_chain and chain != own_chain)
    if other_chain:
        return [(f"deck-{view.other_decks.index(str(deck)) + 1}", "playback deck")] if other_deck else []
    return [
        (name, role) for name, (section, prefix, role) in HARDWARE.items() if _present(view, section, prefix)
    ]


def operator_links(view: View) -> list[Node]:
    """The operator as implementer, when the record has one."""
    return [view.link_agent("operator", "implementer")] if at(view.record, "people", "operator") else []


def _hardware(view: View) -> list[Node]:
    out: list[Node] = []
    for name, (section, prefix, _) in HARDWARE.items():
        if not _present(view, section, prefix):
            continue
        fields = at(view.record, section)
        key, serial = at(fields, f"{prefix}_id"), at(fields, f"{prefix}_serial")
        label = at(fields, f"{prefix}_make_model") or at(fields, f"{prefix}_type") or key
        named = (f"{prefix}_id", f"{prefix}_make_model", f"{prefix}_serial", "capture_software")
        out.append(
            _agent(
                view,
                name,
                "hardware",
                spoken(label),
                f"serial number: {spoken(serial)}" if serial else "",
                words(fields, skip=named),
                key=spoken(key) or None,
            )
        )
    for i, deck in enumerate(view.other_decks, start=1):
        out.append(
            _agent(view, f"deck-{i}", "hardware", deck, "known by its equipment identifier only", key=deck)
        )
    return out


def build_agents(view: View) -> list[Node]:
    """All agents of a transfer."""
    people = at(view.record, "people")
    out: list[Node] = []
    for field, (kind, role) in PARTIES.items():
        name = spoken(at(people, field))
        if name:
            out.append(_agent(view, field.replace("_", "-"), kind, name, f"role: {role}"))
    made_by = at(view.record, "made_by")
    out.append(
        _agent(
            view,
            "software",
            "software",
            spoken(at(made_by, "tool")) or "provpack",
            version=at(made_by, "version"),
        )
    )
    software = at(view.record, "capture", "capture_software")
    if software:
        out.append(
            _agent(view, "capture-software", "software", spoken(software), "version as part of the name")
        )
    return [*out, *_hardware(view)]


def build_rights(view: View) -> Node:
    """The one rights statement.

    PREMIS can hold copyright and statute only together with a jurisdiction (and a citation), which the record
    does not have; so every basis but a licence is written as `other` with the record's own word, and unknown
    stays unknown. The copy flags found are noted as found.
    """
    rights, record = at(view.record, "rights"), view.record
    basis = spoken(at(rights, "rights_basis")) or "unknown"
    flags = {
        "copy bit of the digital interface": at(record, "interface", "cs_copy"),
        "copy-prohibit lamp of the decoder": at(record, "decoder", "copy_indicator"),
    }
    notes = [part for part in (words(rights, skip=("rights_basis",)), words(flags)) if part]
    if basis == "licensed":
        notes = notes or ["licensed; the terms are not recorded here"]
        said = [
            term("rightsBasis", "license"),
            el("licenseInformation", *(el("licenseNote", n) for n in notes)),
        ]
    else:
        other = [el("otherRightsBasis", basis), *(el("otherRightsNote", n) for n in notes)]
        said = [term("rightsBasis", "other"), el("otherRightsInformation", *other)]
    audio = [name for name, file in view.numbered if file.get("role") in AUDIO_ROLES]
    return el(
        "rights",
        el(
            "rightsStatement",
            identifier("rightsStatement", view.id_of("rights", "1")),
            *said,
            *(view.link_object(name) for name in ("carrier", *view.received.values(), *audio)),
            view.link_agent("client") if at(record, "people", "client") else None,
        ),
    )
