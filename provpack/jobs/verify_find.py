"""Find what there is to verify at or beneath some paths and addresses: bags in folders, and in archives."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from provpack.edge.archiveplace import ArchiveKind, ArchivePlace, archive_kind
from provpack.edge.hashing import digest_bytes
from provpack.edge.place import FolderPlace, Place
from provpack.edge.presence import absence
from provpack.edge.reading import read_small
from provpack.edge.remote import RemotePlace
from provpack.edge.remoteaddress import is_address, local_path, shown_address
from provpack.edge.remotearchive import RemoteArchive, archive_kind_at
from provpack.edge.remotefind import absence_at, find_bags_at
from provpack.edge.tree import find_bags, reason
from provpack.errors import ProvpackError
from provpack.findings import Finding, Rule
from provpack.package import archiverules, rules
from provpack.package.archive import Contents, holds_bag
from provpack.package.bagmarks import is_payload_manifest, manifests_sha512
from provpack.package.bagpaths import position, readable
from provpack.package.bagtext import MAX_TAG_FILE


@dataclass(frozen=True, slots=True, init=False)
class Found:
    """One unit to come: a bag in a folder (archive None) or in an archive, or a path about which only
    findings can be told. path is an address (`protocol://...`) for what lies elsewhere. Can be pickled.

    There may be very many, so the path is kept as text, and made when somebody asks for it.
    """

    where: str
    elsewhere: bool
    archive: ArchiveKind | None
    findings: tuple[Finding, ...]

    def __init__(
        self, *, path: Path | str, archive: ArchiveKind | None = None, findings: tuple[Finding, ...] = ()
    ) -> None:
        for name, value in (
            ("where", str(path)), ("elsewhere", isinstance(path, str)), ("archive", archive),
            ("findings", findings),
        ):  # fmt: skip
            object.__setattr__(self, name, value)

    @property
    def path(self) -> Path | str:
        """A path, or an address as text."""
        return self.where if self.elsewhere else Path(self.where)

    @property
    def shown(self) -> str:
        """What a person calls it: the path, or the address without its secrets."""
        return shown_address(self.where) if self.elsewhere else self.where

    def open(self) -> Place:
        """The place to read it from. Raises OSError, ValueError, EnvironmentProblem."""
        if self.archive in ("tar", "zip"):
            return _opened(self.path, self.archive)
        return RemotePlace(self.path) if isinstance(self.path, str) else FolderPlace(self.path)


def _opened(path: Path | str, kind: Literal["tar", "zip"]) -> ArchivePlace:
    return RemoteArchive(path, kind) if isinstance(path, str) else ArchivePlace(path, kind)


def shown(path: Path | str) -> str:
    """A path or address as it is told; never with a password."""
    return shown_address(path) if isinstance(path, str) else str(path)


def about(rule: Rule, what: str, path: Path | str, *, todo: str = "") -> Finding:
    """A finding about a path or address outside of any bag."""
    name = shown(path)
    return rule.found(what, readable(name), todo=todo, position=position(name))


def still_there(found: Found) -> Found:
    """The same unit; with the finding that it is not there any more, when that is so. What has an address is
    not asked here (see asked_for). Raises nothing."""
    if isinstance(found.path, str) or found.findings:
        return found
    gone = absence(found.path, archive=found.archive is not None)
    if gone is None:
        return found
    kind, what = gone
    if kind == "unreadable":
        return _told(found.path, rules.UNREADABLE, what)
    todo = "Look whether the disk is mounted, and whether it was moved; otherwise fetch the second copy."
    return _told(found.path, rules.NOT_FOUND if kind == "nothing" else rules.NO_BAG_HERE, what, todo=todo)


def asked_for(found: Found) -> Found | None:
    """What has an address, after one request to it: the same unit, with the finding that it is not there any
    more, when that is so; None when that cannot be told. Raises nothing."""
    try:
        gone = absence_at(str(found.path), archive=found.archive is not None)
    except ProvpackError:
        return None
    if gone is None:
        return found
    todo = (
        "Look whether it was moved, and whether the address is still right; otherwise fetch the second copy."
    )
    return _told(found.path, rules.NOT_FOUND, gone, todo=todo)


def identity_of(found: Found) -> str | None:
    """SHA-512 (hex) of the tagmanifest-sha512.txt that lies there now, None when it cannot be read. It tells
    one package from another; that the package is intact it does not tell. Raises nothing."""
    try:
        with closing(found.open()) as place:
            data = read_small(place, "tagmanifest-sha512.txt", MAX_TAG_FILE)
            return digest_bytes(data, ("sha512",))["sha512"]
    except (OSError, ValueError, ProvpackError):
        return None


def contents_of(found: Found) -> str | None:
    """What manifests_sha512 says of the payload manifests that lie there now, None when they cannot be read.
    As identity_of, where a package has none. Raises nothing."""
    try:
        with closing(found.open()) as place:
            names = _top_names(place)
            return manifests_sha512(
                {n: read_small(place, n, MAX_TAG_FILE) for n in names if is_payload_manifest(n)}
            )
    except (OSError, ValueError, ProvpackError):
        return None


def _top_names(place: Place) -> list[str]:
    """Names of files in the bag's base directory, and of others. Raises OSError."""
    if isinstance(place, FolderPlace):
        return [one.name for one in place.root.iterdir()]  # its tree may be large
    listing = place.listing()
    return [entry.path for entry in listing.entries if entry.kind == "file"] if listing is not None else []


def find_units(paths: Sequence[Path | str]) -> tuple[list[Found], list[Finding]]:
    """The units to check, each once, and what concerns none of them. Raises nothing.

    A text that is an address is looked at where it points, over the network if need be; any other text is
    a path, and so is a file:// address.
    """
    units: dict[str, Found] = {}
    findings: list[Finding] = []
    for given in paths:
        for one in _at(given, findings):
            units.setdefault(one.where, one)  # no path is written as an address is
    return list(units.values()), findings


def _at(given: Path | str, findings: list[Finding]) -> list[Found]:
    path = given
    try:
        if isinstance(path, str):
            path = (local_path(path) or path) if is_address(path) else Path(path)
        if isinstance(path, str):
            return _elsewhere(path, findings)
        if not path.exists():
            return [_told(path, rules.NOT_FOUND, "There is nothing at this path.")]
        return _beneath(path, findings) if path.is_dir() else [_single(path)]
    except (OSError, ValueError) as err:
        return [_unreadable(path, err)]


def _told(path: Path | str, rule: Rule, what: str, *, todo: str = "") -> Found:
    return Found(path=path, findings=(about(rule, what, path, todo=todo),))


def _unreadable(path: Path | str, err: Exception) -> Found:
    why = reason(err) if isinstance(err, OSError) else err.__class__.__name__
    if isinstance(path, str):
        return _told(path, rules.UNREADABLE, f"The address cannot be looked at: {err}.")
    return _told(path, rules.UNREADABLE, f"The path cannot be looked at: {why}.")


def _kind(path: Path | str) -> ArchiveKind | None:
    return archive_kind_at(path) if isinstance(path, str) else archive_kind(path)


def _single(path: Path | str) -> Found:
    """A path that is one file. Raises OSError, ValueError."""
    if isinstance(path, Path) and not path.is_file():
        what = "This is neither a folder nor a regular file, so it was not opened."
        return _told(path, rules.NOT_A_FOLDER, what)
    kind = _kind(path)
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
    if search.archives:
        units.sort(key=lambda unit: Path(unit.where))
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


def _elsewhere(address: str, findings: list[Finding]) -> list[Found]:
    """What lies at or beneath an address."""
    try:
        search = find_bags_at(address)
    except ProvpackError as err:
        rule = rules.NOT_FOUND if err.code == "not-there" else rules.UNREADABLE
        return [_told(address, rule, err.what, todo=err.todo)]
    units = [Found(path=bag) for bag in search.bags]
    for one, why in search.unreadable:
        units.append(_told(one, rules.UNREADABLE, f"It could not be searched for packages: {why}."))
    for archive in search.archives:
        try:
            found = _single(archive) if archive == address else _archive(archive, findings)
        except (OSError, ValueError) as err:
            found = _unreadable(archive, err)
        units += [found] if found is not None else []
    if search.single:
        units.append(_told(address, rules.NOT_A_FOLDER, "This is a single object, and no folder of them."))
    if not units:
        units.append(_told(address, rules.NO_BAG_HERE, "There is no package at or beneath this address."))
    for leftover in search.leftovers:
        findings.append(about(rules.LEFTOVER, "What an interrupted run left was passed over.", leftover))
    return units


def _archive(path: Path | str, findings: list[Finding]) -> Found | None:
    """An archive met on the way: a unit if a bag is in it, or that cannot be told. Raises as _single."""
    kind = _kind(path)
    if kind not in ("tar", "zip"):
        findings.append(about(archiverules.PASSED_OVER, archiverules.NOT_LOOKED_INTO, path))
        return None
    place = _opened(path, kind)
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
