"""Names of persons kept out of what is delivered: roles stay, the studio keeps the names and their proof.

A name that is held back never enters the package, so every digest in it holds. The record says of each name
in which fields it stood and holds a commitment to it: SHA-256 over a salt of 32 bytes followed by the name in
UTF-8. The studio keeps salt and name; whoever is shown both later can prove that this was the name, and
nobody can find it by trying out names, because the salt is secret.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from provpack.findings import Finding
from provpack.package import heldrules

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

_PARTIES = (("people", "client"), ("people", "transfer_organisation"))
_SHORTEST = 3
"""Letters a name must have to be looked for inside other texts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldName:
    """One person: what was written (every spelling), what stands there instead, and where it stood."""

    label: str
    spellings: tuple[str, ...]
    roles: tuple[str, ...]
    salt: bytes

    @property
    def name(self) -> str:
        """The spelling the commitment is made to: the first one found."""
        return self.spellings[0]

    @property
    def commitment(self) -> str:
        """SHA-256 (hex) of salt and name."""
        return hashlib.sha256(self.salt + self.name.encode("utf-8")).hexdigest()

    def for_record(self) -> dict[str, Any]:
        """The entry of the record's `held_back`."""
        return {"label": self.label, "roles": list(self.roles), "commitment_sha256": self.commitment}

    def for_studio(self) -> dict[str, Any]:
        """The entry of the studio's own file (schemas/studio-record.schema.json)."""
        return {**self.for_record(), "spellings": list(self.spellings), "salt_hex": self.salt.hex()}


def names_in(record: Mapping[str, Any], new_salt: Callable[[], bytes]) -> tuple[HeldName, ...]:
    """The persons a record names, in the order of PERSON_FIELDS. new_salt: SALT_BYTES secret random bytes."""
    # "Name, place": the party is also meant by its name alone
    parties = {
        _folded(text)
        for path in _PARTIES
        for _, value in _at(record, path)
        for text in (value, value.partition(",")[0])
    }
    found: dict[str, tuple[list[str], list[str]]] = {}
    for path in PERSON_FIELDS:
        for pointer, value in _at(record, path):
            # "Name, organisation": the same person with and without the organisation
            person = value.partition(",")[0].strip()
            if not person or _folded(value) in parties or _folded(person) in parties:
                continue
            spellings, roles = found.setdefault(_folded(person), ([], []))
            spellings += [text for text in dict.fromkeys((person, value)) if text not in spellings]
            roles.append(pointer)
    return tuple(
        HeldName(
            label=f"person {n} (name held back)",
            spellings=tuple(spellings),
            roles=tuple(roles),
            salt=new_salt(),
        )
        for n, (spellings, roles) in enumerate(found.values(), 1)
    )


def without(names: Sequence[HeldName], value: Any) -> Any:
    """The JSON value with every held name in it, also inside other texts, replaced by its label.

    A field that holds nothing but a name is replaced as a whole. Keys stay as they are.
    """
    if not names:
        return value
    return _replaced(
        value, {_folded(s): held.label for held in names for s in held.spellings}, _pattern(names)
    )


def left_over(names: Sequence[HeldName], value: Any) -> Iterator[tuple[str, str]]:
    """(JSON pointer, word) for each text that still holds a single word of a held name, such as a surname.

    Such a word may be an ordinary one; so it is told, and not replaced.
    """
    words = _words(names)
    for pointer, text in _texts(value, ""):
        for word in dict.fromkeys(re.findall(r"\w+", text)):
            if _folded(word) in words:
                yield pointer, word


def findings_in_record(names: Sequence[HeldName], value: Any, where: str) -> tuple[Finding, ...]:
    """A warning for each text of a record without names that may still hint at one."""
    return tuple(
        heldrules.NAME_PART.found(
            f"{pointer} still holds {word!r}, which is part of a name that is held back.",
            where,
            position={"path": pointer},
        )
        for pointer, word in left_over(names, value)
    )


def findings_in_bytes(names: Sequence[HeldName], data: bytes, what: str, where: str) -> tuple[Finding, ...]:
    """An error when bytes that go into the package as they are (a document, a chunk) hold a held name.

    Looked for as UTF-8, as Windows-1252 and as UTF-16, without regard to case; what is compressed, or a
    picture of writing, cannot be seen.
    """
    texts = (
        data.decode("utf-8", "replace"),
        data.decode("cp1252", "replace"),
        data.decode("utf-16-le", "replace"),
    )
    pattern = _pattern(names)
    if pattern is None:
        return ()
    for held in names:
        one = _pattern((held,))
        if one is not None and any(one.search(text) for text in texts):
            return (
                heldrules.NAME_IN_FILE.found(
                    f"{what} goes into the package as it is, and holds a name that is to be held back "
                    f"({held.roles[0]}).",
                    where,
                ),
            )
    return ()


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


def _replaced(value: Any, whole: Mapping[str, str], pattern: re.Pattern[str] | None) -> Any:
    if isinstance(value, str):
        if _folded(value) in whole:
            return whole[_folded(value)]
        if pattern is None:
            return value
        return pattern.sub(lambda match: whole[_folded(match.group())], value)
    if isinstance(value, Mapping):
        return {key: _replaced(inner, whole, pattern) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_replaced(inner, whole, pattern) for inner in value]
    return value


def _pattern(names: Iterable[HeldName]) -> re.Pattern[str] | None:
    """Any spelling as whole words, case and blanks aside; longest first. None when all are too short."""
    spellings = {s for held in names for s in held.spellings if len(_folded(s)) >= _SHORTEST}
    if not spellings:
        return None
    told = (r"\s+".join(map(re.escape, s.split())) for s in sorted(spellings, key=len, reverse=True))
    return re.compile(rf"(?<!\w)(?:{'|'.join(told)})(?!\w)", re.IGNORECASE)


def _words(names: Iterable[HeldName]) -> set[str]:
    parts = (word for held in names for word in re.findall(r"\w+", held.name))
    return {_folded(word) for word in parts if len(word) > _SHORTEST and not word.isdigit()}


def _folded(text: str) -> str:
    return " ".join(text.split()).casefold()
