"""Read many packages: here when they are few, in worker processes when they are many."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial

from provpack.catalogue.values import Package
from provpack.edge.reading import cores
from provpack.edge.workerpool import Lost, WorkerPool
from provpack.jobs.harvestfind import Task, read_task, unread

Register = Mapping[str, object] | None
Batch = tuple[Task, ...]

WORTH_WORKERS = 100
"""Packages from which on the start of processes (about half a second) pays."""
BATCH = 16
PATIENCE = 300.0
"""Seconds without a word after which a batch is given up: a mount that hangs."""


def read_all(tasks: Sequence[Task], register: Register, workers: int | None = None) -> Iterator[Package]:
    """Every package, in any order. One whose reading ended a worker process, or never ended, is told with
    its `problem`. workers: processes, 1 = none but this one; None = as many as there are processors."""
    size = cores() if workers is None else workers
    if size < 2 or len(tasks) < WORTH_WORKERS:
        for task in tasks:
            yield read_task(task, register)
        return
    lost: list[Task] = []
    for batch, packages in _pooled(tasks, BATCH, register, size):
        if isinstance(packages, Lost):
            lost += batch
        else:
            yield from packages
    for batch, packages in _pooled(lost, 1, register, size):
        if isinstance(packages, Lost):
            why = f"Reading it never ended: {packages.why}." if packages.hung else (
                f"Reading it ended the process: {packages.why}."
            )  # fmt: skip
            yield unread(batch[0], why)
        else:
            yield from packages


def _pooled(
    tasks: Sequence[Task], width: int, register: Register, size: int
) -> Iterator[tuple[Batch, list[Package] | Lost]]:
    batches = [tuple(tasks[at : at + width]) for at in range(0, len(tasks), width)]
    if not batches:
        return
    pool: WorkerPool[Batch, list[Package]] = WorkerPool(partial(_reader, register), size, PATIENCE)
    for _, batch, result in pool.run(enumerate(batches), len(batches), _nothing):
        yield batch, result


def _reader(
    register: Register, alone: Callable[[], bool]
) -> Callable[[Batch, Callable[[int], None]], list[Package]]:
    """What a worker does; made in the worker."""

    def read(batch: Batch, told: Callable[[int], None]) -> list[Package]:
        out = []
        for task in batch:
            out.append(read_task(task, register))
            told(1)
        return out

    return read


def _nothing(amount: int) -> None:
    """Packages are counted when they arrive."""
