"""Names of persons kept out of what is delivered: roles stay, the studio keeps the names and their proof.

A name that is held back never enters the package, so every digest in it holds. The record says of each name
in which fields it stood and holds a commitment to it: SHA-256 over a salt of 32 bytes followed by the name in
UTF-8. The studio keeps salt and name; whoever is shown both later can prove that this was the name, and
nobody can find it by trying out names, because the salt is secret.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from provpack.findings import Finding
from provpack.package import heldrules
from provpack.package.heldnames import Person, Searcher, composed, person_of

SALT_BYTES = 32
PERSON_FIELDS: tuple[tuple[str, ...], ...] = (
    ("people", "operator"),
    ("people", "qc_by"),
    ("condition", "treatments", "*", "agent"),
    ("condition", "treatments", "*", "consent_by"),
    ("processing", "processing_steps", "*", "agent"),
    ("custody", "custody_events", "*", "from"),
    ("custody", "custody_events", "*", "to"),
    ("derived_from", "agent"),
    ("waivers", "*", "by"),
    ("equipment_status", "*", "by"),
)
"""Fields of the record that can name a person. The client and the studio are named by their own fields and
stay: the one receives the package, the other answers for it."""

PARTY_FIELDS = (("people", "client"), ("people", "transfer_organisation"))


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldName:
    """One person in a record: who, what stands there instead, where the name stood, and the secret salt."""

    label: str
    person: Person
    roles: tuple[str, ...]
    salt: bytes

    @property
    def name(self) -> str:
        """The spelling the commitment is made to: the first one found."""
        return self.person.spellings[0]

    @property
    def commitment(self) -> str:
        """SHA-256 (hex) of salt and name."""
        return hashlib.sha256(self.salt + self.name.encode("utf-8")).hexdigest()

    def for_record(self) -> dict[str, Any]:
        """The entry of the record's `held_back`."""
        return {"label": self.label, "roles": list(self.roles), "commitment_sha256": self.commitment}

    def for_studio(self) -> dict[str, Any]:
        """The entry of the studio's own file (schemas/studio-record.schema.json)."""
        return {**self.for_record(), "spellings": list(self.person.spellings), "salt_hex": self.salt.hex()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What is held back from one record. names: persons it names; watched: these and everybody else the job
    knows, who must not turn up in what goes along."""

    names: tuple[HeldName, ...] = ()
    watched: tuple[Person, ...] = ()

    def without(self, value: Any) -> Any:
        """The JSON value with every held name in it, also inside other texts, replaced by its label.

        A field that holds nothing but a name is replaced as a whole. Keys stay as they are. A text in which
        something was replaced is in Unicode normalisation form C.
        """
        if not self.names:
            return value
        labels = {composed(s): held.label for held in self.names for s in held.person.spellings}
        return _replaced(value, labels, [(Searcher((h.person,)), h.label) for h in self.names])

    def hints(self, value: Any, where: str) -> tuple[Finding, ...]:
        """A warning for each text of a record without names that may still hint at one.

        A single word of a name, such as a surname, may be an ordinary word; so it is told, not replaced.
        """
        searcher = Searcher(self.watched)
        return tuple(
            heldrules.NAME_PART.found(
                f"{pointer} still holds {word!r}, which can stand for a person whose name is held back.",
                where,
                position={"path": pointer},
            )
            for pointer, text in _texts(value, "")
            for word in searcher.hints(text)
        )


def persons_in(records: Iterable[Mapping[str, Any]], others: Iterable[str] = ()) -> tuple[Person, ...]:
    """Everybody whom the person fields of these records name, and others; each once, all spellings.

    Clients and studios of all the records are parties, and no persons.
    """
    records = list(records)
    parties = {
        composed(text)
        for record in records
        for path in PARTY_FIELDS
        for _, value in _at(record, path)
        for text in (value, value.partition(",")[0])  # "Name, place": also meant by its name alone
    }
    told = [value for record in records for path in PERSON_FIELDS for _, value in _at(record, path)]
    found: dict[object, Person] = {}
    for value in (*told, *others):
        person = person_of(value)
        if person is None or composed(value) in parties or composed(value.partition(",")[0]) in parties:
            continue
        known = found.get(person.key)
        found[person.key] = person if known is None else known.also(person)
    return tuple(found.values())


def hold_back(
    record: Mapping[str, Any], new_salt: Callable[[], bytes], persons: Sequence[Person] | None = None
) -> Held:
    """What is to be held back from this record. new_salt: SALT_BYTES secret random bytes.

    persons: everybody the job knows (persons_in of all its records), None for those of this record alone.
    """
    watched = tuple(persons) if persons is not None else persons_in([record])
    by_key = {person.key: person for person in watched}
    roles: dict[object, list[str]] = {}
    for path in PERSON_FIELDS:
        for pointer, value in _at(record, path):
            person = person_of(value)
            if person is not None and person.key in by_key:
                roles.setdefault(person.key, []).append(pointer)
    fields = {pointer for found in roles.values() for pointer in found}
    anybody = Searcher(watched)
    passing = [(p, text) for p, text in _texts(record, "") if p not in fields and anybody.finds(text)]
    for person in watched if passing else ():  # named in passing only, in a note for example
        searcher = Searcher((person,))
        here = [p for p, text in passing if searcher.finds(text)]
        if here and person.key not in roles:
            roles[person.key] = here
    names = tuple(
        HeldName(label=_label(n, found), person=by_key[key], roles=tuple(found), salt=new_salt())
        for n, (key, found) in enumerate(roles.items(), 1)
    )
    return Held(names=names, watched=watched)


def _label(n: int, roles: Sequence[str]) -> str:
    # a party to custody may be an organisation: nobody knows from the sheet
    custody = all(role.startswith("/custody/") for role in roles)
    return f"{'person or organisation' if custody else 'person'} {n} (name held back)"


def _at(value: Any, path: Sequence[str], pointer: str = "") -> Iterator[tuple[str, str]]:
    """(JSON pointer, text) of every text at a path in which `*` means each entry of a list."""
    if not path:
        if isinstance(value, str) and value.strip():
            yield pointer, value
        return
    if path[0] == "*":
        for n, entry in enumerate(value if isinstance(value, list | tuple) else ()):
            yield from _at(entry, path[1:], f"{pointer}/{n}")
    elif isinstance(value, Mapping):
        yield from _at(value.get(path[0]), path[1:], f"{pointer}/{path[0]}")


def _texts(value: Any, pointer: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, str):
        yield pointer, value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _texts(inner, f"{pointer}/{key}")
    elif isinstance(value, list | tuple):
        for n, inner in enumerate(value):
            yield from _texts(inner, f"{pointer}/{n}")


def _replaced(value: Any, whole: Mapping[str, str], each: Sequence[tuple[Searcher, str]]) -> Any:
    if isinstance(value, str):
        if composed(value) in whole:
            return whole[composed(value)]
        for searcher, label in each:
            value = searcher.replaced(value, label)
        return value
    if isinstance(value, Mapping):
        return {key: _replaced(inner, whole, each) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_replaced(inner, whole, each) for inner in value]
    return value
