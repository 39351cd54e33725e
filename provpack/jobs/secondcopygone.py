"""After a verification: packages that are gone, looked for among the second copies.

Which package it was is told by the ledger: one among the second copies counts as it only with the identity
under which it was sealed, or last found good. It is read whole before it is called whole. Nothing is written.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from provpack.edge.ledger import find_ledger
from provpack.edge.remoteaddress import is_address
from provpack.errors import ProvpackError
from provpack.findings import Finding, Rule
from provpack.jobs import healrules as rules
from provpack.jobs.healassess import Assessment, assess
from provpack.jobs.healcopies import close_all, open_copy
from provpack.jobs.ledgertold import LedgerTold, read_told
from provpack.jobs.progress import Progress
from provpack.jobs.secondcopy import Shelf, heal_command, place_of, typed
from provpack.jobs.verified import VerifyResult
from provpack.jobs.verify_find import Found, shown
from provpack.package.bagpaths import position, readable
from provpack.package.rules import LEDGER_MISSING, NO_BAG_HERE, NOT_FOUND
from provpack.package.signers import Signers

_ARCHIVES = (".tar", ".zip")


State = Literal["whole", "damaged", "differs", "missing"]
_RULES: Mapping[State, Rule] = {
    "whole": rules.SECOND_GONE_WHOLE,
    "damaged": rules.SECOND_GONE_DAMAGED,
    "differs": rules.SECOND_GONE_OTHER,
    "missing": rules.SECOND_GONE_NOWHERE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Gone:
    """A package that is gone, and what the second copies have of it.

    place: where it was. found_in: where a second copy lies. what: a sentence. command: what brings it back,
    or builds it anew: plain ASCII, to be typed as it is; None when none can be told.
    """

    place: str
    state: State
    what: str
    found_in: str | None = None
    command: str | None = None

    @property
    def finding(self) -> Finding:
        """The same as a finding."""
        return _RULES[self.state].found(self.what, self.found_in or self.place, position=position(self.place))

    def as_json(self) -> dict[str, str | None]:
        """The shape `gone` of schemas/result-verify.schema.json."""
        return {
            "place": self.place, "state": self.state, "found_in": self.found_in, "command": self.command,
        }  # fmt: skip

    def lines(self) -> Iterator[str]:
        """For people; the command on a line of its own."""
        where = "" if self.found_in is None else f" It lies at {self.found_in}"
        yield f"{self.what}{where}{'; type:' if self.command is not None else ''}"
        if self.command is not None:
            yield f"  {self.command}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What a ledger knows of a package that is gone. certain: its chain holds."""

    place: str
    identity: str
    certain: bool

    @property
    def name(self) -> str:
        """As readable as the place."""
        return self.place.rstrip("/").rpartition("/")[2]


def gone_copies(
    result: VerifyResult,
    shelf: Shelf,
    *,
    progress: Progress,
    ledger: Path | None = None,
    signers: Signers | None = None,
) -> tuple[Gone, ...]:
    """What the second copies have of each package that was found to be gone, when a ledger knows which it
    was. ledger: of packages that have none beside them. Raises nothing but what interrupts the run."""
    out = []
    for known in _known(_places(result), ledger):
        out.append(_look_for(known, shelf, progress, signers))
    return tuple(out)


def _places(result: VerifyResult) -> Iterator[str]:
    """Where something was found to be gone, each once."""
    told = {f.where: None for f in result.findings if f.rule == LEDGER_MISSING.id}
    for unit in result.units:
        if unit.name is None and any(f.rule in (NOT_FOUND.id, NO_BAG_HERE.id) for f in unit.findings):
            place = place_of(unit)
            told.setdefault(
                place if isinstance(place, str) else readable(str(place.parent.resolve() / place.name))
            )
    yield from told


def _known(places: Iterable[str], elsewhere: Path | None) -> Iterator[_Known]:
    read: dict[Path, LedgerTold] = {}
    for place in places:
        folder = None if is_address(place) else Path(place).parent
        try:
            beside = find_ledger(folder) if folder is not None and folder.is_dir() else None
        except (OSError, ValueError):
            beside = None
        for path in (beside, elsewhere):
            if path is None:
                continue
            if path not in read:
                read[path] = read_told(path, "listed")[0]
            told = read[path].places.get(place)
            if told is None and folder is not None and path.parent.resolve() == folder.resolve():
                told = read[path].packages.get(Path(place).name)
            identity = (told.sealed or told.good) if told is not None else None
            if identity is not None:
                yield _Known(place=place, identity=identity, certain=read[path].whole)
                break


def _look_for(known: _Known, shelf: Shelf, progress: Progress, signers: Signers | None) -> Gone:
    found = shelf.of_identity(known.identity)
    if found:
        return _best(known, found, progress, signers)
    named = shelf.named(known.name)
    if named:
        what = f"{known.name} is gone here, and what has its name among the second copies is not it."
        return Gone(place=known.place, state="differs", what=what, found_in=readable(named[0].shown))
    unread = [f for f in shelf.problems if "unreadable" in f.rule]
    read = f" as far as they could be read: {unread[0].what}" if unread else "."
    what = f"{known.name} is gone here, and it is not among the second copies{read}"
    return Gone(place=known.place, state="missing", what=what)


def _best(known: _Known, found: Sequence[Found], progress: Progress, signers: Signers | None) -> Gone:
    """A whole one, else all of them together, else what the first amounts to."""
    problems = []
    for one in found:
        seen = _read([one], progress, signers)
        if isinstance(seen, str):
            problems.append(seen)
        elif seen.whole is not None and seen.plan.identity == known.identity:
            return _whole(known, one)
        else:
            problems.append("it is damaged")
    where = readable(found[0].shown)
    what = f"{known.name} is gone here, and its second copy is not whole: {problems[0].rstrip('.')}."
    command = None
    if len(found) > 1:
        seen = _read(found, progress, signers)
        if not isinstance(seen, str) and not seen.plan.lost and seen.plan.identity == known.identity:
            what = f"{known.name} is gone here. {len(found)} second copies are damaged, but heal each other."
            command = heal_command([shown(one.path) for one in found])
    return Gone(place=known.place, state="damaged", what=what, found_in=where, command=command)


def _whole(known: _Known, found: Found) -> Gone:
    doubt = ", as a broken ledger knows it: compare that with a copy kept elsewhere"
    what = f"{known.name} is gone here; a second copy of it is whole{'' if known.certain else doubt}."
    return Gone(
        place=known.place, state="whole", what=what, found_in=readable(found.shown),
        command=_bring_back(known, found),
    )  # fmt: skip


def _bring_back(known: _Known, found: Found) -> str | None:
    """What copies it to its place, and checks it there; None when that cannot be written as a command: an
    address, a name that is no text, a folder that is gone, too (its disk may not be mounted)."""
    if isinstance(found.path, str) or is_address(known.place) or "\\" in known.place:
        return None
    target, source = Path(known.place), str(found.path.resolve())
    if not target.parent.is_dir() or os.path.lexists(target):
        return None
    if found.archive is None or target.name.endswith(_ARCHIVES):
        bring = f"cp -a {typed(source)} {typed(str(target))}"
    elif _base(found) != target.name:
        return None
    elif found.archive == "tar":
        bring = f"tar -xf {typed(source)} -C {typed(str(target.parent))}"
    else:
        bring = f"unzip {typed(source)} -d {typed(str(target.parent))}"
    return f"{bring} && provpack verify {typed(str(target))}"


def _base(found: Found) -> str:
    """The base directory of the package in an archive."""
    try:
        place = found.open()
    except (OSError, ValueError, ProvpackError):
        return ""
    try:
        return place.name
    finally:
        place.close()


def _read(found: Sequence[Found], progress: Progress, signers: Signers | None) -> Assessment | str:
    """The second copies, read whole and put side by side; or why they cannot be."""
    copies = []
    try:
        copies = [open_copy(number, one.path) for number, one in enumerate(found, 1)]
        return assess(copies, told=progress.advance, begin=progress.begin, signers=signers)
    except (ProvpackError, OSError, ValueError) as err:
        return err.what if isinstance(err, ProvpackError) else str(err)
    finally:
        close_all(copies)
