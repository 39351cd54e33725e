"""What the PREMIS builders know while they work: the record, the files, and the identifiers made from them.

A record is read as plain JSON data. Whatever a record leaves out stays out of the PREMIS document; nothing
is guessed.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import Any

from provpack.findings import Finding
from provpack.package.premis_terms import UNKNOWN_DATE, el, identifier, is_backwards, is_date, term, text
from provpack.xmldoc import Node

Json = Mapping[str, Any]

AUDIO_ROLES = ("master", "pass", "derivative")
# kind of machine -> section of the record that describes it, key by which the record and a pass name it
NAMED_IN_PASS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "deck": ("deck", "deck_id"),
        "decoder": ("decoder", "decoder_id"),
        "capture-device": ("capture", "capture_device_id"),
    }
)
NOT_KNOWN = frozenset({"unknown", "not_observed"})


def at(value: Any, *keys: str) -> Any:
    """The value under a chain of keys; None when any of them is missing."""
    for key in keys:
        if not isinstance(value, Mapping):
            return None
        value = value.get(key)
    return value


def rows(value: Any) -> list[Json]:
    """The entries of an array of objects; nothing for null."""
    return [entry for entry in value or () if isinstance(entry, Mapping)]


def spoken(value: Any) -> str:
    """A JSON value as text for a note: lists joined by commas, objects as compact JSON."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    if isinstance(value, Sequence):
        return ", ".join(spoken(v) for v in value)
    if isinstance(value, Mapping):
        return json.dumps(value, ensure_ascii=False, sort_keys=True)
    return "" if value is None else str(value)


def words(entry: Any, *keys: str, skip: Iterable[str] = ()) -> str:
    """`key: value; key: value` of the keys named, or of all keys but those to skip; empty values left out."""
    if not isinstance(entry, Mapping):
        return ""
    left = set(skip)
    wanted = keys or tuple(k for k in entry if k not in left)
    said = ((k, spoken(entry.get(k))) for k in wanted)
    return "; ".join(f"{k.replace('_', ' ')}: {v}" for k, v in said if v)


def date(start: Any, stop: Any = None) -> str:
    """An EDTF date or interval; a year of XXXX when nobody knows when it was. A period that ends before it
    begins contradicts itself and is written as its beginning; the record keeps both."""
    first = start if isinstance(start, str) and is_date(start) else UNKNOWN_DATE
    last = stop if isinstance(stop, str) and is_date(stop) else ""
    said = f"{first}/{last}" if last else first
    return first if is_backwards(said) else said


@dataclass(frozen=True)
class View:
    """A record and its files; every identifier is the record's id, a kind and a counter, so building the
    same record twice gives the same document.

    findings: what checking the record found; None = not told here, which is not the same as nothing found.
    signed_by: who signs the package (principal, fingerprint of the key).
    """

    record: Json
    files: Sequence[Json]
    findings: Sequence[Finding] | None = None
    signed_by: tuple[str, str] | None = None

    @property
    def record_id(self) -> str:
        return str(self.record["record_id"])

    @property
    def made_at(self) -> Any:
        return at(self.record, "made_by", "at")

    def id_of(self, entity: str, name: str) -> str:
        """entity is object, event, agent or rights."""
        return f"{self.record_id}/{entity}/{name}"

    @cached_property
    def numbered(self) -> tuple[tuple[str, Json], ...]:
        """Every file with its object name: its role and its number within that role."""
        count: dict[str, int] = {}
        out: list[tuple[str, Json]] = []
        for file in self.files:
            role = str(file.get("role", "file"))
            count[role] = count.get(role, 0) + 1
            out.append((f"{role}-{count[role]}", file))
        return tuple(out)

    def named(self, role: str) -> list[str]:
        """Object names of the files in a role."""
        return [name for name, file in self.numbered if file.get("role") == role]

    @cached_property
    def received(self) -> Mapping[str, str]:
        """Object name of a packaged file -> object name of the file handed in for it, where its digest is
        known."""
        handed_in = [
            n for n, f in self.numbered if f.get("role") in ("master", "pass") and f.get("original_sha256")
        ]
        return {name: f"received-{i}" for i, name in enumerate(handed_in, start=1)}

    @cached_property
    def by_digest(self) -> dict[str, str]:
        """SHA-256 of a file, or of the audio of a master or pass -> object name; whole files win."""
        audio = {str(f["audio_sha256"]): n for n, f in self.numbered if f.get("audio_sha256")}
        whole = {str(f["sha256"]): n for n, f in self.numbered if f.get("sha256")}
        before = {str(f["original_sha256"]): self.received[n] for n, f in self.numbered if n in self.received}
        return {**audio, **before, **whole}

    def find(self, name: Any) -> str | None:
        """The object a file name in the record means: path, name as handed in, or the last part of either.
        The file as handed in is meant where there is one."""
        if not isinstance(name, str) or not name:
            return None
        for object_name, file in self.numbered:
            path, original = str(file.get("path", "")), str(file.get("original_name") or "")
            last = name.rpartition("/")[2]
            if name in (path, original) or last in (path.rpartition("/")[2], original.rpartition("/")[2]):
                return self.received.get(object_name, object_name)
        return None

    @cached_property
    def passes(self) -> tuple[tuple[str, Json], ...]:
        """Every playback pass with its event name."""
        found = rows(at(self.record, "processing", "passes"))
        return tuple((f"capture-{i}", entry) for i, entry in enumerate(found, start=1))

    @cached_property
    def other_machines(self) -> Mapping[str, tuple[str, ...]]:
        """Kind of machine -> equipment ids that passes name and the record's own section of it does not."""
        out: dict[str, tuple[str, ...]] = {}
        for kind, (section, key) in NAMED_IN_PASS.items():
            own = at(self.record, section, key)
            named = (str(entry[key]) for _, entry in self.passes if entry.get(key))
            out[kind] = tuple(dict.fromkeys(one for one in named if one != own))
        return out

    def made_by_pass(self, entry: Json) -> str | None:
        """The object a pass left behind: the file with its digest, else the file it names, else the master
        when there is one pass only. None when several could be meant, or nothing was kept."""
        known = self.by_digest.get(str(entry.get("sha256"))) or self.find(entry.get("file"))
        if known is not None:
            return known
        masters = self.named("master")
        if len(self.passes) == 1 and len(masters) == 1 and entry.get("file"):
            return self.received.get(masters[0], masters[0])
        return None

    def captures_of(self, object_name: str) -> list[str]:
        """Names of the capture events an object came from; for an assembled master, of every pass that the
        assembly takes frames from."""
        masters = self.named("master")
        assembled: set[Any] = set()
        if object_name in (*masters, *(self.received[m] for m in masters if m in self.received)):
            assembled = {part.get("pass_n") for part in rows(at(self.record, "processing", "assembly"))}
        return [
            event
            for event, entry in self.passes
            if self.made_by_pass(entry) == object_name or entry.get("n") in assembled
        ]

    def made_by_steps(self, file: Json) -> list[str]:
        """Names of the events of all processing steps that say they made a file, by digest or path."""
        steps = rows(at(self.record, "processing", "processing_steps"))
        digests = {str(file[k]) for k in ("sha256", "audio_sha256") if file.get(k)}
        return [
            f"processing-{i}"
            for i, step in enumerate(steps, start=1)
            if not self.is_embedding(step)
            and (
                step.get("output_sha256") in digests
                or (step.get("output_path") and step.get("output_path") == file.get("path"))
            )
        ]

    def is_embedding(self, step: Json) -> bool:
        """Whether a step is our own embedding of the record, which has an event of its own name."""
        own = at(self.record, "made_by", "tool")
        return step.get("type") == "metadata_modification" and step.get("tool") == own

    def link_object(self, name: str, role: str | None = None) -> Node:
        """`linkingObjectIdentifier`; role source or outcome."""
        extra = term("linkingObjectRole", role) if role else None
        return identifier("linkingObject", self.id_of("object", name), extra)

    def link_agent(self, name: str, role: str | None = None) -> Node:
        """`linkingAgentIdentifier`; role from the list of the Library of Congress or one of ours."""
        extra = term("linkingAgentRole", role) if role else None
        return identifier("linkingAgent", self.id_of("agent", name), extra)

    def link_rights(self) -> Node:
        return identifier("linkingRightsStatement", self.id_of("rights", "1"))


def property_of(kind: str, value: Any) -> Node | None:
    """A `significantProperties` pair; None when the record has no value."""
    said = spoken(value)
    if not said:
        return None
    return el(
        "significantProperties",
        el("significantPropertiesType", kind),
        text("significantPropertiesValue", said),
    )
