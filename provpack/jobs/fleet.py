"""Check many units, by whatever crew there is: threads here, processes here, the workers of a cluster.

Whoever checks, the custody ledgers are asked here, results are recorded from the caller's thread as they
come, and the run keeps the order of the units it was given.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Protocol

from provpack.edge.pace import within
from provpack.edge.reading import cores
from provpack.jobs.crewprocesses import ProcessCrew
from provpack.jobs.crewthreads import ThreadCrew
from provpack.jobs.progress import Progress
from provpack.jobs.silence import Silence
from provpack.jobs.unitcheck import CheckSpec, not_checked, told_unit
from provpack.jobs.unitspacked import PackedUnits
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify_find import Found
from provpack.jobs.witness import LedgerWitness
from provpack.package import rules
from provpack.package.bagcheck import judge
from provpack.package.layout import MASTER_FOLDER

MANY = 100
"""From so many units on, processes check them sooner than threads (measured; see DEVELOPERS.md)."""

_MEASURED_AHEAD = 200
"""Up to so many packages, their sizes are added up first, so that progress knows its end."""

_MEASURING = 10.0
"""Seconds for that; a mount that does not answer must not stop the run before it began."""


class Crew(Protocol):
    """Those who check. hands(count): how many units they check at a time, out of so many.

    run gives each result once, as it is done; it takes a unit from the iterable only when somebody is free
    for it, and tells bytes read. Closing the iterator ends what is under way.
    """

    def hands(self, count: int) -> int: ...

    def run(
        self, units: Iterable[tuple[int, Found]], count: int, spec: CheckSpec, told: Callable[[int], None]
    ) -> Generator[tuple[int, UnitResult]]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetRun:
    """units: results in the order given. left: those that were not begun. Times are ISO 8601 with offset."""

    units: Sequence[UnitResult]
    left: tuple[Found, ...]
    started_at: str
    finished_at: str


def local_crew(workers: int | None = None) -> Crew:
    """Threads in this process for few units, processes for many. workers: at most, by default the
    processors there are."""
    return _LocalCrew(max(workers or cores(), 1))


def cluster_crew(address: str) -> Crew:
    """The workers of a Dask scheduler (`tcp://host:8786`). They must see the same paths."""
    from provpack.jobs.crewcluster import ClusterCrew  # seldom wanted; the start of the program is waited for

    return ClusterCrew(address)


class _LocalCrew:
    def __init__(self, workers: int) -> None:
        self._workers = workers

    def _crew(self, count: int) -> Crew:
        few = count < MANY or self._workers < 2
        return ThreadCrew(self._workers) if few else ProcessCrew(self._workers)

    def hands(self, count: int) -> int:
        return self._crew(count).hands(count)

    def run(
        self, units: Iterable[tuple[int, Found]], count: int, spec: CheckSpec, told: Callable[[int], None]
    ) -> Generator[tuple[int, UnitResult]]:
        return self._crew(count).run(units, count, spec, told)


def verify_found(
    units: Sequence[Found],
    spec: CheckSpec,
    crew: Crew,
    *,
    progress: Progress,
    clock: Callable[[], datetime],
    record: Callable[[UnitResult], None] | None = None,
    begin_more: Callable[[], bool] = lambda: True,
    witness: LedgerWitness | None = None,
    rate: float | None = None,
    in_order: bool = False,
) -> FleetRun:
    """Check every unit, begun in the order given.

    record is called with each result as it is done, from this thread (but see Silence.record); in_order: in
    the order given, each once those before it are done. begin_more is asked before a unit is handed out; once
    it says no, none is handed out any more, and those that run are finished. witness: what the custody
    ledgers say of each package. rate: bytes per second that may be read, over all workers. clock goes to the
    workers: a top-level function. What is wrong with a package, a disk or a worker is in the results; only an
    interrupt escapes, what progress, clock, begin_more or record raise, and EnvironmentProblem when no worker
    can be had at all, or the workers of a cluster are not fit.
    """
    spec = replace(spec, clock=clock)
    started = clock().isoformat()
    bags = [found for found in units if not found.findings]
    if rate:
        spec = replace(spec, rate=rate / max(crew.hands(len(bags)), 1))
    total = 0
    if spec.depth != "listed" and len(bags) <= _MEASURED_AHEAD:
        total = within(_MEASURING, lambda: sum(_bytes_in(bag, spec.depth == "meaning") for bag in bags)) or 0
    progress.begin(f"verifying {len(bags)} package{'' if len(bags) == 1 else 's'}", total)
    results, recorded, silence = PackedUnits(len(units)), 0, Silence()

    def settle(number: int, unit: UnitResult) -> None:
        nonlocal recorded
        silence.heard(unit)
        unit = unit if witness is None else _witnessed(unit, units[number], witness)
        results.put(number, unit)
        if not in_order:
            keep(number, unit)
        while in_order and recorded < len(units) and results.has(recorded):
            recorded += 1
            keep(recorded - 1, results.of(recorded - 1))

    def keep(number: int, unit: UnitResult) -> None:
        if record is not None:
            silence.record(units[number], unit, record)

    for number, found in enumerate(units):
        if found.findings:
            settle(number, told_unit(found, found.findings, spec))

    unanswered: list[int] = []

    def to_hand_out() -> Iterator[tuple[int, Found]]:
        for number, found in enumerate(units):
            if not found.findings:
                if not begin_more():
                    return
                if silence.answers(found):
                    yield number, found
                else:
                    unanswered.append(number)

    if bags:
        with closing(crew.run(to_hand_out(), len(bags), spec, progress.advance)) as run:
            for number, unit in run:
                settle(number, unit)
    for number in unanswered:
        what = "Its folder does not answer, as with others before it, so it was not begun."
        settle(number, not_checked(units[number], spec, rules.HUNG, what))
    left = tuple(f for n, f in enumerate(units) if not results.has(n))
    return FleetRun(
        units=results.close_up(),
        left=left,
        started_at=started,
        finished_at=clock().isoformat(),
    )


def _witnessed(unit: UnitResult, found: Found, witness: LedgerWitness) -> UnitResult:
    """With what the ledgers say of the package, before what was asked of it beyond being intact."""
    if unit.name is None:
        return unit
    archive = unit.serialisation is not None
    told = witness.since(found.path, unit.identity, bare=unit.bare, archive=archive, contents=unit.contents)
    if isinstance(found.path, Path):
        with suppress(ValueError):
            # In the ledger a package has its own name, whatever the archive of it is called.
            named = found.path.with_name(unit.name) if archive else found.path
            told = (*witness.judge(named, unit.identity, bare=unit.bare), *told)
    if not told:
        return unit
    asked = sum(len(one.findings) for one in unit.examined)
    own = unit.findings[: len(unit.findings) - asked]
    findings = (*own, *told, *unit.findings[len(own) :])
    return replace(unit, findings=findings, outcome=judge((*own, *told)))


def _bytes_in(found: Found, twice: bool) -> int:
    """Bytes to be read of its files, 0 when that cannot be told: only progress depends on it.

    twice: the audio is read again for its blocks.
    """
    if isinstance(found.path, str):
        return 0
    try:
        with closing(found.open()) as place:
            listing = place.listing()
    except (OSError, ValueError):
        return 0
    if listing is None:
        return 0
    masters = f"{MASTER_FOLDER}/"
    return sum(2 * e.size if twice and e.path.startswith(masters) else e.size for e in listing.entries)
