"""Two threads for work that lets go of the interpreter lock (digests, numpy, reads and writes)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

from provpack.measure.fanout import RunAll, Task


@contextmanager
def crew(size: int = 2) -> Iterator[RunAll]:
    """A scheduler for Fanout: runs the tasks it is given, in order of start, on `size` threads, and
    returns when all have ended. The first exception is raised after the others have ended."""
    with ThreadPoolExecutor(max_workers=size, thread_name_prefix="provpack") as pool:

        def run_all(tasks: Sequence[Task]) -> None:
            futures = [pool.submit(task) for task in tasks]
            first: BaseException | None = None
            for future in futures:
                err = future.exception()
                first = first or err
            if first is not None:
                raise first

        yield run_all
