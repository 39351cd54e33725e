"""Two threads for work that lets go of the interpreter lock (digests, numpy, reads and writes)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager

from provpack.measure.fanout import RunAll, Task


@contextmanager
def crew(size: int = 2) -> Iterator[RunAll]:
    """A scheduler for Fanout: runs the tasks it is given, in order of start, on `size` threads, and
    returns when all have ended. The first exception is raised after the others have ended."""
    with ThreadPoolExecutor(max_workers=size, thread_name_prefix="provpack") as pool:

        def run_all(tasks: Sequence[Task]) -> None:
            futures = [pool.submit(task) for task in tasks]
            try:
                errors = [future.exception() for future in futures]
            finally:
                # an interrupt must not close files under a task that still writes to them
                wait(futures)
            for err in errors:
                if err is not None:
                    raise err

        yield run_all
