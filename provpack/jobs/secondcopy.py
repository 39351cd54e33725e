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
from provpack.jobs.verify_find import Found, find_units
from provpack.package.bagblocks import BlockRange, ranges
from provpack.package.bagpaths import path_base64, readable
from provpack.package.bagtext import MAX_TAG_FILE
from provpack.package.healnote import range_entry
from provpack.package.healplan import IDENTITY
from provpack.package.signers import Signers

State = Literal["same", "differs", "whole", "damaged", "missing", "unreadable"]
Healable = Literal["yes", "no", "not_known", "not_needed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondCopy:
    """What the second copy of one unit has.

    state: same or differs: only its tag manifest was compared; whole or damaged: it was read; missing,
    unreadable. good_there: files wrong here that it holds as they were sealed; blocks_there: of a master that
    is whole in neither. command: what heals it, when both together can.
    """

    state: State
    path: str | None = None
    healable: Healable = "not_known"
    command: str | None = None
    good_there: tuple[str, ...] = ()
    blocks_there: tuple[BlockRange, ...] = ()
    lost: Sequence[Mapping[str, Any]] = field(default=())
    findings: tuple[Finding, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The shape `second_copy` of a unit in schemas/result-verify.schema.json."""
        return {
            "state": self.state,
            "path": readable(self.path) if self.path is not None else None,
            "path_base64": path_base64(self.path) if self.path is not None else None,
            "healable": self.healable,
            "command": readable(self.command) if self.command is not None else None,
            "good_there": [readable(path) for path in self.good_there],
            "blocks_there": [range_entry(span) for span in self.blocks_there],
            "lost": [str(one["path"]) for one in self.lost],
        }

    def sentence(self) -> str:
        """For people."""
        if self.state == "missing":
            return "There is no second copy of it there."
        if self.healable == "not_needed":
            same = "has the same tag manifest; its files were not read"
            return f"The second copy {same if self.state == 'same' else 'is not the same'}: {self._where}"
        if self.state == "whole":
            return f"The second copy is whole: put a copy of it in the place of this one: {self._where}"
        if self.healable == "yes":
            return f"Damaged here and there, but everything is in one of them. To heal it: {self.command}"
        if self.healable == "no":
            many = f"{len(self.lost)} files are" if len(self.lost) > 1 else "1 file is"
            return f"{many} damaged in both copies. What exactly is lost is told by: {self.command}"
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
        self._identities: dict[str, list[Found]] | None = None

    def find(self, unit: UnitResult) -> list[Found]:
        """Candidates for the second copy of a unit, best first; never the unit itself."""
        own = os.path.realpath(place_of(unit)) if "://" not in unit.path else unit.path
        named = self._by_name.get(unit.name or "", [])
        found = [*named, *([] if named or unit.identity is None else self._same(unit.identity))]
        return [f for f in found if (f.path if isinstance(f.path, str) else os.path.realpath(f.path)) != own]

    def _same(self, identity: str) -> list[Found]:
        if self._identities is None:
            self._identities = {}
            for unit in self._units:
                told, _ = identity_of(unit)
                if told is not None:
                    self._identities.setdefault(told, []).append(unit)
        return self._identities.get(identity, [])


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
    second: Path | str,
    *,
    progress: Progress,
    ledger: Path | None = None,
    signers: Signers | None = None,
) -> dict[str, SecondCopy]:
    """path of each unit that is a package -> what the second copy at or beneath a path has. Raises nothing
    but what interrupts the run."""
    shelf = Shelf(second)
    return {
        unit.path: _one(unit, shelf, progress, ledger, signers)
        for unit in result.units
        if unit.name is not None
    }


def findings_of(copies: Mapping[str, SecondCopy]) -> tuple[Finding, ...]:
    """What is to be said about all of them."""
    return tuple(f for one in copies.values() for f in one.findings)


def _one(
    unit: UnitResult, shelf: Shelf, progress: Progress, ledger: Path | None, signers: Signers | None
) -> SecondCopy:
    candidates = shelf.find(unit)
    good = unit.outcome == "good"
    if not candidates:
        unread = [f for f in shelf.problems if "unreadable" in f.rule]
        what = f"{readable(unit.name or unit.path)} is not among the second copies."
        if unread:
            found = rules.SECOND_UNREADABLE.found(unread[0].what, unread[0].where)
            return SecondCopy(state="unreadable", findings=(found,))
        found = rules.SECOND_MISSING.found(what, unit.path)
        return SecondCopy(state="missing", healable="not_needed" if good else "not_known", findings=(found,))
    chosen = candidates[0]
    where = chosen.shown
    if not good:
        return _both(unit, chosen, progress, ledger, signers)
    told, why = identity_of(chosen)
    if unit.identity is None or told == unit.identity:
        return SecondCopy(state="same", path=where, healable="not_needed")
    if told is None:
        found = rules.SECOND_UNREADABLE.found(f"Its tag manifest: {why}", readable(where))
        return SecondCopy(state="unreadable", path=where, healable="not_needed", findings=(found,))
    what = f"The second copy of {readable(unit.name or '')} has another {IDENTITY}."
    found = rules.SECOND_OTHER.found(what, readable(where))
    return SecondCopy(state="differs", path=where, healable="not_needed", findings=(found,))


def _both(
    unit: UnitResult, other: Found, progress: Progress, ledger: Path | None, signers: Signers | None
) -> SecondCopy:
    """Both copies read, and put side by side."""
    here, where = place_of(unit), other.shown
    copies = []
    try:
        copies = [open_copy(1, here), open_copy(2, other.path)]
        seen = assess(copies, told=progress.advance, begin=progress.begin, ledger=ledger, signers=signers)
        return _judge(seen, _command(str(here), where), where)
    except (ProvpackError, OSError, ValueError) as err:
        what = err.what if isinstance(err, ProvpackError) else str(err)
        found = rules.SECOND_UNREADABLE.found(
            f"The two copies cannot be put together: {what}", readable(where)
        )
        return SecondCopy(state="unreadable", path=where, findings=(found,))
    finally:
        close_all(copies)


def _command(here: str, there: str) -> str:
    return f"provpack heal {shlex.quote(here)} {shlex.quote(there)} --to healed"


def _judge(seen: Assessment, command: str, where: str) -> SecondCopy:
    first, second = seen.views
    state = seen.state(second)
    unread = "unreadable" in (state, seen.state(first))
    lost = losses(seen)
    healable: Healable = "yes" if not lost else "not_known" if unread else "no"

    def right(view: Any, path: str, digests: Mapping[str, str]) -> bool:
        held = view.files.get(path)
        return held is not None and held.digests == digests

    good_there = tuple(
        f.path
        for f in seen.plan.files
        if not right(first, f.path, f.source.digests) and right(second, f.path, f.source.digests)
    )
    shown: State = "whole" if state == "whole" else "unreadable" if state == "unreadable" else "damaged"
    return SecondCopy(
        state=shown,
        path=where,
        healable=healable,
        command=command if shown != "whole" else None,
        good_there=good_there,
        blocks_there=tuple(span for one in seen.maps.values() for span in _only_there(one)),
        lost=lost,
        findings=tuple(f for f in seen.findings if f.rule == rules.LEDGER_BROKEN.id),
    )


def _only_there(blocks: BlockMap) -> tuple[BlockRange, ...]:
    """Blocks that copy 2 has and copy 1 does not."""
    held = {number: _blocks(blocks, number) for number in (1, 2)}
    return ranges(blocks.digests, held[2] - held[1])


def _blocks(blocks: BlockMap, number: int) -> set[int]:
    return {n for one in blocks.seen if one.where.copy == number for n in one.blocks}


def lines_of(copies: Mapping[str, SecondCopy], units: Iterable[UnitResult]) -> list[str]:
    """For people: one line per unit that is not good, and how many second copies are as they should be."""
    out, same = [], 0
    for unit in units:
        one = copies.get(unit.path)
        if one is None:
            continue
        if one.state == "same":
            same += 1
        else:
            out.append(f"{readable(unit.name or unit.path)}: {one.sentence()}")
    if same:
        out.append(f"{same} second copies have the same tag manifest; their files were not read.")
    return out
