"""Fill the catalogue from packages and ledgers: the only place its facts come from.

Everything is written in steps that each leave the catalogue right: batches of packages first, then the
ledgers, then what is gone. Killed at any moment, the next `add` reads what is missing and goes on. A rebuild
is one step: until its end the old catalogue stays.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass, field
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from provpack.catalogue.values import Package
from provpack.errors import EnvironmentProblem, InputProblem, ProvpackError
from provpack.findings import Finding
from provpack.jobs import harvestrules as rules
from provpack.jobs.harvestfind import Seen, Task, absent, at_or_beneath, look, roots_of, shown_root
from provpack.jobs.harvestgone import (
    Ledgers,
    Went,
    known_ledgers,
    missing_ledgers,
    no_longer,
    refuse_without_ledgers,
    tell_gone,
    tell_others,
    went_now,
)
from provpack.jobs.harvestledger import take_ledger
from provpack.jobs.harvestread import read_all
from provpack.jobs.harvestwords import moment
from provpack.jobs.notsynced import told_not_synced
from provpack.jobs.progress import Progress
from provpack.package.bagpaths import position, readable
from provpack.package.figures import counted

if TYPE_CHECKING:
    from provpack.catalogue.opening import Catalogue
    from provpack.catalogue.writing import Writer

BATCH = 1000
"""Packages in one transaction."""
MOST_TOLD = 200
"""Packages that are named because not everything could be read of them; the others are counted."""

_NOT_WHOLE = {rule.id: rule for rule in (rules.PAYLOAD_MISSING, rules.PAYLOAD_DIFFERS)}

Writing = Callable[[], AbstractContextManager["Writer"]]


@dataclass(slots=True, kw_only=True)
class HarvestResult:
    """What was done. roots: looked at; away: known, and nothing there. packages: read and taken in;
    unchanged: known and not read again; gone: known beneath a root and not there any more; incomplete: those
    with a `problem` (where nothing could be read of one, what was known of it stays); not_whole: of those
    read, those whose payload is not all there, or of another size; ledgers: read; broken: of those."""

    roots: list[str] = field(default_factory=list)
    away: list[str] = field(default_factory=list)
    packages: int = 0
    unchanged: int = 0
    gone: int = 0
    incomplete: int = 0
    not_whole: int = 0
    ledgers: int = 0
    broken: int = 0
    findings: list[Finding] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0, or 1 with warnings."""
        return 1 if self.incomplete or any(f.severity != "note" for f in self.findings) else 0

    def as_json(self) -> dict[str, Any]:
        """The shape `harvest` of schemas/result-catalogue.schema.json."""
        return {
            "roots": list(self.roots),
            "away": list(self.away),
            "packages": self.packages,
            "unchanged": self.unchanged,
            "gone": self.gone,
            "incomplete": self.incomplete,
            "not_whole": self.not_whole,
            "ledgers": self.ledgers,
            "broken_ledgers": self.broken,
        }


def harvest(
    roots: Sequence[Path | str],
    catalogue: Catalogue,
    *,
    clock: Callable[[], datetime],
    progress: Progress,
    workers: int | None = None,
    rebuild: bool = False,
    register: Mapping[str, object] | None = None,
) -> HarvestResult:
    """Take in everything beneath the roots; rebuild: and nothing else, instead of what was known.

    workers: processes that read packages, None = as many as there are processors, when it is worth it.
    register: the equipment register, for the rule on suspect equipment. Raises InputProblem when a root of a
    rebuild is not there, or one that the catalogue does not know either; and what the catalogue raises.
    """
    at = moment(clock().isoformat()) or ""
    known = known_ledgers(catalogue.ask)
    run = _Run(at=at, progress=progress, workers=workers, register=register, ledgers=known)
    wanted = roots_of(roots)
    if not rebuild:
        # an address has to be asked to know whether anything is there
        asked = {root: look(root) for root in wanted if isinstance(root, str)}
        nowhere = absent(wanted) + [root for root, told in asked.items() if not told.there]
        _refuse_nowhere([shown_root(root) for root in nowhere], catalogue)
        for root in wanted:
            run.root(asked[root] if isinstance(root, str) else look(root), catalogue.writing)
        return run.told(catalogue, went_now(run.went, catalogue.ask))
    seen = [look(root) for root in wanted]
    with suppress(EnvironmentProblem):  # too damaged to tell what it knows
        _refuse_nowhere([one.root for one in seen if not one.there], catalogue)
    away = [one.root for one in seen if not one.there or _emptied(one, catalogue)]
    if away:
        raise InputProblem(
            "root-away",
            f"There is no package at {len(away)} of the roots any more: what is known of them would be lost.",
            where=", ".join(away[:5]),
            todo="Connect the disk or share, or name only the roots that are there. Nothing was changed.",
        )
    refuse_without_ledgers(seen, known)
    went, run.ledgers = no_longer(seen, catalogue.ask), {}
    run.result.gone = len(went)
    catalogue.forget_everything()
    with catalogue.writing() as writer:
        for one in seen:
            run.root(one, lambda: nullcontext(writer))
    if catalogue.taken_away is not None:
        run.result.findings.append(rules.LEFT_OVER.found(catalogue.taken_away, catalogue.shown))
    if catalogue.unsynced is not None:
        run.result.findings.append(told_not_synced(catalogue.unsynced))
    return run.told(catalogue, went)


def _refuse_nowhere(roots: Sequence[str], catalogue: Catalogue) -> None:
    """A root that is not there and of which nothing is known is a slip of the pen, no disk that is away."""
    nowhere = [root for root in roots if not _knows(root, catalogue)]
    if nowhere:
        raise InputProblem(
            "root-not-there",
            "There is nothing at this path, and the catalogue knows nothing of it either.",
            where=", ".join(nowhere[:5]),
            todo="Name folders, archives or addresses with packages. Nothing was changed.",
        )


def _knows(root: str, catalogue: Catalogue) -> bool:
    known = {known for known, _ in catalogue.ask.roots()}
    return root in known or next(iter(catalogue.ask.known_beneath(root)), None) is not None


def _emptied(seen: Seen, catalogue: Catalogue) -> bool:
    """Whether no package is there where some were known; False when the catalogue is too damaged to tell."""
    if seen.tasks:
        return False
    try:
        return next(iter(catalogue.ask.known_beneath(seen.root)), None) is not None
    except EnvironmentProblem:
        return False


def in_memory(roots: Sequence[Path | str], *, clock: Callable[[], datetime], progress: Progress) -> Catalogue:
    """A catalogue of what lies beneath the roots, for one question; gone when it is closed. What cannot be
    looked at is not in it; who asks tells that."""
    from provpack.catalogue.opening import open_catalogue

    catalogue = open_catalogue(":memory:", create=True)
    run = _Run(at=moment(clock().isoformat()) or "", progress=progress, workers=None, register=None)
    for root in roots_of(roots):
        run.root(look(root), catalogue.writing)
    return catalogue


@dataclass(slots=True, kw_only=True)
class _Run:
    at: str
    progress: Progress
    workers: int | None
    register: Mapping[str, object] | None
    ledgers: Ledgers = field(default_factory=dict)
    went: set[str] = field(default_factory=set)
    result: HarvestResult = field(default_factory=HarvestResult)

    def told(self, catalogue: Catalogue, went: Sequence[Went]) -> HarvestResult:
        """The result, with what can only be seen when everything has been taken in."""
        result = self.result
        result.findings += tell_gone(went, catalogue.ask)
        result.findings += tell_others(result.roots, catalogue.ask)
        return result

    def root(self, seen: Seen, writing: Writing) -> None:
        """Take in one root."""
        result = self.result
        if not seen.there:
            result.away.append(seen.root)
            result.findings += seen.findings
            with writing() as writer:
                writer.root_away(seen.root, self.at)
            return
        with writing() as writer:
            known = writer.stamps(seen.root)
        if known and not seen.tasks and not seen.blind:
            # an empty mount point looks like this; nothing may be called gone because a disk is away
            lay = counted(len(known), "package")
            what = f"There is no package here, where {lay} lay before: is the disk connected?"
            result.away.append(seen.root)
            result.findings += [f for f in seen.findings if f.rule != rules.NOTHING_HERE.id]
            result.findings.append(rules.ROOT_AWAY.found(what, seen.root, position=position(seen.root)))
            with writing() as writer:
                writer.root_away(seen.root, self.at)
            return
        result.roots.append(seen.root)
        result.findings += seen.findings
        todo = [task for task in seen.tasks if not task.stamp or known.get(task.place) != task.stamp]
        result.unchanged += len(seen.tasks) - len(todo)
        self.progress.begin(f"Reading {counted(len(todo), 'package')}", len(todo))
        packages = self._read(todo, known)
        while batch := list(islice(packages, BATCH)):
            with writing() as writer:
                for package, anew in batch:
                    if anew:
                        writer.package(package)
                    else:
                        writer.trouble(package.place, package.problem)
        for path in seen.ledgers:
            self._ledger(path, writing)
        for path in seen.odd:
            self._ledger_unread(path, "It is a link, a pipe or a folder, and no file.", writing)
        for missing in missing_ledgers(seen, self.ledgers):
            what = "The custody ledger that was here when it was last read is gone."
            result.findings.append(rules.LEDGER_GONE.found(what, missing, position=position(missing)))
            with writing() as writer:
                writer.ledger_trouble(missing, what)
        still = {task.place for task in seen.tasks}
        still |= {place for place in known if at_or_beneath(place, seen.blind)}
        self.went |= known.keys() - still
        with writing() as writer:
            result.gone += writer.gone(seen.root, still)
            writer.seen_root(seen.root, self.at)

    def _read(self, todo: Sequence[Task], known: Collection[str]) -> Iterator[tuple[Package, bool]]:
        """Each package, and whether it takes the place of what was known; else only its `problem` does."""
        for package in read_all(todo, self.register, self.workers):
            self.progress.advance(1)
            if package.problem:
                self.result.incomplete += 1
                if self.result.incomplete <= MOST_TOLD:
                    spot = position(package.place)
                    self.result.findings.append(
                        rules.INCOMPLETE.found(package.problem, package.place, position=spot)
                    )
            self._listing(package)
            told = package.version or package.identity or package.files
            kept = package.problem and not told and package.payload_files is None and package.place in known
            self.result.packages += not kept
            yield package, not kept

    def _listing(self, package: Package) -> None:
        wrong = [r for r in package.raised if r.rule in _NOT_WHOLE]
        if not wrong:
            return
        self.result.not_whole += 1
        if self.result.not_whole <= MOST_TOLD:
            more = f" ({len(wrong) - 1} more like this)" if len(wrong) > 1 else ""
            spot = position(package.place)
            # a warning here: the catalogue was made as it should be, and the package is not verified
            found = _NOT_WHOLE[wrong[0].rule].found(
                f"{wrong[0].what}{more}", package.place, severity="warning", position=spot
            )
            self.result.findings.append(found)

    def _ledger(self, path: Path, writing: Writing) -> None:
        shown = readable(str(path))
        spot = position(str(path))
        try:
            with writing() as writer:
                taken = take_ledger(path, writer, now=self.at)
        except (ProvpackError, OSError) as err:
            self._ledger_unread(path, err.what if isinstance(err, ProvpackError) else str(err), writing)
            return
        self.result.ledgers += 1
        if taken.ledger.broken:
            self.result.broken += 1
            found = rules.LEDGER_BROKEN.found(taken.ledger.broken, shown, position=spot)
            self.result.findings.append(found)
        elif taken.rewritten:
            what = "Its chain holds, but the last line that the catalogue knew is not in its place."
            self.result.findings.append(rules.LEDGER_REWRITTEN.found(what, shown, position=spot))

    def _ledger_unread(self, path: Path, why: str, writing: Writing) -> None:
        shown = readable(str(path))
        self.result.findings.append(rules.LEDGER_UNREAD.found(why, shown, position=position(str(path))))
        with writing() as writer:
            writer.ledger_trouble(shown, f"It cannot be read: {why}")
