"""Verify packages, trees of packages and other people's bags, in folders or archives. Read-only, always.

Depths: `listed` looks at names, sizes and syntax and digests the tag files; `bytes` adds every digest of
every manifest (validity in the sense of RFC 8493 section 3); `meaning` adds, for packages of ours, the
record, the essence, every block and the embedded record. Nothing that was not read is ever called good by a
depth that promises to read it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path

from provpack.edge.reading import cores
from provpack.jobs.crewthreads import ThreadCrew
from provpack.jobs.fleet import verify_found
from provpack.jobs.progress import Progress
from provpack.jobs.unitcheck import CheckSpec
from provpack.jobs.verified import Depth, Examiner, Outcome, UnitResult, Verdict, VerifyResult, crossed
from provpack.jobs.verify_find import find_units
from provpack.jobs.verify_meaning import Helpers, Recover, Validate
from provpack.jobs.witness import LedgerWitness

__all__ = ["Depth", "Outcome", "UnitResult", "Verdict", "VerifyResult", "verify_paths"]


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

    record is called with each unit, in that order, as it is finished, from this thread. validate and recover
    serve the depth meaning (see Helpers). witness: compares with the custody ledgers beside the packages.
    workers: threads at most, by default the processors there are. examiners: each is asked about every bag
    once its files were checked, possibly from several threads; what they find is told with the bag and never
    changes its outcome. What is wrong with a bag, a disk or a path is in the result; only an interrupt
    escapes (and what progress, clock or record raise).
    """
    started = clock().isoformat()
    places, findings = find_units(paths)
    spec = CheckSpec(depth=depth, examiner_makers=tuple(partial(_given, one) for one in examiners))
    crew = ThreadCrew(max(workers or cores(), 1), Helpers(validate=validate, recover=recover))
    run = verify_found(
        places, spec, crew, progress=progress, clock=clock, record=record, witness=witness, in_order=True
    )  # fmt: skip
    if witness is not None:
        for place in places:
            witness.met(place.path, place.findings)
        findings.extend(witness.missing(paths))
        findings.extend(witness.findings())
    return VerifyResult(
        depth=depth,
        started_at=started,
        finished_at=clock().isoformat(),
        units=run.units,
        findings=(*findings, *crossed(run.units)),
    )


def _given(examiner: Examiner) -> Examiner:
    return examiner
