"""Find what there is to verify at or beneath some paths: bags in folders, and bags in archives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from provpack.edge.archiveplace import ArchiveKind, ArchivePlace, archive_kind
from provpack.edge.place import FolderPlace, Place
from provpack.edge.tree import find_bags, reason
from provpack.findings import Finding, Rule
from provpack.package import archiverules, rules
from provpack.package.archive import Contents, holds_bag
from provpack.package.bagpaths import position, readable


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One unit to come: a bag in a folder (archive None) or in an archive, or a path about which only
    findings can be told."""

    path: Path
    archive: ArchiveKind | None = None
    findings: tuple[Finding, ...] = ()

    def open(self) -> Place:
        """The place to read it from. Raises OSError, ValueError."""
        if self.archive in ("tar", "zip"):
            return ArchivePlace(self.path, self.archive)
        return FolderPlace(self.path)


def about(rule: Rule, what: str, path: Path) -> Finding:
    """A finding about a path outside of any bag."""
    return rule.found(what, readable(str(path)), position=position(str(path)))


def find_units(paths: Sequence[Path]) -> tuple[list[Found], list[Finding]]:
    """The units to check, each once, and what concerns none of them. Raises nothing."""
    units: dict[Path, Found] = {}
    findings: list[Finding] = []
    for path in paths:
        try:
            if not path.exists():
                found = [_told(path, rules.NOT_FOUND, "There is nothing at this path.")]
            elif path.is_dir():
                found = _beneath(path, findings)
            else:
                found = [_single(path)]
        except (OSError, ValueError) as err:
            found = [_unreadable(path, err)]
        for one in found:
            units.setdefault(one.path, one)
    return list(units.values()), findings


def _told(path: Path, rule: Rule, what: str) -> Found:
    return Found(path=path, findings=(about(rule, what, path),))


def _unreadable(path: Path, err: Exception) -> Found:
    why = reason(err) if isinstance(err, OSError) else err.__class__.__name__
    return _told(path, rules.UNREADABLE, f"The path cannot be looked at: {why}.")


def _single(path: Path) -> Found:
    """A path that is one file. Raises OSError, ValueError."""
    kind = archive_kind(path)
    if kind is None:
        return _told(path, rules.NOT_A_FOLDER, "This is a single file, and no archive that is read here.")
    if kind == "compressed":
        what = "The archive is compressed as a whole, or of another kind than tar and zip."
        return _told(path, archiverules.COMPRESSED, what)
    return Found(path=path, archive=kind)


def _beneath(path: Path, findings: list[Finding]) -> list[Found]:
    search = find_bags(path)
    units = [Found(path=bag) for bag in search.bags]
    for archive in search.archives:
        try:
            one = _archive(archive, findings)
        except (OSError, ValueError) as err:
            one = _unreadable(archive, err)
        units += [one] if one is not None else []
    units.sort(key=lambda unit: unit.path)
    for folder, why in search.unreadable:
        what = f"The folder could not be searched for packages: {why}."
        units.append(_told(folder, rules.UNREADABLE, what))
    if not units:
        units.append(_told(path, rules.NO_BAG_HERE, "There is no package at or beneath this folder."))
    for leftover in search.leftovers:
        what = "What an interrupted run left was passed over."
        findings.append(about(rules.LEFTOVER, what, leftover))
    for link in search.links:
        findings.append(about(rules.LINK_PASSED, "A symbolic link was not followed.", link))
    return units


def _archive(path: Path, findings: list[Finding]) -> Found | None:
    """An archive met on the way: a unit if a bag is in it, or that cannot be told. Raises as _single."""
    kind = archive_kind(path)
    if kind not in ("tar", "zip"):
        what = "It is compressed as a whole: whether it holds a package was not looked at."
        findings.append(about(archiverules.PASSED_OVER, what, path))
        return None
    place = ArchivePlace(path, kind)
    place.close()
    if place.contents.usable and place.contents.complete and not _may_be_package(place.contents):
        findings.append(about(archiverules.PASSED_OVER, "There is no bag in this archive.", path))
        return None
    return Found(path=path, archive=kind)


def _may_be_package(contents: Contents) -> bool:
    """Whether a bag is seen in it, or something is wrong that may hide one; a member that merely cannot be
    read here, under a name that is no bag's, hides none."""
    errors = {f.rule for f in contents.findings if f.severity == "error"}
    return holds_bag(contents) or not errors <= {rule.id for rule in archiverules.ARCHIVE_COULD_NOT_CHECK}
