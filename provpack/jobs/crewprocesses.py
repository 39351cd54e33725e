"""The crew of worker processes on this machine: for many units, one at a time in each."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from contextlib import closing
from functools import partial

from provpack.edge.reading import cores
from provpack.edge.workerpool import Lost, WorkerPool
from provpack.jobs.unitcheck import CheckSpec, check_here, hung, make_tools, not_checked
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify_find import Found
from provpack.package import rules

Told = Callable[[int], None]


class ProcessCrew:
    """workers: processes at most."""

    def __init__(self, workers: int) -> None:
        self._workers = workers

    def hands(self, count: int) -> int:
        return max(min(self._workers, count), 1)

    def run(
        self, units: Iterable[tuple[int, Found]], count: int, spec: CheckSpec, told: Told
    ) -> Generator[tuple[int, UnitResult]]:
        pool: WorkerPool[Found, UnitResult] = WorkerPool(
            partial(_worker, spec), self.hands(count), spec.patience
        )
        with closing(pool.run(units, count, told)) as results:
            for number, found, result in results:
                yield number, _ended(found, result, spec) if isinstance(result, Lost) else result


def _worker(spec: CheckSpec, alone: Callable[[], bool]) -> Callable[[Found, Told], UnitResult]:
    """What a worker process does with each unit; made there."""
    tools = make_tools(spec, workers=cores(), alone=alone)
    return lambda found, told: check_here(found, tools, told)


def _ended(found: Found, lost: Lost, spec: CheckSpec) -> UnitResult:
    if lost.hung:
        return hung(found, spec)
    if lost.kind == "failed":
        what = f"The check of this package failed: {lost.why}."
        return not_checked(found, spec, rules.CHECK_FAILED, what)
    if lost.kind == "nobody":
        return not_checked(found, spec, rules.WORKER_LOST, f"It was not checked: {lost.why}.")
    what = f"The process that checked it ended before it was done: {lost.why}."
    return not_checked(found, spec, rules.WORKER_LOST, what)
