"""A transfer that takes over what another one of the job says: it corrects it, or plays its carrier again.

A sealed package is never patched, so whoever finds an error makes a new transfer. `corrects` names the old
one and takes the recording with all that is stated of it; `plays_again` takes what is stated of the carrier
and nothing of how it was played. What the new transfer says itself beats what it takes over, and every value
keeps the place where it was declared.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field
from typing import Any, Final

from provpack.findings import Finding
from provpack.jobs import correctrules as rules
from provpack.jobs.declared import Declared, found_at
from provpack.jobs.loaded import Origin
from provpack.jobs.sheetfields import sheet_fields
from provpack.package.names import package_name

CORRECTS: Final = "corrects"
PLAYS_AGAIN: Final = "plays_again"
_ITS_OWN: Final = frozenset({"transfer_id", "supersedes", CORRECTS, PLAYS_AGAIN})
_OF_THE_CARRIER: Final = frozenset({"item", "carrier", "condition", "custody", "rights", "retention"})
"""Sections of the record that speak of the thing, whoever plays it."""
_OF_ONE_PLAYING: Final = frozenset(
    {"programme_segments", "source_items", "condition_after", "condition_after_note"}
)
"""Fields of those sections that name frames of a file, or the state in which a playing left the carrier."""
_FILES: Final = frozenset({"documents", "photos"})
Row = tuple[Declared, Origin]


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenOver:
    """follows: transfer -> those whose recording it has, the nearest first. names: index of a row -> (row it
    takes from, fields it takes)."""

    follows: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    names: Mapping[int, tuple[Declared, Set[str]]] = field(default_factory=dict)


def take_over(
    rows: Sequence[Row],
    companions: dict[str, dict[str, Declared]],
    job_id: str,
    *,
    taken_away: Callable[[str], Set[str]],
    played: Callable[[str], bool],
) -> TakenOver:
    """Lay the values of other rows under the rows that name them; what is wrong becomes findings of the rows.

    companions: transfer -> lists from companion sheets; those taken over are added. taken_away: transfer ->
    fields of which the bench log says that they have no value. played: whether the log has a pass of it.
    Time grows with the rows that take over and their fields.
    """
    first = {_id_of(row): n for n, (row, _) in reversed(list(enumerate(rows)))}
    base = {n: b for n, (row, at) in enumerate(rows) if (b := _base(row, at, first, rows)) is not None}
    follows: dict[str, tuple[str, ...]] = {}
    names: dict[int, tuple[Declared, Set[str]]] = {}
    for n in _in_order(base, rows):
        (row, at), other = rows[n], rows[base[n]][0]
        own, from_ = _id_of(row), _id_of(other)
        again = CORRECTS not in row.values
        if not again:
            follows[own] = (from_, *follows.get(from_, ()))
            row.findings += _sealed_is_named(row, at, package_name(job_id, from_), from_)
            if played(own):
                what = f"{own} corrects {from_} with its recording, and has a pass of its own."
                row.findings.append(found_at(rules.PLAYED_ITSELF, what, row.origins[CORRECTS]))
        mine = companions.setdefault(own, {})
        keep = {*row.values, *mine, *_tops(row.refused), *taken_away(own), *_ITS_OWN}
        names[n] = other, _lay_under(row, mine, other, companions.get(from_, {}), keep, again)
    return TakenOver(follows=follows, names=names)


def _id_of(row: Declared) -> str:
    return str(row.values.get("transfer_id", ""))


def _base(row: Declared, at: Origin, first: Mapping[str, int], rows: Sequence[Row]) -> int | None:
    """Index of the row that this one takes over from, None when from none that can be."""
    named = [name for name in (CORRECTS, PLAYS_AGAIN) if name in row.values]
    if not named or not _id_of(row):
        return None
    place = row.origins.get(named[0], at)
    said, own = str(row.values[named[0]]), _id_of(row)
    what = ""
    if len(named) > 1:
        what = f"{own} says that it corrects {said}, and that it plays {row.values[PLAYS_AGAIN]} again."
    elif said == own:
        what = f"{own} names itself."
    elif said not in first:
        what = f"There is no transfer '{said[:80]}' in this job, which {own} takes over from."
    elif rows[first[own]][0] is not row:
        return None  # two rows of one identifier: that is told
    if what:
        row.findings.append(found_at(rules.OF_NO_TRANSFER, what, place))
        return None
    return first[said]


def _in_order(base: dict[int, int], rows: Sequence[Row]) -> Iterator[int]:
    """Each row after the one it takes over from. Those that go round in a circle are told, and left out."""
    done: set[int] = set()
    for start in base:
        path: list[int] = []
        at, seen = start, set[int]()
        while at in base and at not in done and at not in seen:
            path.append(at)
            seen.add(at)
            at = base[at]
        if at in seen:
            for n in path:
                row, place = rows[n]
                name = CORRECTS if CORRECTS in row.values else PLAYS_AGAIN
                what = f"{_id_of(row)} takes over from itself, by way of {_id_of(rows[base[n]][0])}."
                row.findings.append(found_at(rules.OF_NO_TRANSFER, what, row.origins.get(name, place)))
            done |= seen
            continue
        yield from reversed(path)
        done |= seen


def _sealed_is_named(row: Declared, at: Origin, package: str, of: str) -> Iterator[Finding]:
    said = row.values.get("supersedes")
    if "supersedes" in row.refused:
        return
    if not isinstance(said, Mapping):
        what = f"{_id_of(row)} corrects {of}, and does not say which package it takes the place of."
        yield found_at(rules.WITHOUT_PACKAGE, what, row.origins.get(CORRECTS, at))
    elif said.get("package_name") not in (None, package):
        what = f"{_id_of(row)} corrects {of}, whose package is {package}; it names {said['package_name']}."
        yield found_at(rules.WITHOUT_PACKAGE, what, row.origins.get("supersedes", at))


def _lay_under(
    row: Declared,
    mine: dict[str, Declared],
    other: Declared,
    theirs: Mapping[str, Declared],
    keep: Set[str],
    again: bool,
) -> Set[str]:
    """The fields that were taken over."""
    taken = {
        name
        for name in (*other.values, *theirs, *_tops(other.refused))
        if name not in keep and (not again or _of_the_carrier(name))
    }
    # in the order of the other row: what is told of them comes in the same order in every process
    mine |= {name: copy.deepcopy(table) for name, table in theirs.items() if name in taken}
    row.values |= {name: copy.deepcopy(value) for name, value in other.values.items() if name in taken}
    row.origins.update({key: o for key, o in other.origins.items() if key.partition("/")[0] in taken})
    row.refused |= {key for key in other.refused if key.partition("/")[0] in taken}
    if not again:  # what nobody knew of the recording is not known now either
        row.withheld |= {k for k in other.withheld if "passes" in taken or not k.startswith("passes/")}
    row.findings += [f for f in other.findings if _field_of(f) in taken]
    return taken


def _tops(keys: Set[str]) -> set[str]:
    return {key.partition("/")[0] for key in keys}


def _of_the_carrier(name: str) -> bool:
    section = sheet_fields().section.get(name)
    return name in _FILES or (section in _OF_THE_CARRIER and name not in _OF_ONE_PLAYING)


def _field_of(finding: Finding) -> str:
    """The field a finding about a row stands at."""
    place: Mapping[str, Any] = finding.position
    known = sheet_fields().transfer
    parts = str(place.get("column") or place.get("key") or "").replace("[", ".").split(".")
    return next((part for part in parts if part in known), "")
