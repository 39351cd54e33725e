"""The two ways of holding documents against the mapping table."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from provpack.package.mapping import FIELDS, Place
from support.mapped import Found, Leaf, Study, explains, leaves

_PLACES = {field.path: field.places for field in FIELDS}
# Places where other things stand too, each with the reason.
_SHARED = (
    (r"mets FLocat/@href", "all files are listed, the table speaks of two"),
    (r"premis fixity\[SHA-256\]/messageDigest", "all files have one"),
    (r"premis event\[.*\]/linkingObjectIdentifier/.*", "events link to the carrier as well"),
    (r"aes57 (.*/)?conditionNote(/.*)?", "notes of all kinds stand side by side"),
    (r"aes57 region/stream", "every channel has one"),
    (r"aes57 region/timeRange.*", "stretches between and around those declared"),
    (r"aes57 formatRegion/bitDepth", "where no range says more, it is that of the whole"),
    (r"history capture row M", "two channels of unknown use are written as stereo"),
)


def forwards(study: Study, hits: Counter[tuple[str, Place]]) -> Iterator[str]:
    """Lines for values that do not stand where they must; hits counts those that do."""
    for leaf in leaves(study.record):
        for place in _PLACES[leaf.path]:
            if not study.has(place):
                continue
            found = study.find(place.target, study.concrete(place, leaf))
            if any(explains(study, place, leaf, one) for one in found):
                hits[leaf.path, place] += 1
            elif not place.when:
                said = [one.text[:80] for one in found[:3]]
                yield f"{study.name}: {leaf.path} = {leaf.value!r:.80} not at {place}: {said}"


def backwards(study: Study) -> Iterator[str]:
    """Lines for what stands at a place of the table and comes from no field that the table leads there."""
    groups: dict[tuple[str, str], list[tuple[Place, Leaf]]] = {}
    for leaf in leaves(study.record):
        for place in _PLACES[leaf.path]:
            if study.has(place):
                groups.setdefault((place.target, study.concrete(place, leaf)), []).append((place, leaf))
    for (target, address), reasons in groups.items():
        if any(re.fullmatch(pattern, f"{target} {address}") for pattern, _ in _SHARED):
            continue
        for one in study.find(target, address):
            if not _explained(study, one, reasons):
                yield f"{study.name}: {target} {address} is {one.text[:80]!r}, which no field says"


def _explained(study: Study, found: Found, reasons: list[tuple[Place, Leaf]]) -> bool:
    return any(explains(study, place, leaf, found) for place, leaf in reasons)
