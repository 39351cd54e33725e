"""Look at the disk beneath some roots: what interrupted runs left, what a catalogue does not know, and what
it knows and is not there. Read-only; no file of a package is opened but the headers of archives."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from provpack.edge.chainedend import set_aside
from provpack.edge.tree import open_regular, reason
from provpack.errors import CouldNotCheck
from provpack.findings import Finding, Rule
from provpack.jobs import auditrules as rules
from provpack.jobs.auditresult import Item
from provpack.jobs.harvestfind import Seen, at_or_beneath, look, roots_of
from provpack.jobs.harvestrules import NOT_ALL_SEEN, NOTHING_HERE
from provpack.package import archiverules
from provpack.package import rules as package_rules
from provpack.package.bagpaths import path_base64, readable
from provpack.package.figures import counted

Known = Callable[[str], Iterable[tuple[str, str]]]
"""A root -> (place, stamp) of every package a catalogue knows beneath it and does not know to be gone."""

CHANGED = "changed since, or read by another version"


@dataclass(frozen=True, slots=True, kw_only=True)
class DiskLook:
    """What was found. found: rule id -> things; gone: packages known beneath a root that are not there."""

    roots: tuple[str, ...]
    found: Mapping[str, tuple[Item, ...]]
    gone: tuple[Item, ...] = ()
    remarks: tuple[str, ...] = ()


class _Looking:
    """Gathers what is found, by rule."""

    def __init__(self) -> None:
        self.found: dict[str, list[Item]] = {}

    def note(
        self, rule: Rule, what: str, place: str, encoded: object = None, package: str | None = None
    ) -> None:
        item = Item(
            rule=rule.id, severity=rule.severity, what=what, where=place, todo=rule.todo, package=package,
            where_base64=str(encoded) if encoded is not None else None,
        )  # fmt: skip
        self.found.setdefault(rule.id, []).append(item)

    def told(self, rule: Rule, what: str, finding: Finding) -> None:
        """Something the search has a finding about."""
        self.note(rule, what, finding.where, finding.position.get("path_base64"))

    def at(self, rule: Rule, what: str, path: Path) -> None:
        self.note(rule, what, readable(str(path)), path_base64(str(path)))


def look_at_disk(
    roots: Sequence[Path | str], known: Known | None, *, seen_at: Mapping[str, str], refresh: str
) -> DiskLook:
    """Everything at or beneath the roots, also elsewhere by address.

    known: None when there is no catalogue to compare with. seen_at: root -> when the catalogue last looked it
    through. refresh: what to type before a root so that the catalogue looks again. Raises CouldNotCheck for a
    root at which there is nothing.
    """
    looking, gone, remarks = _Looking(), list[Item](), list[str]()
    looked = []
    links = 0
    for root in roots_of(roots):
        seen = look(root)
        looked.append(seen.root)
        if not seen.there:
            raise CouldNotCheck(
                "no-such-folder",
                "There is nothing at this path.",
                where=seen.root,
                todo="Look whether the disk is mounted and the name is right; name folders of packages.",
            )
        links += _found_on_the_way(seen, looking)
        _look_at_ledgers(seen.ledgers, looking)
        if known is not None:
            missing, strangers, changed = _compare(seen, known, looking)
            gone += missing
            behind = (strangers, "not known to it"), (len(missing), "no longer there"), (changed, CHANGED)
            remarks += _stale(seen.root, behind, seen_at, refresh)
    if links:
        remarks.append(f"Symbolic links that were not followed: {links}.")
    return DiskLook(
        roots=tuple(looked),
        found={rule: tuple(found) for rule, found in looking.found.items()},
        gone=tuple(gone),
        remarks=tuple(remarks),
    )


def _found_on_the_way(seen: Seen, looking: _Looking) -> int:
    """Notes what the search itself tells of; the number of links it passed over."""
    links = 0
    for finding in seen.findings:
        if finding.rule == package_rules.LEFTOVER.id:
            looking.told(rules.LEFTOVER, "An interrupted run left it in the making.", finding)
        elif finding.rule == NOT_ALL_SEEN.id or _unopened(finding):
            looking.told(rules.NOT_LOOKED_AT, finding.what, finding)
        elif finding.rule == NOTHING_HERE.id:
            looking.told(rules.NOTHING_HERE, finding.what, finding)
        links += finding.rule == package_rules.LINK_PASSED.id
    return links


def _unopened(finding: Finding) -> bool:
    """An archive of which nobody knows whether it holds a package, rather than one that holds none."""
    return finding.rule == archiverules.PASSED_OVER.id and "not looked at" in finding.what


def _compare(seen: Seen, known: Known, looking: _Looking) -> tuple[list[Item], int, int]:
    """Notes what the catalogue does not know. What it knows and is not there; how many it does not know; how
    many it knows as they were before, or as another version of this program read them."""
    there = {task.place: task for task in seen.tasks}
    missing: list[Item] = []
    changed = 0
    for place, stamp in known(seen.root):
        task = there.pop(place, None)
        changed += task is not None and bool(task.stamp) and task.stamp != stamp
        if task is not None or at_or_beneath(place, seen.blind):
            continue
        item = Item(
            rule=rules.GONE.id, severity=rules.GONE.severity, where=place, todo=rules.GONE.todo,
            what="The catalogue knows it here, and it is not here now.", package=_name(place),
        )  # fmt: skip
        missing.append(item)
    for task in there.values():
        kind = "A package in an archive" if task.found.archive else "A package"
        what = f"{kind} that the catalogue does not know."
        looking.note(rules.NOT_KNOWN, what, task.place, path_base64(task.found.shown), _name(task.place))
    return missing, len(there), changed


def _name(place: str) -> str:
    return place.rstrip("/").rpartition("/")[2]


def _stale(
    root: str, behind: Sequence[tuple[int, str]], seen_at: Mapping[str, str], refresh: str
) -> list[str]:
    """Whether the catalogue is behind the disk, and what to type. behind: how many packages, and in what."""
    at = max((at for known, at in seen_at.items() if at_or_beneath(root, (known,))), default="")
    when = f"looked it through last on {at[:10]}" if at else "never looked through it"
    told = [f"{many} {'package' if many == 1 else 'packages'} {what}" for many, what in behind if many]
    if at and not told:
        return []
    said = ", ".join([f"The catalogue is behind {root}: it {when}", *told])
    return [f"{said}. To refresh it: {refresh} {shlex.quote(root)}"]


def _look_at_ledgers(ledgers: Iterable[Path], looking: _Looking) -> None:
    for ledger in ledgers:
        for name, size in set_aside(ledger):
            what = f"The beginning of an entry, {counted(size, 'byte')}."
            looking.at(rules.SET_ASIDE, what, ledger.with_name(name))
        try:
            if _ends_torn(ledger):
                looking.at(rules.LEDGER_TORN, "Bytes stand after the end of its last line.", ledger)
        except (CouldNotCheck, OSError) as err:
            why = err.what if isinstance(err, CouldNotCheck) else reason(err)
            looking.at(rules.NOT_LOOKED_AT, f"The custody ledger cannot be read: {why}", ledger)


def _ends_torn(ledger: Path) -> bool:
    """Whether bytes stand after the last line end. Raises CouldNotCheck, OSError."""
    with open_regular(ledger.parent, ledger.name) as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - 1))
        return size > 0 and file.read(1) != b"\n"
