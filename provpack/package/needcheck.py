"""Hold a record, a planned package or a finished one against a client's requirements. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

from provpack.findings import Finding, Rule
from provpack.package import needrules as rules
from provpack.package.bagpaths import readable
from provpack.package.bagprofile_values import BagFacts, BagProfile, same_type
from provpack.package.clientneeds import (
    NO_ANSWER,
    PLACEHOLDERS,
    ClientNeeds,
    FieldNeed,
    Json,
    bag_info_pairs,
    derivative_state,
    empty_placeholders,
    value_at,
    wanted_derivatives,
)
from provpack.package.ownbag import SIGNATURE

ALWAYS_WRITTEN = ("sha256", "sha512")
"""Algorithms of the manifests every package of ours has; a client's digests come on top."""
FORM_OF = {None: "folder", "application/x-tar": "tar", "application/zip": "zip"}
_AFTER_THE_SHEETS = frozenset({
    "record_id", "made_by", "package_name", "measured", "files", "audio_sha256", "coding_history",
    "client_profile", "held_back",
})  # fmt: skip
_MEASURED_FIELDS = frozenset({"/signal/header_sampling_frequency_hz", "/condition/condition_photos"})

_COPY: Final = {"deemphasis": "a copy without pre-emphasis", "deskew": "a copy without skew"}


def needs_findings(
    needs: ClientNeeds, record: Json, *, package_name: str, roles: Collection[str], finished: bool
) -> tuple[Finding, ...]:
    """What of the requirements the record does not meet; each finding's position has `path`, the JSON pointer
    of the field it is about.

    roles: of the files in the package (schemas/fields.schema.json, file_role). finished: False for a draft
    made from the sheets alone, in which what only wrapping can tell is not asked for.
    """
    out: list[Finding] = []
    for need in needs.record_fields:
        if finished or not _later(need.pointer):
            out += _field(need, record)
    if needs.package_name is not None and (why := needs.package_name.fault(package_name)):
        out.append(_at(rules.PACKAGE_NAME, "/transfer_id", f"'{readable(package_name)}': {why}."))
    item = value_at(record, PLACEHOLDERS["client_item_id"])[1]
    if needs.client_item_id is not None and isinstance(item, str):
        why = needs.client_item_id.fault(item)
        if why:
            out.append(_at(rules.ITEM_ID, PLACEHOLDERS["client_item_id"], f"'{readable(item)}': {why}."))
    for role in needs.documents_required:
        if role not in roles:
            place = "/condition/condition_photos" if role == "photo" else ""
            out.append(_at(rules.DOCUMENT_MISSING, place, f"There is no file of the kind '{role}'."))
    for label, pointer in empty_placeholders(needs, record):
        what = f"bag-info.txt is to have {label}, for which {pointer.rpartition('/')[2]} is needed."
        out.append(_at(rules.PLACEHOLDER_EMPTY, pointer, what))
    out += _derivatives(needs, record, finished)
    if finished:  # nobody can fill in a row any more
        return tuple(replace(f, todo=rules.AGAIN) if f.severity == "error" else f for f in out)
    return tuple(out)


def package_findings(needs: ClientNeeds, record: Json, facts: BagFacts) -> tuple[Finding, ...]:
    """What of the requirements the finished package does not meet as a bag, its record's client included."""
    out: list[Finding] = []
    client = value_at(record, "/people/client")[1]
    if not isinstance(client, str) or client.strip() != needs.client:
        what = f"The record names the client '{readable(str(client))}', the requirements '{needs.client}'."
        out.append(_at(rules.CLIENT_OTHER, "/people/client", what))
    for algorithm in needs.digests:
        if algorithm not in facts.payload_algorithms:
            what = f"There is no manifest-{algorithm}.txt; the client asks for it."
            out.append(rules.DIGEST_MISSING.found(what, f"manifest-{algorithm}.txt"))
    form = FORM_OF.get(facts.serialisation, facts.serialisation)
    if needs.form and form not in needs.form:
        what = f"It comes as {form}; the client accepts: {', '.join(needs.form)}."
        out.append(rules.FORM.found(what, "the package"))
    if needs.signature_required and SIGNATURE not in facts.files:
        out.append(rules.SIGNATURE_MISSING.found(f"There is no {SIGNATURE}.", SIGNATURE))
    if needs.hold_back_names and record.get("held_back") is None:
        what = "The record does not say that any were (it has no list 'held_back')."
        out.append(_at(rules.NAMES_NOT_HELD_BACK, "/held_back", what))
    present = {(label.lower(), _joined(value)) for label, value in facts.bag_info}
    for label, value in bag_info_pairs(needs, record):
        if (label.lower(), _joined(value)) not in present:
            what = f"There is no element '{label}: {readable(value[:120])}'."
            out.append(
                rules.BAG_INFO.found(what, f"bag-info.txt, {label}", position={"path": "bag-info.txt"})
            )
    return tuple(out)


def agreement(needs: ClientNeeds, profile: BagProfile) -> tuple[Finding, ...]:
    """Where the requirements and the BagIt profile beside them cannot both be met by a package of ours."""
    written = dict.fromkeys((*ALWAYS_WRITTEN, *needs.digests))
    kinds = {"tar": "application/x-tar", "zip": "application/zip"}
    said: list[str] = []
    for name, required, allowed in (
        ("payload manifests", profile.manifests_required, profile.manifests_allowed),
        ("tag manifests", profile.tag_manifests_required, profile.tag_manifests_allowed),
    ):
        said += [
            f"The profile requires {name} of {algorithm}; add it to 'digests'."
            for algorithm in required
            if algorithm not in written
        ]
        said += [
            f"The profile does not allow {name} of {algorithm}, which would be written."
            for algorithm in written
            if allowed is not None and algorithm not in allowed
        ]
    if profile.accept_version and "1.0" not in profile.accept_version:
        said.append("The profile does not accept BagIt 1.0, which is what is written.")
    if profile.fetch_required:
        said.append("The profile requires a fetch.txt, which is never written.")
    if profile.data_empty:
        said.append("The profile wants an empty payload.")
    for form in needs.form:
        if form == "folder" and profile.serialisation == "required":
            said.append("'form' has folder, and the profile requires an archive.")
        elif form != "folder" and (
            profile.serialisation == "forbidden"
            or not any(same_type(kinds[form], kind) for kind in profile.accept_serialisation)
        ):
            said.append(f"'form' has {form}, and the profile does not accept {kinds[form]}.")
    where = readable(needs.where)
    return tuple(rules.PROFILE_DISAGREES.found(what, where, position={"file": where}) for what in said)


def _at(rule: Rule, pointer: str, what: str) -> Finding:
    position: Mapping[str, str | int] = {"path": pointer} if pointer else {}
    return rule.found(what, pointer or "files", position=position)


def _later(pointer: str) -> bool:
    return pointer.split("/")[1] in _AFTER_THE_SHEETS or pointer in _MEASURED_FIELDS


def _field(need: FieldNeed, record: Json) -> Iterator[Finding]:
    section = need.pointer.split("/")[1]
    if need.pointer.count("/") > 1 and section in record and record[section] is None:
        return  # no audio, or no such equipment: there is nothing to state
    stated, value = value_at(record, need.pointer)
    name = readable(need.field)
    if not stated or value is None or value == "":
        said = " is null" if stated and value is None else " is not filled in"
        yield _at(rules.FIELD_MISSING, need.pointer, f"'{name}'{said}; the client asks for it.")
    elif need.known and _unknown(value):
        what = f"'{name}' is {_words(value)}; the client wants it known."
        yield _at(rules.FIELD_UNKNOWN, need.pointer, what)
    elif need.at_least and isinstance(value, list) and len(value) < need.at_least:
        what = f"'{name}' has {len(value)} entries; the client asks for at least {need.at_least}."
        yield _at(rules.FIELD_SHORT, need.pointer, what)


def _unknown(value: Any) -> bool:
    if isinstance(value, str):
        return value.strip().casefold() in NO_ANSWER
    return isinstance(value, list) and bool(value) and all(_unknown(entry) for entry in value)


def _words(value: Any) -> str:
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def _derivatives(needs: ClientNeeds, record: Json, finished: bool) -> Iterator[Finding]:
    source = {"deemphasis": "/signal/file_emphasis", "deskew": "/decoder/shared_converter"}
    for kind in needs.derivatives:
        if derivative_state(kind, record) == "unknown":
            what = f"The client wants {_COPY[kind]}; whether there is anything to remove is not known."
            yield _at(rules.DERIVATIVE_UNKNOWN, source[kind], what)
    wanted = wanted_derivatives(needs, record)
    if not finished:
        if "deskew" in wanted:
            what = (
                f"The channels are skewed (shared_converter is yes), and the client wants {_COPY['deskew']}."
            )
            yield _at(rules.LATE_CHANNEL, source["deskew"], what)
        return
    steps = value_at(record, "/processing/processing_steps")[1] or []
    made = {step.get("type"): str(step.get("output_path", "")) for step in steps if isinstance(step, Mapping)}
    files = record.get("files")
    there = {
        str(one.get("path"))
        for one in (files if isinstance(files, list) else ())
        if isinstance(one, Mapping) and one.get("role") == "derivative"
    }
    for kind in wanted:
        if made.get(kind) not in there:
            what = f"{_COPY[kind].capitalize()} is missing; the client asks for one wherever it applies."
            yield _at(rules.DERIVATIVE_MISSING, "/files", what)
        elif needs.derivative_container and not made[kind].endswith(f".{needs.derivative_container}"):
            what = (
                f"{_COPY[kind].capitalize()} is there as '{readable(made[kind])}'; the client wants "
                f"{needs.derivative_container.upper()}."
            )
            yield _at(rules.DERIVATIVE_CONTAINER, "/files", what)


def _joined(value: str) -> str:
    """A value with its folds and blanks taken as one blank: how it was folded does not count."""
    return " ".join(value.split())
