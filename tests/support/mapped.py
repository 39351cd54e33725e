"""Reads the places the mapping table names out of finished documents, and says whether what stands there is
what a value of the record must give. Written against the documents, not with the functions that build them,
save where a form is itself tested elsewhere (times, locations, identifiers)."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from provpack.chunks.bext import Bext
from provpack.chunks.history import CodingRow
from provpack.chunks.markers import Marker
from provpack.model.rates import rate_from_json
from provpack.package.audio_object_terms import PRE_EMPHASIS, SOUND_FIELD, TAPE_PRE_EMPHASIS
from provpack.package.describe import ascii_text
from provpack.package.mapping import FIELDS, Place
from provpack.package.mets_files import location
from provpack.package.mets_time import clock_time, iso_duration
from provpack.package.premis_view import View, spoken
from provpack.package.words import EMPHASIS_WORDS, FILE_EMPHASIS_WORDS, FORMAT_WORDS, STANDARD_WORDS

LEAVES = frozenset(field.path for field in FIELDS)
IN_THE_FILE = frozenset({"bext", "info", "history", "markers"})
_BEXT = {
    "Description": "description",
    "Originator": "originator",
    "OriginatorReference": "originator_reference",
    "OriginationDate": "origination_date",
    "OriginationTime": "origination_time",
    "CodingHistory": "coding_history",
    "LoudnessValue": "loudness_value",
    "LoudnessRange": "loudness_range",
    "MaxTruePeakLevel": "max_true_peak",
    "MaxMomentaryLoudness": "max_momentary",
    "MaxShortTermLoudness": "max_short_term",
}
"""Field names of EBU Tech 3285 v2 section 2.3."""
_WORDS: dict[str, Callable[[Any], tuple[str, ...]]] = {
    # EBU R 98-1999, A= and M=
    "source_domain": lambda v: ("ANALOGUE", "ANALOG") if v == "analogue" else ("PCM", "PHYS_DIGITAL"),
    "channel_use": lambda v: (
        SOUND_FIELD[v],
        {"dual_mono": "dual-mono", "two_independent": "dual-mono"}.get(v, str(v)),
    ),
    "line_standard": lambda v: (STANDARD_WORDS[v],),
    "recording_format": lambda v: (FORMAT_WORDS.get(v, str(v)),),
    "tape_emphasis": lambda v: (EMPHASIS_WORDS[v], TAPE_PRE_EMPHASIS[v]),
    "file_emphasis": lambda v: (FILE_EMPHASIS_WORDS[v], PRE_EMPHASIS[v]),
    "emphasis": lambda v: (TAPE_PRE_EMPHASIS[v],),
    "origin": lambda v: ({"seen": "logged: ", "measured": "logged as measured: "}[v],),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaf:
    """A value of a record. n: number of the entry of the first list on the way, from 1; entry and key: the
    table or section it stands in, and the field of that which holds it."""

    path: str
    value: Any
    n: int
    entry: Mapping[str, Any]
    key: str


def leaves(record: Mapping[str, Any]) -> Iterator[Leaf]:
    """All values of a record that say something."""
    for name, value in record.items():
        yield from _under(f"/{name}", value, 0, record, name, depth=1)


def _under(
    path: str, value: Any, n: int, entry: Mapping[str, Any], key: str, *, depth: int
) -> Iterator[Leaf]:
    if path in LEAVES or (path + "[]" in LEAVES and not isinstance(value, list)):
        if value is not None and value != "":
            yield Leaf(path=path, value=value, n=n, entry=entry, key=key)
    elif isinstance(value, list):
        for i, inner in enumerate(value, start=1):
            here = isinstance(inner, Mapping) and n == 0
            yield from _under(
                path + "[]", inner, i if n == 0 else n, inner if here else entry, key, depth=0 if here else 2
            )
    elif isinstance(value, Mapping):
        for name, inner in value.items():
            # the first section or list entry is what fields are told of; what lies deeper belongs to a field
            top = depth == 0 or (depth == 1 and n == 0)
            yield from _under(
                f"{path}/{name}", inner, n, value if top else entry, name if top else key, depth=2
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What stands at a place; element: the XML element, None for attributes and for chunks."""

    text: str
    element: Any = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A record and everything made of it. roots: documents by target, as lxml elements."""

    name: str
    record: Mapping[str, Any]
    roots: Mapping[str, Any]
    bext: Bext | None = None
    info: Mapping[str, str] | None = None
    history: Mapping[str, CodingRow] | None = None
    markers: tuple[Marker, ...] | None = None

    @property
    def view(self) -> View:
        return View(self.record, tuple(self.record["files"]))

    @property
    def rate(self) -> Fraction:
        return rate_from_json(self.record["signal"]["sampling_frequency"])

    def has(self, place: Place) -> bool:
        """Whether there is such a document at all."""
        if place.target in IN_THE_FILE:
            return getattr(self, place.target) is not None
        if "[master-1]" in place.address or "[audio-1]" in place.address:
            return any(f["role"] == "master" for f in self.record["files"])
        return self.roots.get(place.target) is not None

    def concrete(self, place: Place, leaf: Leaf) -> str:
        """The address with the number or the object of the entry in it."""
        address = place.address.replace("{n}", str(leaf.n))
        if "{file}" in address or "{received}" in address:
            name = self.view.numbered[leaf.n - 1][0]
            address = address.replace("{file}", name)
            address = address.replace("{received}", self.view.received.get(name, "none"))
        return address

    def find(self, target: str, address: str) -> list[Found]:
        """Everything at an address."""
        if target in IN_THE_FILE:
            return [Found(text=text) for text in self._in_the_file(target, address) if text]
        root = self.roots.get(target)
        return [] if root is None else list(_search([root], address, first=True))

    def _in_the_file(self, target: str, address: str) -> list[str]:
        if target == "bext":
            value = getattr(self.bext, _BEXT[address])
            return [] if value is None else [str(value)]
        if target == "info":
            return [(self.info or {}).get(address, "")]
        if target == "history":
            row, _, part = address.rpartition(" ")
            found = (self.history or {}).get(row)
            names = {"A": "algorithm", "F": "frequency", "W": "word_length", "M": "mode", "T": "text"}
            value = getattr(found, names[part], None)
            return [] if value is None else [str(value)]
        ends = [m.frame + m.length for m in self.markers or () if m.length is not None]
        plain = [getattr(m, address, None) for m in self.markers or ()]
        return [str(v) for v in (ends if address == "end" else plain) if v is not None]


def _search(elements: list[Any], address: str, *, first: bool) -> Iterator[Found]:
    step, deep, rest = _split(address)
    if step.startswith("@"):
        for element in elements:
            for key, value in element.attrib.items():
                if key.rpartition("}")[2] == step[1:]:
                    yield Found(text=value)
        return
    name, _, wanted = step.partition("[")
    wanted = wanted.removesuffix("]")
    matched = [
        e
        for element in elements
        for e in (element.iter("{*}*") if first else element.iterchildren("{*}*"))
        if e.tag.rpartition("}")[2] == name and (not wanted or _is(e, wanted))
    ]
    if not rest:
        for element in matched:
            yield Found(text=element.text or "", element=element)
    elif deep:
        inner = [child for element in matched for child in element]
        yield from _search(inner, rest, first=True)
    else:
        yield from _search(matched, rest, first=False)


def _split(address: str) -> tuple[str, bool, str]:
    """First step, whether the next may be at any depth, and the rest; slashes in brackets do not count."""
    found = re.fullmatch(r"([^/\[]+(?:\[[^\]]*\])?)(//|/)?(.*)", address)
    assert found, address
    return found[1], found[2] == "//", found[3]


def _is(element: Any, wanted: str) -> bool:
    if wanted in element.attrib.values():
        return True
    head = next(iter(element), None)
    said = [] if head is None else [t.strip() for t in head.itertext() if t.strip()]
    return any(text == wanted or text.endswith(f"/{wanted}") for text in said)


def explains(study: Study, place: Place, leaf: Leaf, found: Found) -> bool:
    """Whether what was found is what the value must have become there."""
    form, _, words = place.form.partition(" '")
    text, said = found.text, spoken(leaf.value)
    if place.target in IN_THE_FILE and leaf.path != "/coding_history":
        said = ascii_text(said)
        said = said.replace(",", ";") if place.target == "history" else said
    if form in _PLAIN:
        return _PLAIN[form](text, said, words.removesuffix("'"))
    return _SPECIAL[form](study, leaf, found)


_PLAIN: dict[str, Callable[[str, str, str], bool]] = {
    "as is": lambda text, said, _: text == said,
    "within": lambda text, said, _: said in text,
    "cut": lambda text, said, _: said[:44] in text or said.startswith(text),
    "after": lambda text, said, words: words + said in text,
    "says": lambda text, _, words: words in text,
    "urn": lambda text, said, _: text == f"urn:uuid:{said}",
    "bare": lambda text, said, _: text == said.replace("-", "")[:32],
    "date": lambda text, said, _: said in text.split("/"),
    "day": lambda text, said, _: text == said[:10],
    "clock": lambda text, said, _: text == said[11:19],
    "last part": lambda text, said, _: text == said.rpartition("/")[2],
    "location": lambda text, said, _: text == location(said),
    "hundredths": lambda text, said, _: abs(Fraction(text) - Fraction(said)) <= Fraction(1, 200),
}


def _words(study: Study, leaf: Leaf, found: Found) -> bool:
    return f"{leaf.key.replace('_', ' ')}: {spoken(leaf.entry[leaf.key])}" in found.text


def _in_words(study: Study, leaf: Leaf, found: Found) -> bool:
    key = leaf.path.rpartition("/")[2]
    spelled = _WORDS.get(key, lambda v: (str(v).replace("_", " "),))(leaf.value)
    return any(word in found.text for word in spelled)


def _time(study: Study, leaf: Leaf, found: Found) -> bool:
    return found.text == clock_time(leaf.value, study.rate)


def _duration(study: Study, leaf: Leaf, found: Found) -> bool:
    frames = study.record["measured"]["frames"]
    return found.text == iso_duration(frames, study.rate) and abs(frames / study.rate - leaf.value) < 0.01


def _edit_units(study: Study, leaf: Leaf, found: Found) -> bool:
    keys = ("editRate", "factorNumerator", "factorDenominator")
    rate, up, down = (int(found.element.get(key, "1")) for key in keys)
    return Fraction(rate * up, down) == study.rate


def _end(study: Study, leaf: Leaf, found: Found) -> bool:
    if found.element is None:
        return found.text == str(leaf.value)
    return bool(sum(int(child.text) for child in found.element) == leaf.value)


def _object(study: Study, leaf: Leaf, found: Found) -> bool:
    return found.text == study.view.id_of("object", str(study.view.by_digest.get(leaf.value)))


def _stream(study: Study, leaf: Leaf, found: Found) -> bool:
    number = found.element.find("{*}channelAssignment").get("channelNum")
    return bool(number == str(leaf.value)) and found.element.find("{*}conditionNote") is not None


_SPECIAL: dict[str, Callable[[Study, Leaf, Found], bool]] = {
    "words": _words,
    "in words": _in_words,
    "time": _time,
    "duration": _duration,
    "edit units": _edit_units,
    "end": _end,
    "object": _object,
    "stream": _stream,
}
