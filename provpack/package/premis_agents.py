"""PREMIS agents and rights of a transfer: people, organisations, software, every machine in the chain.

PREMIS 3.0 knows hardware agents (Data Dictionary 3.0, 3.3 agentType). A serial number has no element of its
own and stands in agentNote. The record may hold a role or an identifier instead of a person's name; the
role is noted beside either. The record describes the machines of its own chain; of another machine that a
pass names, only the equipment identifier is known, and nothing more is said of it.
"""

from __future__ import annotations

from provpack.package.premis_terms import el, identifier, term, text
from provpack.package.premis_view import AUDIO_ROLES, NAMED_IN_PASS, Json, View, at, rows, spoken, words
from provpack.xmldoc import Node

# agent name -> (section of the record, prefix of its fields, role in an event)
HARDWARE = {
    "deck": ("deck", "deck", "playback deck"),
    "decoder": ("decoder", "decoder", "decoder"),
    "interface": ("interface", "interface", "interface"),
    "capture-device": ("capture", "capture_device", "capture device"),
}
BOARD = "digital-output-board"
PATH_EQUIPMENT = "path-equipment"
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
    kind: str | None,
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
        term("agentType", kind) if kind else None,
        text("agentVersion", version),
        *(text("agentNote", note) for note in notes if note),
    )


def _present(view: View, section: str, prefix: str) -> bool:
    """Whether the record names such a machine at all (no decoder exists for DAT, CD-R, analogue)."""
    fields = at(view.record, section)
    keys = (f"{prefix}_id", f"{prefix}_make_model", f"{prefix}_serial", f"{prefix}_type")
    return any(at(fields, key) for key in keys)


def hardware_of_pass(view: View, entry: Json) -> list[tuple[str, str]]:
    """Agent name and role of every machine of a pass.

    A machine the pass names itself is linked, the record's own or another. The record's own machines stand
    in for what the pass leaves out only while nothing the pass says points to another chain.
    """
    own_pass = through_own_chain(view, entry)
    out: list[tuple[str, str]] = []
    for name, (section, prefix, role) in HARDWARE.items():
        said = entry.get(NAMED_IN_PASS[name][1]) if name in NAMED_IN_PASS else None
        if said and said != at(view.record, section, f"{prefix}_id"):
            out.append((f"{name}-{view.other_machines[name].index(str(said)) + 1}", role))
        elif (said or own_pass) and _present(view, section, prefix):
            out.append((name, role))
            if name == "decoder" and board_of(view):
                out.append((BOARD, "digital output board"))
    for i, part in enumerate(rows(view.record.get("path_equipment")), start=1):
        # What may have taken part is described, not linked: a link would say that it did.
        if part.get("took_part") == "yes" and part.get("pass_n") in (entry.get("n"), None) and entry:
            out.append((f"{PATH_EQUIPMENT}-{i}", "signal path"))
    return out


def through_own_chain(view: View, entry: Json) -> bool:
    """Whether a pass, as far as it says, ran through the very chain the record describes."""
    own, said = at(view.record, "capture", "chain_id"), entry.get("chain_id")
    others = (
        entry.get(key) and entry.get(key) != at(view.record, section, key)
        for section, key in NAMED_IN_PASS.values()
    )
    return not (said and own and said != own) and not any(others)


def software_of_pass(view: View, entry: Json) -> list[Node]:
    """The capture software: known for the record's own capture device only."""
    said, own = entry.get("capture_device_id"), at(view.record, "capture", "capture_device_id")
    if not at(view.record, "capture", "capture_software"):
        return []
    same = said == own if said and own else through_own_chain(view, entry)
    return [view.link_agent("capture-software", "executing program")] if same else []


def board_of(view: View) -> str:
    """The digital-output board built into the decoder later; empty when there is none, or nobody knows."""
    decoder = at(view.record, "decoder")
    board = at(decoder, "digital_output_revision") if at(decoder, "digital_output") == "aftermarket" else None
    return spoken(board)


def operator_links(view: View) -> list[Node]:
    """The operator as implementer, when the record has one."""
    return [view.link_agent("operator", "implementer")] if at(view.record, "people", "operator") else []


def _hardware(view: View) -> list[Node]:
    """All machines. One that plays two parts (a recorder with its adaptor built in) is an agent for each, and
    the equipment identifier, which must be unique, stands with the first."""
    out: list[Node] = []
    seen: dict[str, str] = {}

    def machine(name: str, key: str, label: str, *notes: str) -> None:
        same = seen.setdefault(key.strip(), name) if key.strip() else name
        note = "" if same == name else f"the same machine as {same}: equipment identifier {key}"
        out.append(_agent(view, name, "hardware", label, *notes, note, key=key if same == name else None))

    for name, (section, prefix, _) in HARDWARE.items():
        if not _present(view, section, prefix):
            continue
        fields = at(view.record, section)
        key, serial = at(fields, f"{prefix}_id"), at(fields, f"{prefix}_serial")
        label = at(fields, f"{prefix}_make_model") or at(fields, f"{prefix}_type") or key
        named = (f"{prefix}_id", f"{prefix}_make_model", f"{prefix}_serial", "capture_software")
        number = f"serial number: {spoken(serial)}" if serial else ""
        machine(name, spoken(key), spoken(label), number, words(fields, skip=named))
    if board_of(view):
        note = "built into the decoder after it was made"
        out.append(_agent(view, BOARD, "hardware", board_of(view), note))
    for i, part in enumerate(rows(view.record.get("path_equipment")), start=1):
        key, serial = spoken(part.get("equipment_id")), spoken(part.get("serial"))
        number = f"serial number: {serial}" if serial else ""
        notes = number, words(part, skip=("make_model", "serial"))
        machine(f"{PATH_EQUIPMENT}-{i}", key, spoken(part.get("make_model")) or key, *notes)
    for kind, keys in view.other_machines.items():
        for i, key in enumerate(keys, start=1):
            role = f"role: {HARDWARE[kind][2]}"
            machine(f"{kind}-{i}", key, key, role, "known by its equipment identifier only")
    return out


def _signer(view: View) -> list[Node]:
    """Who signs the package. Whether the principal is a person or an office is not known, so no type."""
    if view.signed_by is None:
        return []
    principal, fingerprint = view.signed_by
    note = f"fingerprint of the key: {fingerprint}"
    return [_agent(view, "signer", None, principal, note)]


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
    return [*out, *_signer(view), *_hardware(view)]


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
