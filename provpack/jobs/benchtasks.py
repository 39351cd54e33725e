"""What the bench does beside the evening: measure a pass, wrap chosen transfers, verify this job's packages.

Each is a top-level function, so that it can be sent to a process of its own (edge/background.py); each gives
plain JSON, the result of the command of that name with its exit code.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from provpack.edge.reading import cores
from provpack.errors import InputProblem
from provpack.jobs.benchmeasure import measure_pass
from provpack.jobs.crewthreads import ThreadCrew
from provpack.jobs.ledgered import LedgerKeeper
from provpack.jobs.load import load_job
from provpack.jobs.progress import Progress
from provpack.jobs.reverify import Request, reverify
from provpack.jobs.unitcheck import CheckSpec
from provpack.jobs.verified import Depth
from provpack.jobs.wrap import wrap_job
from provpack.jobs.wrapped import Ports
from provpack.package.names import package_name

__all__ = ["MakePorts", "Now", "measure_pass", "verify_of_job", "wrap_chosen"]

Now = Callable[[], datetime]
"""A top-level function that gives aware times."""

MakePorts = Callable[[Path, Progress], AbstractContextManager[Ports]]
"""A top-level function: destination and progress to the ports of a wrap."""

EXIT_CODES: Final = {
    "good": 0, "warnings": 1, "could_not_check": 11, "bad": 10, "missing": 10,
    "demands_not_checked": 11, "demands_not_met": 13,
}  # fmt: skip
"""As `provpack verify` ends."""


def wrap_chosen(
    folder: Path, destination: Path, ids: frozenset[str], make_ports: MakePorts, progress: Progress
) -> dict[str, Any]:
    """Wrap these transfers, as `provpack wrap --only` does. Raises what wrap_job raises."""
    with make_ports(destination, progress) as ports:
        result = wrap_job(folder, destination, ports, only=ids)
    return {"exit_code": result.exit_code, **result.as_json()}


def packages_of(folder: Path, destination: Path) -> dict[str, str]:
    """Names of this job's packages that lie in the destination -> the transfer each is of."""
    job = load_job(folder)
    names = {package_name(job.job_id, t.transfer_id): t.transfer_id for t in job.transfers}
    return {name: of for name, of in names.items() if (destination / name / "bagit.txt").is_file()}


def verify_of_job(
    folder: Path, destination: Path, names: frozenset[str], depth: Depth, now: Now, progress: Progress
) -> dict[str, Any]:
    """Verify packages of this job in the destination, all when none is named, and enter each result in the
    custody ledger beside them, as `provpack verify` does.

    Raises InputProblem for a name that is no package of this job there, or when there is none at all.
    """
    there = packages_of(folder, destination)
    strange = sorted(names - there.keys())
    if strange or not there:
        listed = ", ".join(f"'{name[:100]}'" for name in strange[:10])
        what = f"No package of this job there is called {listed}." if strange else "There is no package yet."
        raise InputProblem(
            "no-such-package", what, where=str(destination),
            todo="Packages of other jobs are verified with `provpack verify`." if strange else "Wrap first.",
        )  # fmt: skip
    request = Request(
        paths=tuple(destination / name for name in there if not names or name in names),
        spec=CheckSpec(depth=depth, meaning=depth == "meaning", clock=now),
    )
    keeper = LedgerKeeper()
    result, selection = reverify(
        request, ThreadCrew(cores()), progress=progress, clock=now, record=keeper.note
    )
    return {
        "exit_code": EXIT_CODES[result.verdict],
        **result.as_json(),
        "ledgers": keeper.summary(),
        "selection": selection.as_json(),
    }
