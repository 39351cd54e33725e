"""Verify packages, trees of packages and other people's bags. Read-only, always.

Depths: `listed` looks at names, sizes and syntax and digests the tag files; `bytes` adds every digest of
every manifest (validity in the sense of RFC 8493 section 3); `meaning` adds, for packages of ours, the
record, the essence, every block and the embedded record. Nothing that was not read is ever called good by a
depth that promises to read it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from provpack.edge.reading import cores
from provpack.edge.tree import find_bags, list_tree
from provpack.findings import Finding, Rule
from provpack.jobs.progress import Progress
from provpack.jobs.verified import Depth, Outcome, UnitResult, Verdict, VerifyResult
from provpack.jobs.verify_files import Hands
from provpack.jobs.verify_meaning import Helpers, Recover, Validate
from provpack.jobs.verify_unit import check_unit
from provpack.jobs.witness import LedgerWitness
from provpack.package import rules
from provpack.package.bagcheck import judge
from provpack.package.bagpaths import path_base64, position, readable

__all__ = ["Depth", "Outcome", "UnitResult", "Verdict", "VerifyResult", "verify_paths"]

_MEASURED_AHEAD = 200
"""Up to so many packages, their sizes are added up first, so that progress knows its end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """One unit to come: a bag, or a path about which only findings can be told."""

    path: Path
    findings: tuple[Finding, ...] = ()


def verify_paths(
    paths: Sequence[Path],
    depth: Depth,
    *,
    progress: Progress,
    clock: Callable[[], datetime],
    record: Callable[[UnitResult], None] | None = None,
    validate: Validate | None = None,
    recover: Recover | None = None,
    workers: int | None = None,
    witness: LedgerWitness | None = None,
) -> VerifyResult:
    """Check every bag at or beneath the paths; one unit per bag, in the order found.

    record is called with each unit as it is finished, from this thread. validate and recover serve the depth
    meaning (see Helpers). witness: compares with the custody ledgers beside the packages. workers:
    threads at most, by default the processors there are. What is wrong with a bag, a disk or a path is in
    the result; only an interrupt escapes (and what progress, clock or record raise).
    """
    started = clock().isoformat()
    places, findings = _find(paths)
    bags = [place for place in places if not place.findings]
    total = 0
    if depth != "listed" and len(bags) <= _MEASURED_AHEAD:
        total = sum(entry.size for bag in bags for entry in list_tree(bag.path).entries)
    progress.begin(f"verifying {len(bags)} package{'' if len(bags) == 1 else 's'}", total)
    hands = Hands(workers=max(workers or cores(), 1), told=progress.advance, units_left=len(bags))
    helpers = Helpers(validate=validate, recover=recover)

    def check(place: _Place) -> UnitResult:
        if place.findings:
            return _told(place, depth, clock)
        try:
            unit = check_unit(place.path, depth, hands=hands, helpers=helpers, clock=clock)
            told = witness.judge(place.path, unit.identity) if witness is not None else ()
            if not told:
                return unit
            found = (*unit.findings, *told)
            return replace(unit, findings=found, outcome=judge(found))
        finally:
            hands.unit_done()

    units: list[UnitResult] = []
    side_by_side = min(hands.workers, len(bags))
    if side_by_side < 2:
        for place in places:
            units.append(check(place))
            if record is not None:
                record(units[-1])
    else:
        with ThreadPoolExecutor(side_by_side, thread_name_prefix="provpack-verify") as pool:
            futures = [pool.submit(check, place) for place in places]
            try:
                for future in futures:
                    units.append(future.result())
                    if record is not None:
                        record(units[-1])
            except BaseException:
                hands.stop.set()
                for future in futures:
                    future.cancel()
                raise
    if witness is not None:
        for path in paths:
            findings.extend(witness.missing(path))
        findings.extend(witness.findings())
    return VerifyResult(
        depth=depth,
        started_at=started,
        finished_at=clock().isoformat(),
        units=tuple(units),
        findings=tuple(findings),
    )


def _find(paths: Sequence[Path]) -> tuple[list[_Place], list[Finding]]:
    """The units to check, each once, and what concerns none of them."""
    places: list[_Place] = []
    findings: list[Finding] = []
    seen: set[Path] = set()

    def add(path: Path, rule: Rule | None = None, what: str = "") -> None:
        if path not in seen:
            seen.add(path)
            found = (_about(rule, what, path),) if rule is not None else ()
            places.append(_Place(path=path, findings=found))

    for path in paths:
        try:
            if not path.exists():
                add(path, rules.NOT_FOUND, "There is nothing at this path.")
                continue
            if not path.is_dir():
                add(path, rules.NOT_A_FOLDER, "This is a single file; a package is a folder.")
                continue
        except (OSError, ValueError) as err:
            add(path, rules.UNREADABLE, f"The path cannot be looked at: {err.__class__.__name__}.")
            continue
        search = find_bags(path)
        for bag in search.bags:
            add(bag)
        for folder, why in search.unreadable:
            add(folder, rules.UNREADABLE, f"The folder could not be searched for packages: {why}.")
        if not search.bags and not search.unreadable:
            add(path, rules.NO_BAG_HERE, "There is no package at or beneath this folder.")
        for leftover in search.leftovers:
            findings.append(_about(rules.LEFTOVER, "A staging folder was passed over.", leftover))
        for link in search.links:
            findings.append(_about(rules.LINK_PASSED, "A symbolic link was not followed.", link))
    return places, findings


def _about(rule: Rule, what: str, path: Path) -> Finding:
    return rule.found(what, readable(str(path)), position=position(str(path)))


def _told(place: _Place, depth: Depth, clock: Callable[[], datetime]) -> UnitResult:
    """The result for a path at which no bag can be checked."""
    now = clock().isoformat()
    return UnitResult(
        path=readable(str(place.path)),
        path_base64=path_base64(str(place.path)),
        outcome=judge(place.findings),
        depth=depth,
        started_at=now,
        finished_at=now,
        findings=place.findings,
    )
