"""The check of one unit, wherever it runs: in this process, in a worker process, on a machine of a cluster.

What is to be done is a value that can be sent there; nothing but the package itself is shared.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from provpack.edge import clock as the_clock
from provpack.edge.archiveplace import ArchivePlace
from provpack.edge.pace import Idle, Pace
from provpack.edge.place import FolderPlace
from provpack.edge.schemas import validate
from provpack.edge.tree import reason
from provpack.errors import ProvpackError
from provpack.findings import Finding, Rule
from provpack.jobs.verified import Depth, Examiner, UnitResult
from provpack.jobs.verify_files import Hands, Stopped
from provpack.jobs.verify_find import Found, about
from provpack.jobs.verify_meaning import Helpers
from provpack.jobs.verify_unit import check_unit
from provpack.package import rules
from provpack.package.bagcheck import judge
from provpack.package.bagpaths import path_base64, readable

PATIENCE = 300.0
"""Seconds without a byte read after which a unit is given up, unless said otherwise."""

_LOOK = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckSpec:
    """What to check and how. Everything in it can be sent to another process.

    examiner_makers: each gives an examiner where the check runs (a functools.partial of a top-level
    function). meaning: check records against their schema and look for the record in each master, which the
    depth meaning needs. patience: seconds without a byte read after which a unit is could_not_check.
    rate: bytes per second that each worker may read. clock: a top-level function.
    """

    depth: Depth
    examiner_makers: tuple[Callable[[], Examiner], ...] = ()
    meaning: bool = False
    patience: float = PATIENCE
    rate: float | None = None
    clock: Callable[[], datetime] = the_clock.now


@dataclass(slots=True)
class Tools:
    """What one worker checks with, made where it runs. alone: no other package is being read on this
    machine, so that this one may use `workers` threads."""

    spec: CheckSpec
    helpers: Helpers
    examiners: tuple[Examiner, ...]
    pace: Pace
    workers: int = 1
    alone: Callable[[], bool] = lambda: False


def make_tools(
    spec: CheckSpec,
    *,
    workers: int = 1,
    alone: Callable[[], bool] = lambda: False,
    helpers: Helpers | None = None,
) -> Tools:
    """The tools for a spec. helpers: instead of those that the spec asks for."""
    return Tools(
        spec=spec,
        helpers=helpers or (_meaning() if spec.meaning else Helpers()),
        examiners=tuple(make() for make in spec.examiner_makers),
        pace=Pace(spec.rate),
        workers=workers,
        alone=alone,
    )


def _meaning() -> Helpers:
    from provpack.jobs.recover import record_of  # reads chunks, which a plain check need not know

    return Helpers(validate=_pairs, recover=record_of)


def _pairs(name: str, value: object) -> list[tuple[str, str]]:
    return [(violation.pointer, violation.message) for violation in validate(name, value)]


def check_here(
    found: Found,
    tools: Tools,
    told: Callable[[int], None],
    stop: threading.Event | None = None,
    at: Path | None = None,
) -> UnitResult:
    """Check one unit on this thread. at: where it lies here, when its own path is relative to elsewhere.

    told is called with bytes read, and with 0 while the pace makes it wait. Raises Stopped once stop is set,
    and what told raises; whatever else goes wrong is in the result.
    """
    spec, ended = tools.spec, stop or threading.Event()
    if found.findings:
        return told_unit(found, found.findings, spec)

    def waiting() -> None:
        if ended.is_set():
            raise Stopped
        told(0)

    def read(amount: int) -> None:
        told(amount)
        tools.pace.take(amount, waiting)

    hands = Hands(workers=tools.workers, told=read, is_alone=tools.alone, stop=ended)
    try:
        with closing(
            (type(found)(path=at, archive=found.archive) if at is not None else found).open()
        ) as place:
            if isinstance(place, FolderPlace | ArchivePlace):
                place.shown = found.shown
            return check_unit(
                place, spec.depth, hands=hands, helpers=tools.helpers, clock=spec.clock,
                examiners=tools.examiners,
            )  # fmt: skip
    except (OSError, ValueError, ProvpackError) as err:
        why = (
            err.what
            if isinstance(err, ProvpackError)
            else reason(err)
            if isinstance(err, OSError)
            else str(err)
        )
        what = "archive" if found.archive else "package"
        return not_checked(found, spec, rules.UNREADABLE, f"The {what} cannot be opened: {why.rstrip('.')}.")
    except Exception as err:  # a slip of ours must not end the others' check, nor pass as good
        what = f"The check of this package failed: {err.__class__.__name__}: {str(err)[:300]}"
        return not_checked(found, spec, rules.CHECK_FAILED, what)


def check_found(
    found: Found,
    tools: Tools,
    told: Callable[[int], None],
    stop: threading.Event | None = None,
    at: Path | None = None,
) -> UnitResult:
    """As check_here, on a thread of its own that is watched.

    When nothing was read for as long as the spec has patience, the result is could_not_check, and the thread
    is left behind: a read from a mount that does not answer cannot be ended.
    """
    ended, idle = threading.Event(), Idle()
    done: list[UnitResult | BaseException] = []
    over = threading.Event()

    def heard(amount: int) -> None:
        if ended.is_set() or (stop is not None and stop.is_set()):
            raise Stopped
        idle.reset()
        told(amount)

    def work() -> None:
        try:
            done.append(check_here(found, tools, heard, ended, at))
        except BaseException as err:  # handed to the thread that waits
            done.append(err)
        finally:
            over.set()

    threading.Thread(target=work, name="provpack-check", daemon=True).start()
    patience = tools.spec.patience
    while not over.wait(min(_LOOK, max(patience / 4, 0.01))):
        if stop is not None and stop.is_set():
            ended.set()
            raise Stopped
        if idle.look() >= patience and not over.is_set():
            ended.set()
            return hung(found, tools.spec)
    outcome = done[0]
    if isinstance(outcome, BaseException):
        raise outcome
    return outcome


def hung(found: Found, spec: CheckSpec) -> UnitResult:
    """The result for a unit of which nothing came any more."""
    what = f"Nothing could be read for {spec.patience:g} seconds, so the check was given up."
    return not_checked(found, spec, rules.HUNG, what)


def not_checked(found: Found, spec: CheckSpec, rule: Rule, what: str) -> UnitResult:
    """The result could_not_check for a unit."""
    return told_unit(found, (about(rule, what, found.path),), spec)


def told_unit(found: Found, findings: tuple[Finding, ...], spec: CheckSpec) -> UnitResult:
    """The result for a unit about which there are only these findings."""
    now, path = spec.clock().isoformat(), found.shown
    return UnitResult(
        path=readable(path),
        path_base64=path_base64(path),
        outcome=judge(findings),
        depth=spec.depth,
        started_at=now,
        finished_at=now,
        findings=findings,
    )
