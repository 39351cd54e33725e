"""Verification as a habit: find the packages, choose what is due, check it, and say what is left.

A run that is killed has recorded what it finished; the same command again chooses the rest, for choosing
asks the ledgers. That goes for two runs at once too: each finds out for itself what is due, when it begins.
"""

from __future__ import annotations

import base64
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from provpack.catalogue.values import Listed
from provpack.edge.presence import package_around
from provpack.edge.remoteaddress import is_address
from provpack.errors import CouldNotCheck, ProvpackError, UsageProblem
from provpack.findings import Finding
from provpack.jobs.choose import Candidate, Choice, Sampled, Wish, choose, is_due, judge_sample
from provpack.jobs.fleet import Crew, verify_found
from provpack.jobs.harvestledger import take_ledger
from provpack.jobs.harvestrules import LEDGER_UNREAD
from provpack.jobs.progress import Progress
from provpack.jobs.silence import silent_apart
from provpack.jobs.unitcheck import CheckSpec
from provpack.jobs.verified import Outcome, UnitResult, VerifyResult, crossed
from provpack.jobs.verify_find import (
    Found,
    about,
    asked_for,
    contents_of,
    find_units,
    identity_of,
    still_there,
)
from provpack.jobs.witness import LedgerWitness
from provpack.model.formats import read_moment
from provpack.package import rules
from provpack.package.bagpaths import position, readable
from provpack.package.checkhistory import DEEPER, CheckHistory

if TYPE_CHECKING:
    from provpack.catalogue.opening import Catalogue

_GIVEN: dict[str, Outcome] = {word: word for word in get_args(Outcome)}
"""Each word once: those of a hundred thousand results would be as many copies of it."""

Catalogued = Callable[[str | None], Iterable[Listed]]
"""What the catalogue knows at or beneath a path or address; None: everything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What to verify, and how much of it. paths: at or beneath these; with a catalogue none means all that
    it knows. rate: bytes per second over all workers. ledger: about packages that have none beside them."""

    paths: tuple[Path | str, ...]
    spec: CheckSpec
    wish: Wish = field(default_factory=Wish)
    time_budget: timedelta | None = None
    rate: int | None = None
    ledger: Path | None = None
    recorded: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """What was chosen of what there is, and what is left.

    bare: without a good check that counts, before this run. oldest_left: last good check of what is left,
    where there is one; bare_left: how many have none. round: how long all that is due would take at the speed
    of this run, None when nothing was checked. again: paths once found bad or missing, checked now; gone: how
    many others are not there any more. remarks: sentences about the request itself.
    """

    wish: Wish
    known: int
    bare: int
    due: int
    chosen: int
    checked: int
    left: int
    oldest_left: datetime | None
    bare_left: int
    time_budget: timedelta | None
    elapsed: timedelta
    round: timedelta | None
    again: tuple[str, ...]
    sample: Sampled | None
    remarks: tuple[str, ...]
    gone: int = 0

    @property
    def everything(self) -> bool:
        """Whether all there is was to be checked, as found: nothing was selected."""
        return not (self.wish.oldest_first or self.wish.older_than or self.wish.sampling or self.time_budget)

    def as_json(self) -> dict[str, Any]:
        """The shape `selection` of schemas/result-verify.schema.json."""
        older = self.wish.older_than
        return {
            "known": self.known,
            "without_good_check": self.bare,
            "due": self.due,
            "chosen": self.chosen,
            "checked": self.checked,
            "left": self.left,
            "left_without_good_check": self.bare_left,
            "left_oldest_check": self.oldest_left.isoformat() if self.oldest_left else None,
            "order": "oldest_first" if self.wish.oldest_first else "as_found",
            "older_than_s": older.total_seconds() if older else None,
            "time_budget_s": self.time_budget.total_seconds() if self.time_budget else None,
            "elapsed_s": self.elapsed.total_seconds(),
            "whole_round_s": self.round.total_seconds() if self.round is not None else None,
            "once_bad": list(self.again),
            "sample": self.sample.as_json() if self.sample else None,
            "remarks": list(self.remarks),
        }


def reverify(
    request: Request,
    crew: Crew,
    *,
    progress: Progress,
    clock: Callable[[], datetime],
    record: Callable[[UnitResult], None] | None = None,
    catalogued: Catalogued | None = None,
) -> tuple[VerifyResult, Selection]:
    """Choose and check. clock: aware, a top-level function. Raises UsageProblem for a request that cannot be,
    and what verify_found raises; what is wrong with packages, paths and ledgers is in the result."""
    _possible(request, catalogued is not None)
    began = clock()
    candidates: list[Candidate] = []
    findings: list[Finding] = []
    witness = LedgerWitness(request.spec.depth, request.ledger)
    paths, silent = silent_apart(request.paths, request.spec.patience)
    told = silent
    if paths or not silent:  # no path at all means everything the catalogue knows
        candidates, more, findings = _candidates(paths, witness, request.spec.depth, catalogued)
        told = [*silent, *more]
    now = began.astimezone(UTC)
    candidates = [_as_it_is(one, request.wish, now, listed=catalogued is not None) for one in candidates]
    choice = choose(candidates, request.wish, now)
    chosen = [one.found for one in choice.units]
    end = began + request.time_budget if request.time_budget is not None else None
    run = verify_found(
        [*told, *chosen], request.spec, crew, progress=progress, clock=clock, record=record, witness=witness,
        rate=request.rate, begin_more=lambda: end is None or clock() < end,
    )  # fmt: skip
    if paths or not silent:
        for found in (*told, *(one.found for one in candidates)):
            witness.met(found.path, found.findings)
        findings.extend(witness.missing(paths, searched=catalogued is None))
    result = VerifyResult(
        depth=request.spec.depth,
        started_at=began.isoformat(),
        finished_at=clock().isoformat(),
        units=run.units,
        findings=(*findings, *witness.findings(), *crossed(run.units)),
    )
    left, of = {id(found) for found in run.left}, (u.outcome for u in islice(run.units, len(told), None))
    outcomes = [None if id(found) in left else _GIVEN[next(of)] for found in chosen]
    return result, _selection(request, choice, outcomes, clock() - began)


def _possible(request: Request, with_catalogue: bool) -> None:
    if not request.paths and not with_catalogue:
        raise UsageProblem(
            "paths-missing",
            "Nothing is named that could be verified.",
            where="the command line",
            todo="Name packages or folders full of them: provpack verify PATH...; or let the catalogue name "
            "them: provpack verify --from-catalogue.",
        )
    if request.wish.sample is not None and request.wish.sample_for is not None:
        raise UsageProblem(
            "two-samples",
            "A sample is given by its number or by what it is to find, not by both.",
            where="--sample and --sample-to-find",
            todo="Leave one of them out.",
        )
    folder = request.ledger.parent if request.ledger is not None else None
    if folder is not None and not folder.is_dir():
        raise UsageProblem(
            "no-such-folder",
            "The folder of the ledger does not exist.",
            where=f"--ledger {readable(str(request.ledger))}",
            todo="Mend the path, or make the folder.",
        )
    inside = package_around(request.ledger) if request.ledger is not None else None
    if inside is not None:
        raise UsageProblem(
            "ledger-in-package",
            "The ledger would be written into a package.",
            where=f"--ledger {readable(str(request.ledger))}, in {readable(str(inside))}",
            todo="Name a file outside it: a sealed package is never written into.",
        )


# --- finding ---


def _candidates(
    paths: Sequence[Path | str], witness: LedgerWitness, depth: str, catalogued: Catalogued | None
) -> tuple[list[Candidate], list[Found], list[Finding]]:
    """The packages with their history; paths about which only findings can be told; what concerns none."""
    if catalogued is not None:
        return *_from_catalogue(paths, witness, depth, catalogued), []
    units, findings = find_units(paths)
    packages = [
        Candidate(found=one, history=witness.history(one.path, archive=one.archive is not None))
        for one in units
        if not one.findings
    ]
    return packages, [one for one in units if one.findings], findings


def _from_catalogue(
    paths: Sequence[Path | str], witness: LedgerWitness, depth: str, catalogued: Catalogued
) -> tuple[list[Candidate], list[Found]]:
    """What the catalogue names, each once; and paths at which it knows nothing.

    It is asked for the list. When a package was checked is told by the ledgers, and by the catalogue only of
    packages of which no ledger that is read here tells. Raises CouldNotCheck when it names nothing at all: no
    night may pass for good because a list is empty.
    """
    known: dict[str, Candidate] = {}
    told: list[Found] = []
    for path in paths or (None,):
        count = 0
        for listed in catalogued(str(_resolved(path)) if isinstance(path, Path) else path):
            count += 1
            if listed.place in known:
                continue
            found = _found(listed)
            history = witness.history(found.path, archive=found.archive is not None)
            history = history.and_also(_by_catalogue(listed, depth, accuse_only=history.told))
            known[listed.place] = Candidate(found=found, history=history)
        if not count:
            told += _unknown(path)
    return list(known.values()), told


def _unknown(path: Path | str | None) -> list[Found]:
    if path is None:
        raise CouldNotCheck(
            "catalogue-empty",
            "The catalogue names no package, so nothing was checked.",
            where="--from-catalogue",
            todo="Fill it: provpack catalogue rebuild ROOT...; or name another one with --catalogue.",
        )
    what = "The catalogue knows no package at or beneath this path."
    todo = "Take it in (provpack catalogue add), or verify the path without --from-catalogue."
    return [Found(path=path, findings=(about(rules.NOT_CHECKED, what, path, todo=todo),))]


def _resolved(path: Path) -> Path:
    try:
        return path.resolve()
    except (OSError, ValueError, RuntimeError):
        return path


def _found(listed: Listed) -> Found:
    """The unit as the catalogue has it; the disk is not asked."""
    if is_address(listed.place):
        return Found(path=listed.place)
    named = listed.place_base64
    path = Path(os.fsdecode(base64.b64decode(named)) if named else listed.place)
    archive = listed.storage
    return Found(path=path, archive=archive if archive == "tar" or archive == "zip" else None)


def _as_it_is(one: Candidate, wish: Wish, now: datetime, *, listed: bool) -> Candidate:
    """The same; when the catalogue listed it, with the finding that it is not there any more, if that is so.
    A check that would let it pass unread counts only for the package it read, whatever lies there today."""
    found, history = still_there(one.found) if listed else one.found, one.history
    passes = not found.findings and not is_due(history, wish.older_than, now)
    if passes and listed and isinstance(found.path, str):
        asked = asked_for(found)
        found, passes = asked or found, asked is not None
        history = history if passes else history.accusing()
    if passes and not found.findings and _is_other(found, history):
        history = history.accusing()
    same = found is one.found and history is one.history
    return one if same else Candidate(found=found, history=history)


def _is_other(found: Found, history: CheckHistory) -> bool:
    """Whether something else lies there than what was last found good, as far as that can be told."""
    if history.identity is not None:
        return history.identity != identity_of(found)
    return history.manifests is not None and contents_of(found) not in (None, history.manifests)


def _by_catalogue(listed: Listed, depth: str, *, accuse_only: bool) -> CheckHistory:
    moment = read_moment(listed.last_checked_at)
    when = moment.earliest if moment is not None and listed.last_depth in DEEPER[depth] else None
    bad = (listed.last_checked_at or "") if listed.once_bad else None
    if accuse_only:
        return CheckHistory(once_bad=bad)
    good = when if listed.last_outcome == "good" else None
    return CheckHistory(good=good, tried=when, once_bad=bad, identity=listed.identity if good else None)


def take_in(catalogue: Catalogue, ledgers: Iterable[Path], now: datetime) -> list[Finding]:
    """Take the new lines of these ledgers into the catalogue; what could not be taken in."""
    at = now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    findings = []
    for ledger in ledgers:
        try:
            with catalogue.writing() as writer:
                take_ledger(ledger, writer, now=at)
        except (ProvpackError, OSError) as err:
            why = err.what if isinstance(err, ProvpackError) else str(err)
            shown = readable(str(ledger))
            what = f"The checks are recorded, but the catalogue did not take them in: {why}"
            findings.append(LEDGER_UNREAD.found(what, shown, position=position(shown)))
    return findings


# --- telling ---


def _selection(
    request: Request, choice: Choice, outcomes: Sequence[Outcome | None], elapsed: timedelta
) -> Selection:
    """What the numbers are, once the run is over. outcomes: one for each of choice.units, None for those that
    were not checked."""
    left = [one for one, outcome in zip(choice.units, outcomes, strict=True) if outcome is None]
    checked = len(outcomes) - len(left)
    drawn = {n: outcome for n in choice.drawn or () if (outcome := outcomes[n]) is not None}
    good = [one.history.good for one in left if one.history.good is not None]
    return Selection(
        wish=request.wish,
        known=choice.known,
        bare=choice.bare,
        due=choice.due,
        chosen=len(choice.units),
        checked=checked,
        left=len(left),
        oldest_left=min(good) if good else None,
        bare_left=len(left) - len(good),
        time_budget=request.time_budget,
        elapsed=elapsed,
        round=elapsed * choice.due / checked if checked else None,
        again=tuple(readable(str(choice.units[n].found.path)) for n in sorted(choice.again) if outcomes[n]),
        gone=len(choice.gone - choice.again),
        sample=judge_sample(choice, request.wish, drawn),
        remarks=tuple(_remarks(request)),
    )


def _remarks(request: Request) -> Iterable[str]:
    if request.wish.older_than is not None and not request.recorded:
        yield (
            "Nothing is recorded (--no-ledger), so the next run with --older-than will begin with the same "
            "packages again."
        )
