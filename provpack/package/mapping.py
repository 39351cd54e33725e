"""Where every field of the transfer record goes: one table, kept as data.

The rows stand in mapping_item.py, mapping_chain.py and mapping_sound.py, in a small notation of their own:

    /item/title = info INAM; dc title; mets @LABEL
    /deck/tracking_note = premis agent[deck]/agentNote ~ words
    /files[]/note - only in record.json

A path is that of the record's schema, `[]` for the entries of a list. A place is a document, an address in
it, after ` ~ ` the form the value has there, after ` ? ` when only it is there. Addresses in XML are paths
of local names from anywhere in the document; `[x]` picks the element of which an attribute, the last part of
the identifier or the text of the first child is x; `//` is any depth. `{n}` is the number of the entry,
`{file}` and `{received}` are the object names of the file in PREMIS. Everything is in record.json, and in
the `axml` chunk of the master (save `files`); all of PREMIS, of AES57 and of dublin-core.xml is in mets.xml
as well.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal, get_args

from provpack.errors import Bug
from provpack.package import mapping_chain, mapping_item, mapping_sound

Target = Literal["bext", "info", "history", "markers", "premis", "mets", "aes57", "dc"]
TARGETS: tuple[str, ...] = get_args(Target)

_COLUMNS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("in the WAV", ("bext", "info", "history", "markers")),
    ("premis.xml", ("premis",)),
    ("mets.xml", ("mets",)),
    ("audio-object.xml", ("aes57",)),
    ("dublin-core.xml", ("dc",)),
)
_NAMES = {"bext": "bext ", "info": "INFO ", "history": "CodingHistory ", "markers": "marker "}
_PLACE = re.compile(rf"({'|'.join(TARGETS)}) (?P<at>[^~?]+?)(?: ~ (?P<form>[^?]+?))?(?: \? (?P<when>.+))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One place a field goes to. form: how the value is written there, `as is` or a word of FORMS; when: the
    condition under which it is there, empty when it always is."""

    target: str
    address: str
    form: str = "as is"
    when: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field of the record. reason: why it goes nowhere else, where places is empty."""

    path: str
    places: tuple[Place, ...] = ()
    reason: str = ""


FORMS = {
    "as is": "the value itself; in chunks of the WAV spelled in ASCII",
    "within": "the value inside a longer text",
    "cut": "the value, or as much of it as there is room for",
    "words": "`name of the field: value` in a longer text; lists by commas, tables as JSON",
    "in words": "the enumerated value spelled out",
    "after": "the value behind the words quoted",
    "says": "the words quoted stand for the value",
    "urn": "as `urn:uuid:` and the value",
    "bare": "without its hyphens",
    "date": "alone, or as one end of an interval",
    "day": "the date of the moment",
    "clock": "the time of day of the moment",
    "time": "HH:MM:SS.ffffff at the exact sampling frequency",
    "duration": "an ISO 8601 duration from the exact figures",
    "edit units": "editRate x factorNumerator / factorDenominator",
    "end": "start plus length",
    "last part": "the part behind the last slash",
    "location": "relative to mets.xml",
    "object": "a link to the object with this digest",
    "stream": "the stream of this number",
    "hundredths": "to a hundredth",
}
"""First words of every form."""


def _place(said: str, line: str) -> Place:
    found = _PLACE.fullmatch(said.strip())
    if found is None:
        raise Bug("mapping-line", f"{said!r} is no place.", where=line, todo="Mend the table of fields.")
    form, when = found["form"] or "as is", found["when"] or ""
    return Place(target=found[1], address=found["at"], form=form, when=when)


def _field(line: str) -> Field:
    path, sign, rest = line.partition(" = ")
    if sign:
        return Field(path=path, places=tuple(_place(part, line) for part in rest.split(";")))
    path, sign, reason = line.partition(" - ")
    if not sign:
        raise Bug("mapping-line", f"{line!r} is no row.", where=line, todo="Mend the table of fields.")
    return Field(path=path, reason=reason)


def _read(table: str) -> tuple[Field, ...]:
    """Rows of a table; a line that begins with a blank goes on from the one before."""
    lines = re.sub(r"\n[ ]+", " ", table).strip().splitlines()
    return tuple(_field(line) for line in lines if line.strip())


FIELDS: tuple[Field, ...] = tuple(
    field
    for table in (mapping_item.TABLE, mapping_chain.TABLE, mapping_sound.TABLE)
    for field in _read(table)
)
"""Every leaf field of the record's schema, once."""


def _cell(field: Field, targets: tuple[str, ...]) -> str:
    said = []
    for place in field.places:
        if place.target in targets:
            form = "" if place.form == "as is" else f" ({place.form})"
            when = f", if {place.when}" if place.when else ""
            said.append(f"{_NAMES.get(place.target, '')}`{place.address}`{form}{when}")
    return "<br>".join(said).replace("|", r"\|") or "-"


def mapping_table() -> str:
    """The table for people, as Markdown, one part for each section of the record."""
    out = ["| form | meaning |", "|---|---|", *(f"| {name} | {what} |" for name, what in FORMS.items()), ""]
    heads = ("field", *(head for head, _ in _COLUMNS))
    last = ""
    for field in FIELDS:
        section, _, deeper = re.sub(r"\[\]", "", field.path).removeprefix("/").partition("/")
        head = f"`{section}`" if deeper else "the record itself"
        if head != last:
            out += ["", f"### {head}", "", f"| {' | '.join(heads)} |", "|" + "---|" * len(heads)]
            last = head
        cells = [_cell(field, targets) for _, targets in _COLUMNS]
        if not field.places:
            cells[0] = f"- {field.reason}"
        out.append(f"| `{field.path}` | {' | '.join(cells)} |")
    return "\n".join(out) + "\n"
