"""A client's requirements beyond a BagIt profile (schemas/client-requirements.schema.json), as values.

What a finished package must be like for them is judged in needcheck.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from provpack.findings import Finding
from provpack.package import needrules as rules
from provpack.package.bagpaths import readable
from provpack.package.bagprofile_glob import Matcher, name_pattern

Json = Mapping[str, Any]

PLACEHOLDERS: Mapping[str, str] = {
    "client_item_id": "/item/client_item_id",
    "carrier_id": "/carrier/carrier_id",
    "transfer_id": "/transfer_id",
    "job_id": "/job_id",
    "title": "/item/title",
}
"""What may stand in braces in an element for bag-info.txt, and where the record says it."""
RESERVED = frozenset({"payload-oxum", "bagging-date", "bag-size", "bagit-profile-identifier"})
"""Elements of bag-info.txt that are counted or follow from elsewhere, so no client can set them."""
NO_ANSWER = frozenset({"unknown", "not_observed"})
"""Honest, but no answer where a client wants to know. not_fitted is one: there was nothing to see."""

_BRACES = re.compile(r"\{([^{}]*)\}")


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldNeed:
    """A field that must be filled in: as written, and as a JSON pointer. at_least: entries of a list."""

    field: str
    pointer: str
    known: bool = False
    at_least: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class NameNeed:
    """How a name must look; see `name_pattern` for the language of patterns. note: its meaning, in words."""

    pattern: str | None = None
    max_length: int | None = None
    note: str = ""
    matches: Matcher | None = field(default=None, compare=False)

    def fault(self, name: str) -> str:
        """What is wrong with the name, "" when nothing is."""
        if self.max_length is not None and len(name) > self.max_length:
            return f"it has {len(name)} characters, the client allows {self.max_length}"
        if self.matches is not None and not self.matches(name):
            return f"it does not fit the client's pattern '{self.pattern}'"
        return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClientNeeds:
    """One client's requirements. bag_info: (label, value with placeholders). Empty = not asked for."""

    where: str
    name: str
    client: str
    version: str
    bagit_profile: str | None = None
    record_fields: tuple[FieldNeed, ...] = ()
    package_name: NameNeed | None = None
    client_item_id: NameNeed | None = None
    documents_required: tuple[str, ...] = ()
    derivatives: tuple[str, ...] = ()
    derivative_container: str | None = None
    digests: tuple[str, ...] = ()
    form: tuple[str, ...] = ()
    hold_back_names: bool = False
    signature_required: bool = False
    bag_info: tuple[tuple[str, str], ...] = ()


def read_needs(
    document: Json, where: str, pointer_of: Callable[[str], str | None]
) -> tuple[ClientNeeds, tuple[Finding, ...]]:
    """The requirements in a document that follows its schema, and what is wrong with them beyond that.

    where: the name of the file. pointer_of(name): the JSON pointer of a field of the record, None when no
    record has it.
    """
    found: list[Finding] = []
    place = readable(where)

    def say(rule: Any, key: str, what: str) -> None:
        found.append(rule.found(what, f"{place}, {key}", position={"file": place, "key": key}))

    fields = []
    for n, entry in enumerate(document.get("record_fields", ())):
        name = str(entry["field"]).strip()
        pointer = pointer_of(name)
        if pointer is None:
            say(rules.FIELD_NAME, f"record_fields[{n + 1}]", f"No record has a field '{readable(name)}'.")
            continue
        known, at_least = bool(entry.get("known", False)), int(entry.get("at_least", 0))
        fields.append(FieldNeed(field=name, pointer=pointer, known=known, at_least=at_least))
    pairs = []
    for label, value in document.get("bag_info", {}).items():
        if label.lower() in RESERVED:
            say(rules.FILE_INVALID, f"bag_info, {label}", f"'{label}' is filled in by the program.")
            continue
        for text in [value] if isinstance(value, str) else value:
            wrong = [name for name in _BRACES.findall(text) if name not in PLACEHOLDERS]
            if wrong or "{" in _BRACES.sub("", text) or "}" in _BRACES.sub("", text):
                what = f"'{readable(text[:120])}' has braces around something that is no placeholder."
                say(rules.PLACEHOLDER, f"bag_info, {label}", what)
                continue
            pairs.append((label, text.strip()))
    needs = ClientNeeds(
        where=where,
        name=document["name"].strip(),
        client=document["client"].strip(),
        version=document["version"].strip(),
        bagit_profile=document.get("bagit_profile"),
        record_fields=tuple(fields),
        package_name=_name_need(document.get("package_name")),
        client_item_id=_name_need(document.get("client_item_id")),
        documents_required=tuple(document.get("documents_required", ())),
        derivatives=tuple(document.get("derivatives", ())),
        derivative_container=document.get("derivative_container"),
        digests=tuple(document.get("digests", ())),
        form=tuple(document.get("form", ())),
        hold_back_names=bool(document.get("hold_back_names", False)),
        signature_required=bool(document.get("signature_required", False)),
        bag_info=tuple(pairs),
    )
    return needs, tuple(found)


def _name_need(given: Json | None) -> NameNeed | None:
    if given is None:
        return None
    pattern = given.get("pattern")
    matches = name_pattern(pattern) if pattern is not None else None
    note = given.get("note", "").strip()
    return NameNeed(pattern=pattern, max_length=given.get("max_length"), note=note, matches=matches)


def value_at(record: Json, pointer: str) -> tuple[bool, Any]:
    """(whether a value stands there, the value) for a JSON pointer into the record. A section that is null
    gives (True, None) for everything inside it."""
    place: Any = record
    for part in pointer.split("/")[1:]:
        key = part.replace("~1", "/").replace("~0", "~")
        if place is None:
            return True, None
        if isinstance(place, Mapping) and key in place:
            place = place[key]
        elif isinstance(place, Sequence) and not isinstance(place, str) and _index(key, len(place)):
            place = place[int(key)]
        else:
            return False, None
    return True, place


def _index(key: str, length: int) -> bool:
    return key.isascii() and key.isdecimal() and len(key) < 10 and int(key) < length


def bag_info_pairs(needs: ClientNeeds, record: Json) -> tuple[tuple[str, str], ...]:
    """The elements to add to bag-info.txt, placeholders filled in. One whose placeholder the record does not
    fill is left out; `needs_findings` has told that."""
    return tuple((label, text) for label, text, empty in _filled(needs, record) if not empty)


def empty_placeholders(needs: ClientNeeds, record: Json) -> tuple[tuple[str, str], ...]:
    """(label, JSON pointer) of each placeholder that the record leaves empty."""
    return tuple((label, pointer) for label, _, empty in _filled(needs, record) for pointer in empty)


def _filled(needs: ClientNeeds, record: Json) -> Iterator[tuple[str, str, list[str]]]:
    for label, text in needs.bag_info:
        empty: list[str] = []

        def fill(match: re.Match[str], empty: list[str] = empty) -> str:
            value = value_at(record, PLACEHOLDERS[match[1]])[1]
            if not isinstance(value, str) or not value.strip():
                empty.append(PLACEHOLDERS[match[1]])
                return ""
            return value.strip()

        yield label, _BRACES.sub(fill, text), empty


def wanted_derivatives(needs: ClientNeeds, record: Json) -> tuple[str, ...]:
    """Which of the copies wanted there is something to make of: emphasis to remove, or a skew."""
    return tuple(kind for kind in needs.derivatives if derivative_state(kind, record) == "there")


def derivative_state(kind: str, record: Json) -> str:
    """there, not_there or unknown: what a derivative of that kind would remove. No audio: not_there."""
    if kind == "deemphasis":
        stated, value = value_at(record, "/signal/file_emphasis")
        words = {"present": "there", "mixed": "there", "absent": "not_there", "removed": "not_there"}
    else:
        stated, value = value_at(record, "/decoder/shared_converter")
        words = {"yes": "there", "no": "not_there"}
        if record.get("signal") is None:
            return "not_there"
    if stated and value is None:
        return "not_there"
    return words.get(str(value), "unknown")
