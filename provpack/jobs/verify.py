"""Verify packages, trees of packages and other people's bags, in folders or archives. Read-only, always.

Depths: `listed` looks at names, sizes and syntax and digests the tag files; `bytes` adds every digest of
every manifest (validity in the sense of RFC 8493 section 3); `meaning` adds, for packages of ours, the
record, the essence, every block and the embedded record. Nothing that was not read is ever called good by a
depth that promises to read it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import datetime
from pathlib import Path

from provpack.edge.reading import cores
from provpack.edge.tree import reason
from provpack.findings import Finding
from provpack.jobs.progress import Progress
from provpack.jobs.verified import Depth, Examiner, Outcome, UnitResult, Verdict, VerifyResult
from provpack.jobs.verify_files import Hands
from provpack.jobs.verify_find import Found, about, find_units
from provpack.jobs.verify_meaning import Helpers, Recover, Validate
from provpack.jobs.verify_unit import check_unit
from provpack.jobs.witness import LedgerWitness
from provpack.package import rules
from provpack.package.bagcheck import judge
from provpack.package.bagpaths import path_base64, readable

__all__ = ["Depth", "Outcome", "UnitResult", "Verdict", "VerifyResult", "verify_paths"]

_MEASURED_AHEAD = 200
"""Up to so many packages, their sizes are added up first, so that progress knows its end."""


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
    examiners: Sequence[Examiner] = (),
) -> VerifyResult:
    """Check every bag at or beneath the paths; one unit per bag, in the order found.

    record is called with each unit as it is finished, from this thread. validate and recover serve the depth
    meaning (see Helpers). witness: compares with the custody ledgers beside the packages. workers:
    threads at most, by default the processors there are. examiners: each is asked about every bag once its
    files were checked, possibly from several threads; what they find is told with the bag and never changes
    its outcome. What is wrong with a bag, a disk or a path is in the result; only an interrupt escapes (and
    what progress, clock or record raise).
    """
    started = clock().isoformat()
    places, findings = find_units(paths)
    bags = [place for place in places if not place.findings]
    total = 0
    if depth != "listed" and len(bags) <= _MEASURED_AHEAD:
        total = sum(_bytes_in(bag) for bag in bags)
    progress.begin(f"verifying {len(bags)} package{'' if len(bags) == 1 else 's'}", total)
    hands = Hands(workers=max(workers or cores(), 1), told=progress.advance, units_left=len(bags))
    helpers = Helpers(validate=validate, recover=recover)

    def check(found: Found) -> UnitResult:
        if found.findings:
            return _told(found.path, found.findings, depth, clock)
        try:
            with closing(found.open()) as place:
                return check_unit(
                    place, depth, hands=hands, helpers=helpers, clock=clock, witness=witness,
                    examiners=examiners,
                )  # fmt: skip
        except (OSError, ValueError) as err:
            why = reason(err) if isinstance(err, OSError) else str(err)
            what = f"The archive cannot be opened: {why}."
            return _told(found.path, (about(rules.UNREADABLE, what, found.path),), depth, clock)
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


def _bytes_in(found: Found) -> int:
    """Bytes of its files, 0 when that cannot be told: only progress depends on it."""
    try:
        with closing(found.open()) as place:
            listing = place.listing()
    except (OSError, ValueError):
        return 0
    return sum(entry.size for entry in listing.entries) if listing is not None else 0


def _told(
    path: Path, findings: tuple[Finding, ...], depth: Depth, clock: Callable[[], datetime]
) -> UnitResult:
    """The result for a path at which no bag can be checked."""
    now = clock().isoformat()
    return UnitResult(
        path=readable(str(path)),
        path_base64=path_base64(str(path)),
        outcome=judge(findings),
        depth=depth,
        started_at=now,
        finished_at=now,
        findings=findings,
    )
