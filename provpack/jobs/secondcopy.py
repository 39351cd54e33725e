"""After a verification: what has a second copy where this one is damaged, and can both together heal it?

Good packages are only looked up: whether the second copy is there and has the same tag manifest. It is read
whole only where this one is not good. Nothing is written anywhere.
"""

from __future__ import annotations

import base64
import os
import shlex
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from provpack.edge.hashing import digest_bytes
from provpack.edge.reading import read_small
from provpack.edge.tree import reason
from provpack.errors import CouldNotCheck, ProvpackError
from provpack.findings import Finding
from provpack.jobs import healrules as rules
from provpack.jobs.healassess import Assessment, assess
from provpack.jobs.healblocks import BlockMap
from provpack.jobs.healcopies import close_all, open_copy
from provpack.jobs.healed import losses
from provpack.jobs.progress import Progress
from provpack.jobs.verified import UnitResult, VerifyResult
from provpack.jobs.verify_find import Found, find_units, shown
from provpack.package.archiverules import COMPRESSED
from provpack.package.bagblocks import BlockRange, ranges
from provpack.package.bagpaths import path_base64, readable
from provpack.package.bagtext import MAX_TAG_FILE
from provpack.package.healnote import range_entry
from provpack.package.healplan import IDENTITY
from provpack.package.rules import NO_BAG_HERE, NOT_A_FOLDER, NOT_FOUND
from provpack.package.signers import Signers

State = Literal["same", "differs", "whole", "damaged", "missing", "unreadable"]
Healable = Literal["yes", "no", "not_known", "not_needed"]

_NONE = (NOT_FOUND.id, NO_BAG_HERE.id, NOT_A_FOLDER.id, COMPRESSED.id)
"""Rules of findings that say of a path as a whole that no copy is to be read there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondCopy:
    """What the second copy of one unit has.

    state: same or differs: only its tag manifest was compared; whole or damaged: it was read; missing,
    unreadable. good_there: files wrong here that it holds as they were sealed; blocks_there: of a master that
    is whole nowhere. command: what heals it, when all together can, or tells what is lost; plain ASCII, to be
    typed as it is. lost: what is certainly nowhere. unread: files that may be right there, where it could not
    be read. copies: how many second copies were read. itself: what lies there is this very package, and no
    second copy.
    """

    state: State
    path: str | None = None
    healable: Healable = "not_known"
    command: str | None = None
    good_there: tuple[str, ...] = ()
    blocks_there: tuple[BlockRange, ...] = ()
    lost: Sequence[Mapping[str, Any]] = field(default=())
    unread: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    copies: int = 1
    itself: bool = False

    def as_json(self) -> dict[str, Any]:
        """The shape `second_copy` of a unit in schemas/result-verify.schema.json."""
        return {
            "state": self.state,
            "path": readable(self.path) if self.path is not None else None,
            "path_base64": path_base64(self.path) if self.path is not None else None,
            "healable": self.healable,
            "command": self.command,
            "good_there": [readable(path) for path in self.good_there],
            "blocks_there": [range_entry(span) for span in self.blocks_there],
            "lost": [str(one["path"]) for one in self.lost],
        }

    def sentence(self) -> str:
        """For people; a command, if there is one, belongs on a line of its own after it."""
        if self.state == "missing":
            return (
                "What lies there is this very package, and no second copy of it."
                if self.itself
                else "There is no second copy of it there."
            )
        if self.healable == "not_needed":
            same = "has the same tag manifest; its files were not read"
            return f"The second copy {same if self.state == 'same' else 'is not the same'}: {self._where}"
        if self.state == "whole":
            return f"The second copy is whole: put a copy of it in the place of this one: {self._where}"
        if self.healable == "yes":
            return "Damaged here and there, but everything is in one of them. To heal it, type:"
        if self.healable == "no":
            many = f"{len(self.lost)} files are" if len(self.lost) > 1 else "1 file is"
            where = "both copies" if self.copies == 1 else f"all {self.copies + 1} copies"
            return f"{many} damaged in {where}. What exactly is lost is told by:"
        if self.command is not None:
            return "Not all of it could be read, so whether it can be healed is not known. To see more, type:"
        return f"Whether the second copy helps is not known: {self._where}"

    @property
    def _where(self) -> str:
        return readable(self.path or "")


def place_of(unit: UnitResult) -> Path | str:
    """Where a unit lies, for opening it again."""
    if "://" in unit.path:
        return unit.path
    named = unit.path_base64
    return Path(os.fsdecode(base64.b64decode(named)) if named else unit.path)


class Shelf:
    """The packages at or beneath a path, by name and by identity."""

    def __init__(self, root: Path | str) -> None:
        units, _ = find_units([root])
        self.problems = [f for unit in units for f in unit.findings]
        self._by_name: dict[str, list[Found]] = {}
        self._units = [unit for unit in units if not unit.findings]
        for unit in self._units:
            try:
                with closing(unit.open()) as place:
                    self._by_name.setdefault(place.name, []).append(unit)
            except (OSError, ValueError, ProvpackError):
                self._by_name.setdefault(Path(str(unit.path)).stem, []).append(unit)
        empty = [f for f in self.problems if f.rule in _NONE]
        self.none_there: Finding | None = None
        if empty and not self._units:
            what = f"No second copy of any package was found: {empty[0].what}"
            self.none_there = rules.SECOND_NONE_THERE.found(what, readable(shown(root)))
        self._told: dict[str, tuple[str | None, str]] = {}
        self._identities: dict[str, list[Found]] | None = None

    def identity(self, found: Found) -> tuple[str | None, str]:
        """As identity_of, each read once."""
        key = str(found.path)
        if key not in self._told:
            self._told[key] = identity_of(found)
        return self._told[key]

    def find(self, unit: UnitResult) -> list[Found]:
        """Every candidate for the second copy of a unit: those of the same identity first, then those that
        only have its name. Never the unit itself."""
        own = _real(place_of(unit))
        alike = self.of_identity(unit.identity) if unit.identity is not None else []
        named = self.named(unit.name or "")
        found = {str(f.path): f for f in (*alike, *named)}
        # A copy of that name is more likely to be meant than one that was renamed.
        ranked = sorted(found.values(), key=lambda f: (f not in alike, f not in named))
        return [f for f in ranked if _real(f.path) != own]

    def holds(self, unit: UnitResult) -> bool:
        """Whether the unit itself is one of the packages there."""
        own = _real(place_of(unit))
        return any(_real(f.path) == own for f in self._units)

    def named(self, name: str) -> list[Found]:
        """Those whose base directory has this name."""
        return self._by_name.get(name, [])

    def of_identity(self, identity: str) -> list[Found]:
        """Those whose tagmanifest-sha512.txt has this SHA-512."""
        if self._identities is None:
            self._identities = {}
            for unit in self._units:
                told, _ = self.identity(unit)
                if told is not None:
                    self._identities.setdefault(told, []).append(unit)
        return self._identities.get(identity, [])


def _real(path: Path | str) -> str:
    return path if isinstance(path, str) else os.path.realpath(path)


def identity_of(found: Found) -> tuple[str | None, str]:
    """(SHA-512 of its tagmanifest-sha512.txt, why it could not be read)."""
    try:
        with closing(found.open()) as place:
            return digest_bytes(read_small(place, IDENTITY, MAX_TAG_FILE), ("sha512",))["sha512"], ""
    except CouldNotCheck as err:
        return None, err.what
    except (OSError, ValueError, ProvpackError) as err:
        return None, reason(err) if isinstance(err, OSError) else str(err)


def compare(
    result: VerifyResult,
    second: Path | str | Shelf,
    *,
    progress: Progress,
    ledger: Path | None = None,
    signers: Signers | None = None,
) -> dict[str, SecondCopy]:
    """path of each unit that is a package -> what the second copy at or beneath a path has. Raises nothing
    but what interrupts the run."""
    shelf = second if isinstance(second, Shelf) else Shelf(second)
    return {
        unit.path: _one(unit, shelf, progress, ledger, signers)
        for unit in result.units
        if unit.name is not None
    }


def findings_of(copies: Mapping[str, SecondCopy]) -> tuple[Finding, ...]:
    """What is to be said about all of them; what is the same of each, once."""
    found = {(f.rule, f.where, f.what): f for one in copies.values() for f in one.findings}
    return tuple(found.values())


def _one(
    unit: UnitResult, shelf: Shelf, progress: Progress, ledger: Path | None, signers: Signers | None
) -> SecondCopy:
    candidates = shelf.find(unit)
    good = unit.outcome == "good"
    if not candidates:
        unread = [f for f in shelf.problems if "unreadable" in f.rule]
        what = f"{readable(unit.name or unit.path)} is not among the second copies."
        itself = shelf.holds(unit)
        if itself:
            what = (
                f"{readable(unit.name or unit.path)}: what lies there is this very package, no second copy."
            )
        if unread:
            found = rules.SECOND_UNREADABLE.found(unread[0].what, unread[0].where)
            return SecondCopy(state="unreadable", findings=(found,))
        # What is not there at all accuses the path that was given, and no package.
        found = shelf.none_there or rules.SECOND_MISSING.found(what, unit.path)
        healable: Healable = "not_needed" if good else "not_known"
        return SecondCopy(state="missing", healable=healable, findings=(found,), itself=itself)
    if not good:
        return _best(unit, candidates, progress, ledger, signers)
    chosen = candidates[0]  # of the same identity, if any is
    where = chosen.shown
    told, why = shelf.identity(chosen)
    if unit.identity is None or told == unit.identity:
        return SecondCopy(state="same", path=where, healable="not_needed")
    if told is None:
        found = rules.SECOND_UNREADABLE.found(f"The tag manifest of the second copy: {why}", readable(where))
        return SecondCopy(state="unreadable", path=where, healable="not_needed", findings=(found,))
    what = f"The second copy of {readable(unit.name or '')} has another {IDENTITY}."
    found = rules.SECOND_OTHER.found(what, readable(where))
    return SecondCopy(state="differs", path=where, healable="not_needed", findings=(found,))


def _best(
    unit: UnitResult,
    others: Sequence[Found],
    progress: Progress,
    ledger: Path | None,
    signers: Signers | None,
) -> SecondCopy:
    """What helps most: a whole second copy, else one that heals this one, else all of them together."""
    tried: list[SecondCopy] = []
    for other in others:
        tried.append(_together(unit, [other], progress, ledger, signers))
        if tried[-1].state == "whole":
            return tried[-1]
    order = [one for one in tried if one.healable == "yes"]
    if not order and len(others) > 1:
        # One that is of another package must not keep the rest from helping each other.
        fit = [other for other, one in zip(others, tried, strict=True) if one.state != "unreadable"]
        if len(fit) > 1:
            return _together(unit, fit, progress, ledger, signers)
    order += sorted(tried, key=lambda one: (one.state == "unreadable", len(one.lost)))
    return order[0]


def _together(
    unit: UnitResult,
    others: Sequence[Found],
    progress: Progress,
    ledger: Path | None,
    signers: Signers | None,
) -> SecondCopy:
    """This copy and others read, and put side by side."""
    places = [place_of(unit), *(other.path for other in others)]
    where = others[0].shown
    copies = []
    try:
        copies = [open_copy(number, place) for number, place in enumerate(places, 1)]
        seen = assess(copies, told=progress.advance, begin=progress.begin, ledger=ledger, signers=signers)
        return _judge(seen, heal_command([shown(place) for place in places]), where)
    except (ProvpackError, OSError, ValueError) as err:
        what = err.what if isinstance(err, ProvpackError) else str(err)
        found = rules.SECOND_UNREADABLE.found(
            f"The two copies cannot be put together: {what}", readable(where)
        )
        return SecondCopy(state="unreadable", path=where, findings=(found,))
    finally:
        close_all(copies)


def heal_command(places: Iterable[str]) -> str:
    """What is to be typed to heal a package from these places."""
    return f"provpack heal {' '.join(typed(place) for place in places)} --to healed"


def typed(place: str) -> str:
    """A path or address as it is typed in a shell; plain ASCII, so that a mail or a page keeps it whole.

    What ASCII does not print is told in bytes between $' and ' (POSIX.1-2024, 2.2.4 "Dollar-Single-Quotes";
    older bash, ksh and zsh know it, too).
    """
    if place.startswith("-"):
        place = f"./{place}"  # else it would be taken for an option
    if place.isascii() and place.isprintable():
        return shlex.quote(place)
    return "$'" + "".join(chr(b) if _as_is(b) else f"\\{b:03o}" for b in os.fsencode(place)) + "'"


def _as_is(byte: int) -> bool:
    return 0x20 <= byte < 0x7F and byte not in b"'\\"


def _judge(seen: Assessment, command: str, where: str) -> SecondCopy:
    first, *rest = seen.views
    states = [seen.state(view) for view in rest]
    state = min(states, key=("whole", "damaged", "other_package", "unreadable").index)
    healable: Healable = "no" if seen.certainly_lost else "not_known" if seen.plan.lost else "yes"
    lost = [one for path, one in zip(seen.plan.lost, losses(seen), strict=True) if not seen.uncertain(path)]

    good_there = tuple(
        f.path
        for f in seen.plan.files
        if not first.has(f.path, f.source) and any(view.has(f.path, f.source) for view in rest)
    )
    told: State = "whole" if state == "whole" else "unreadable" if state == "unreadable" else "damaged"
    return SecondCopy(
        state=told,
        path=where,
        healable=healable,
        command=command if told != "whole" else None,
        good_there=good_there,
        blocks_there=tuple(span for one in seen.maps.values() for span in _only_there(one)),
        lost=lost,
        unread=tuple(p for p in sorted(seen.plan.paths) if any(view.may_hold(p) for view in rest)),
        findings=tuple(f for f in seen.findings if f.rule == rules.LEDGER_BROKEN.id),
        copies=len(rest),
    )


def _only_there(blocks: BlockMap) -> tuple[BlockRange, ...]:
    """Blocks that another copy has and copy 1 does not."""
    here = {n for one in blocks.seen if one.where.copy == 1 for n in one.blocks}
    return ranges(blocks.digests, {n for one in blocks.seen for n in one.blocks} - here)


def lines_of(copies: Mapping[str, SecondCopy], units: Iterable[UnitResult]) -> list[str]:
    """For people: what is to be said of each unit, a command on a line of its own, and how many second copies
    are as they should be."""
    out, same = [], 0
    for unit in units:
        one = copies.get(unit.path)
        if one is None:
            continue
        if one.state == "same":
            same += 1
        else:
            out.append(f"{readable(unit.name or unit.path)}: {one.sentence()}")
            out += [f"  {one.command}"] if one.command is not None else []
    if same:
        out.append(f"{same} second copies have the same tag manifest; their files were not read.")
    return out
