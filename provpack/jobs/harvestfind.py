"""What there is beneath the roots of a catalogue: packages to read, ledgers, and what could not be seen."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from provpack import __version__
from provpack.catalogue.values import Package, Storage
from provpack.edge.harvested import (
    file_stamp,
    folder_stamp,
    is_ledger_file,
    ledgers_beneath,
    nothing_at,
    real_path,
)
from provpack.edge.ledger import find_ledger
from provpack.edge.remoteaddress import is_address, local_path, shown_address
from provpack.errors import ProvpackError
from provpack.findings import Finding
from provpack.jobs.harvestpackage import package_values
from provpack.jobs.harvestrules import NOT_ALL_SEEN, NOTHING_HERE, ROOT_AWAY
from provpack.jobs.harvestwords import text
from provpack.jobs.verify_find import Found, find_units
from provpack.package import rules
from provpack.package.bagpaths import path_base64, position, readable

EDITION = "3"
"""Counts up when a package would be read otherwise than before, so that all are read again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """A package to be read. Can be pickled."""

    found: Found
    stamp: str
    ledger: str | None = None

    @property
    def place(self) -> str:
        """As the catalogue knows it."""
        return readable(self.found.shown)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A root that was looked at. there: whether there is anything at it at all. blind: places at or beneath
    which nothing can be said; what is known of them stays as it is. odd: what bears the name of a ledger and
    is no file."""

    root: str
    there: bool
    tasks: tuple[Task, ...]
    ledgers: tuple[Path, ...]
    blind: tuple[str, ...]
    findings: tuple[Finding, ...]
    odd: tuple[Path, ...] = ()


def at_or_beneath(place: str, folders: Iterable[str]) -> bool:
    """Whether a place is one of the folders or lies in one."""
    return any(place == one or place.startswith(one.rstrip("/") + "/") for one in folders)


def root_of(given: Path | str) -> Path | str:
    """A root as the catalogue knows it: an address as it is, a path absolute with its links resolved."""
    if isinstance(given, str) and is_address(given):
        return local_path(given) or given
    return real_path(given)


def roots_of(given: Iterable[Path | str]) -> list[Path | str]:
    """The roots, each once, in the order given; without those that lie beneath another."""
    roots = list(dict.fromkeys(root_of(one) for one in given))
    return [one for one in roots if not any(one != other and _within(one, other) for other in roots)]


def _within(inner: Path | str, outer: Path | str) -> bool:
    if isinstance(inner, Path) and isinstance(outer, Path):
        return inner.is_relative_to(outer)
    return str(inner).startswith(str(outer).rstrip("/") + "/") and type(inner) is type(outer)


def absent(roots: Iterable[Path | str]) -> list[Path | str]:
    """The paths among the roots at which surely nothing is."""
    return [root for root in roots if isinstance(root, Path) and nothing_at(root)]


def shown_root(root: Path | str) -> str:
    """As the catalogue knows it."""
    return readable(str(root)) if isinstance(root, Path) else readable(shown_address(root))


def look(root: Path | str) -> Seen:
    """Find the packages and ledgers of a root; reads none of them. Raises nothing."""
    units, findings = find_units([root])
    shown = shown_root(root)
    tasks: list[Task] = []
    blind: list[str] = []
    there = True
    beside = _Beside()
    for unit in units:
        if not unit.findings:
            tasks.append(Task(found=unit, stamp=stamp_of(unit), ledger=beside.ledger_of(unit)))
            continue
        told = {finding.rule for finding in unit.findings}
        if rules.NOT_FOUND.id in told:
            there = False
            what = "There is nothing at this path: the disk or share may not be connected."
            findings.append(ROOT_AWAY.found(what, shown, position=position(shown)))
        elif told == {rules.NO_BAG_HERE.id}:
            what = "; ".join(finding.what for finding in unit.findings)
            where = readable(unit.shown)
            findings.append(NOTHING_HERE.found(what, where, position=position(unit.shown)))
        else:
            blind.append(readable(unit.shown))
            what = "; ".join(finding.what for finding in unit.findings)
            where = readable(unit.shown)
            findings.append(NOT_ALL_SEEN.found(what, where, position=position(unit.shown)))
    named = _ledgers(root, tasks, beside) if there else ()
    return Seen(
        root=shown,
        there=there,
        tasks=tuple(tasks),
        ledgers=tuple(path for path in named if is_ledger_file(path)),
        odd=tuple(path for path in named if not is_ledger_file(path)),
        blind=tuple(blind),
        findings=tuple(findings),
    )


def stamp_of(found: Found) -> str:
    """Changes when the package does, or this program would read it otherwise; "" when nothing tells (a
    package elsewhere is read again each time)."""
    if isinstance(found.path, str):
        return ""
    looks = file_stamp(found.path) if found.archive else folder_stamp(found.path)
    return f"{EDITION} {__version__} {looks}" if looks else ""


class _Beside:
    """Finds the ledger of each package, looking into each folder once. known: folder -> the ledger to which
    `verify` writes about packages in it."""

    def __init__(self) -> None:
        self.known: dict[Path, Path | None] = {}

    def ledger_of(self, found: Found) -> str | None:
        """As it is shown; only for a folder that lies directly beside it. Its lines without a place speak of
        that one: what they say must not be taken as said of a copy elsewhere, or of an archive."""
        if isinstance(found.path, str):
            return None
        folder = found.path.parent
        if folder not in self.known:
            try:
                self.known[folder] = find_ledger(folder)
            except OSError:
                self.known[folder] = None
        ledger = self.known[folder]
        if ledger is None or found.archive or ledger.parent != folder:
            return None
        return readable(str(ledger))


def _ledgers(root: Path | str, tasks: Iterable[Task], beside: _Beside) -> tuple[Path, ...]:
    if isinstance(root, str):
        return ()
    packages: Collection[object] = {task.found.path for task in tasks}
    there = {path for path in beside.known.values() if path is not None}
    if root.is_dir():
        there |= set(ledgers_beneath(root, packages.__contains__))
    return tuple(sorted(there))


def read_task(task: Task, register: Mapping[str, object] | None = None) -> Package:
    """The package of a task; raises nothing, see package_values."""
    try:
        place = task.found.open()
    except (OSError, ValueError, ProvpackError) as err:
        why = err.what if isinstance(err, ProvpackError) else f"It cannot be opened: {err}"
        return unread(task, why)
    try:
        return package_values(place, stamp=task.stamp, ledger=task.ledger, register=register)
    finally:
        place.close()


def unread(task: Task, why: str) -> Package:
    """A package of which nothing is known but where it lies."""
    path, archive = task.found.path, task.found.archive
    kinds: dict[str | None, Storage] = {"tar": "tar", "zip": "zip"}
    name = path.name if isinstance(path, Path) else path.rstrip("/").rpartition("/")[2]
    return Package(
        place=task.place,
        place_base64=path_base64(task.found.shown),
        storage="remote" if isinstance(path, str) else kinds.get(archive, "folder"),
        name=readable(name),
        stamp="",
        ledger=task.ledger,
        problem=text(why, 400) or "?",
    )
