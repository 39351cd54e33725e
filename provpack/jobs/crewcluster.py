"""The crew of a cluster: workers elsewhere that see the same storage at the same paths."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import closing
from functools import partial
from pathlib import Path

from provpack.edge.clock import new_id
from provpack.edge.cluster import Cluster
from provpack.edge.landmarks import Landmarks, differing, landmarks
from provpack.edge.pace import within
from provpack.edge.workerpool import Lost
from provpack.jobs.unitcheck import CheckSpec, Tools, check_found, hung, make_tools, not_checked
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify_find import Found
from provpack.package import rules
from provpack.package.bagpaths import readable

Sent = tuple[Found, str | None, Landmarks | None]
"""A unit; its absolute path unless it has an address; what is to be seen there from here, None when that
cannot be told."""

_ANSWER = 10.0
"""Seconds within which the storage must say here what lies at a path; else it is not compared."""


class ClusterCrew:
    """address: of a Dask scheduler. Nothing is connected before there is something to do."""

    def __init__(self, address: str) -> None:
        self._cluster = Cluster(address)

    def hands(self, count: int) -> int:
        """Units checked at a time. Raises EnvironmentProblem."""
        return max(min(self._cluster.threads(), count), 1)

    def run(
        self, units: Iterable[tuple[int, Found]], count: int, spec: CheckSpec, told: Callable[[int], None]
    ) -> Generator[tuple[int, UnitResult]]:
        work = partial(check_on_worker, new_id(), spec)
        with closing(self._cluster.run(work, _sent(units), spec.patience)) as results:
            for number, (found, *_), result in results:
                if isinstance(result, Lost):
                    yield number, _ended(found, result, spec)
                else:
                    told(result.bytes_read)
                    yield number, result


def _sent(units: Iterable[tuple[int, Found]]) -> Iterator[tuple[int, Sent]]:
    for number, found in units:
        yield number, (found, _absolute(found.path), _seen_here(found.path))


def _seen_here(path: Path | str) -> Landmarks | None:
    return None if isinstance(path, str) else within(_ANSWER, lambda: _marks(path))


def _marks(path: Path) -> Landmarks | None:
    try:
        return landmarks(path)
    except (OSError, ValueError):
        return None


def _absolute(path: Path | str) -> str | None:
    if isinstance(path, str):
        return None
    return str(path.resolve() if path.name in ("", ".", "..") else path.absolute())


_MINE = threading.local()


def check_on_worker(run: str, spec: CheckSpec, sent: Sent, worker: str) -> UnitResult:
    """Check one unit on a worker of a cluster. run: names the run, whose units share one pace per thread.
    worker: what this one is called.

    What lies at the path there is checked only when it is what was seen by whoever sent it: an empty mount
    point, or another tree, says nothing of the package.
    """
    found, place, here = sent
    if place is not None:
        other = within(spec.patience, lambda: _not_seen(Path(place), here))
        if other is None:
            return hung(found, spec)
        if other:
            return not_checked(found, spec, rules.NOT_SEEN, f"{other} on {readable(worker)}.")
    return check_found(found, _tools(run, spec), lambda _amount: None, at=Path(place) if place else None)


def _not_seen(place: Path, here: Landmarks | None) -> str:
    """Why what was sent is not to be seen at this path; "" when it is, or when nothing is known of it."""
    shown = readable(str(place))
    if not os.path.lexists(place):
        return f"There is nothing at {shown}"
    there = None if here is None else _marks(place)
    if here is None or there is None:
        return ""
    other = differing(here, there)
    gone = [name for name in other if name not in there]
    if other and len(gone) == len(here):
        return f"There is nothing of the package at {shown}: no {readable(', no '.join(gone))}"
    compared = readable(", ".join(other))
    return f"Something else than here lies at {shown} (compared: {compared})" if other else ""


def _tools(run: str, spec: CheckSpec) -> Tools:
    made: tuple[str, Tools] | None = getattr(_MINE, "made", None)
    if made is None or made[0] != run:
        made = _MINE.made = (run, make_tools(spec))
    return made[1]


def _ended(found: Found, lost: Lost, spec: CheckSpec) -> UnitResult:
    if lost.kind == "died":
        what = f"It was not checked to the end: {lost.why}."
        return not_checked(found, spec, rules.WORKER_LOST, what)
    return not_checked(found, spec, rules.CLUSTER_LOST, f"No result came: {lost.why}.")
