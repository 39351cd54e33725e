"""What runs in the background of the bench: begun, watched, stopped, and what came of it.

Every work has a process of its own that steps back behind everything else, so that what is logged meanwhile
is on disk at once. When the server is killed its processes end; files are only ever read, and a package
stands under its final name whole or not at all (jobs/wrap).
"""

from __future__ import annotations

import functools
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from provpack.edge.background import GRACE, Background, Ended, Work
from provpack.errors import ProvpackError, UsageProblem
from provpack.jobs.benchfiles import FileWatch
from provpack.jobs.benchmeasure import file_state, measured_before
from provpack.jobs.benchtasks import MakePorts, Now, measure_pass, verify_of_job, wrap_chosen
from provpack.jobs.verified import Depth
from provpack.package.benchmatch import FileSeen

Kind = Literal["measure", "wrap", "verify"]
State = Literal["running", "done", "failed"]

AT_ONCE: Final[Mapping[str, int]] = {"measure": 2, "wrap": 1, "verify": 1}
"""So many of each kind run side by side; the others wait for their turn."""

REMEMBERED: Final = 100
"""Works that are over and still shown."""

WAITS: Final = "It waits for its turn."


@dataclass(slots=True, kw_only=True)
class _One:
    work: str
    kind: Kind
    args: Mapping[str, Any]
    task: Work
    label: str
    done: int = 0
    total: int = 0
    state: State = "running"
    words: str = WAITS
    result: Mapping[str, Any] | None = None
    problem: Mapping[str, str] | None = None
    run: Background | None = None
    stopped: bool = False

    def plain(self) -> dict[str, Any]:
        return {
            "work": self.work, "kind": self.kind, **self.args, "label": self.label, "done": self.done,
            "total": self.total, "state": self.state, "words": self.words, "result": self.result,
            "problem": self.problem,
        }  # fmt: skip


@dataclass(slots=True)
class _Kept:
    """Measurements by name, with the state of the file they are of; None where there are none."""

    state: tuple[int, int] = (0, 0)
    found: Mapping[str, Any] | None = None


class Works:
    """The works of one bench; safe in threads, and no call waits for a work.

    now and make_ports are top-level functions: they are sent to the processes. changed is called, from any
    thread, whenever a work has something new to tell.
    """

    def __init__(
        self,
        folder: Path,
        destination: Path,
        *,
        now: Now,
        make_ports: MakePorts,
        changed: Callable[[], None] = lambda: None,
        watch: FileWatch | None = None,
    ) -> None:
        self._folder, self._destination = folder, destination
        self._now, self._make_ports, self._changed = now, make_ports, changed
        self._watch = watch or FileWatch(folder)
        self._works: dict[str, _One] = {}
        self._kept: dict[str, _Kept] = {}
        self._count = 0
        self._closed = False
        self._lock = threading.RLock()

    # --- what can be asked for ---

    def measure(self, transfer_id: str, number: int) -> str:
        """Measure the file of a pass; the id of the work."""
        task = functools.partial(measure_pass, self._folder, transfer_id, number, self._now)
        args = {"transfer_id": transfer_id, "pass": number}
        return self._begin("measure", args, task, f"measuring {transfer_id}, pass {number}")

    def wrap(self, ids: tuple[str, ...]) -> str:
        """Wrap these transfers. Raises UsageProblem when none is named."""
        if not ids:
            raise UsageProblem(
                "nothing-chosen", "No transfer was chosen, so nothing is wrapped.", where="wrap",
                todo="Choose at least one.",
            )  # fmt: skip
        chosen = tuple(dict.fromkeys(ids))
        task = functools.partial(
            wrap_chosen, self._folder, self._destination, frozenset(chosen), self._make_ports
        )
        return self._begin("wrap", {"ids": list(chosen)}, task, f"wrapping {', '.join(chosen)}")

    def verify(self, names: tuple[str, ...] = (), depth: Depth = "bytes") -> str:
        """Verify these packages of the job, all of them when none is named."""
        task = functools.partial(
            verify_of_job, self._folder, self._destination, frozenset(names), depth, self._now
        )
        what = ", ".join(names) if names else "all packages of this job"
        return self._begin("verify", {"names": list(names), "depth": depth}, task, f"verifying {what}")

    def start(self, kind: Kind, args: Mapping[str, Any]) -> str:
        """The same by name: measure{transfer_id, pass}, wrap{ids}, verify{names, depth}."""
        if kind == "measure":
            return self.measure(str(args["transfer_id"]), int(args["pass"]))
        if kind == "wrap":
            return self.wrap(tuple(args["ids"]))
        return self.verify(tuple(args.get("names", ())), args.get("depth", "bytes"))

    def stop(self, work: str) -> bool:
        """Stop a work: at once when it waits, soon when it runs. False when there is none that could be."""
        with self._lock:
            one = self._works.get(work)
            if one is None or one.state != "running":
                return False
            one.stopped = True
            if one.run is not None:
                one.words = "It is being stopped."
                one.run.stop()
            else:
                self._settle(one, Ended(how="stopped"))
        self._changed()
        return True

    def snapshot(self) -> tuple[dict[str, Any], ...]:
        """Every work that is known, in the order they were asked for."""
        with self._lock:
            return tuple(one.plain() for one in self._works.values())

    def all(self) -> Mapping[str, Mapping[str, Any]]:
        """The same by id."""
        return {one["work"]: one for one in self.snapshot()}

    # --- files ---

    def files(self) -> tuple[FileSeen, ...]:
        """Audio files of the job folder as of the last look; `stable` says which have settled."""
        return self._watch.files

    def look(self) -> bool:
        """Look at the job folder anew; True when something changed. Raises InputProblem when it is gone."""
        before = self._watch.files
        return self._watch.look() != before

    def measured(self, name: str) -> Mapping[str, Any] | None:
        """What was measured in a file as it is now (jobs/benchmeasure.measured_before)."""
        state = file_state(self._folder / name)
        if state is None:
            return None
        with self._lock:
            kept = self._kept.get(name)
        if kept is not None and kept.state == state and kept.found is not None:
            return kept.found
        found = measured_before(self._folder, name)
        with self._lock:
            self._kept[name] = _Kept(state=state, found=found)
        return found

    def close(self, seconds: float = GRACE + 3) -> None:
        """Stop everything that runs, and see it end, or wait no longer than so many seconds."""
        with self._lock:
            self._closed = True
            runs = [one.run for one in self._works.values() if one.state == "running" and one.run]
            for run in runs:
                run.stop()
        until = time.monotonic() + seconds
        for run in runs:
            run.wait(max(until - time.monotonic(), 0))

    # --- how it goes ---

    def _begin(self, kind: Kind, args: Mapping[str, Any], task: Work, label: str) -> str:
        with self._lock:
            for one in self._works.values():
                if one.state == "running" and not one.stopped and (one.kind, one.args) == (kind, args):
                    return one.work  # asked for twice: one is enough
            self._count += 1
            name = f"w{self._count}"
            self._works[name] = _One(work=name, kind=kind, args=args, task=task, label=label)
            self._forget()
            self._pump()
        self._changed()
        return name

    def _forget(self) -> None:
        over = [name for name, one in self._works.items() if one.state != "running"]
        for name in over[: max(len(over) - REMEMBERED, 0)]:
            del self._works[name]

    def _pump(self) -> None:
        """Begin what waits, as far as there is room. The lock is held."""
        for one in list(self._works.values()):
            busy = sum(o.run is not None and o.state == "running" and o.kind == one.kind
                       for o in self._works.values())  # fmt: skip
            if one.state != "running" or one.run is not None or busy >= AT_ONCE[one.kind] or self._closed:
                continue
            try:
                one.words = one.label
                one.run = Background(
                    one.task,
                    told=functools.partial(self._told, one),
                    over=functools.partial(self._over, one),
                )
            except ProvpackError as problem:
                self._settle(one, Ended(how="failed", problem=problem))

    def _told(self, one: _One, label: str, done: int, total: int) -> None:
        with self._lock:
            one.label, one.done, one.total = label, done, total
            if not one.stopped:
                one.words = label
        self._changed()

    def _over(self, one: _One, ended: Ended) -> None:
        with self._lock:
            self._settle(one, ended)
            self._pump()
        self._changed()

    def _settle(self, one: _One, ended: Ended) -> None:
        if ended.how == "done":
            one.state, one.result, one.words = "done", ended.result, _words(one.kind, ended.result)
            one.done = one.total = max(one.total, one.done)
            return
        one.state = "failed"
        one.words = "It was stopped." if ended.how == "stopped" else "It failed."
        if ended.problem is not None and ended.how == "failed":
            one.problem = ended.problem.as_json()
            one.words = f"{ended.problem.what} {ended.problem.todo}"


def _words(kind: Kind, result: Mapping[str, Any]) -> str:
    """What came of a work, for people."""
    if kind == "measure":
        found = result["findings"]
        grave = sum(f["severity"] == "error" for f in found)
        mild = sum(f["severity"] == "warning" for f in found)
        said = [_many(grave, "error"), _many(mild, "warning")]
        return (
            f"Measured {result['file']}: " + (", ".join(s for s in said if s) or "nothing to object to") + "."
        )
    units = result["units"]
    if kind == "wrap":
        made = sum(u["outcome"] == "wrapped" for u in units)
        left = [u["transfer_id"] for u in units if u["outcome"] != "wrapped"]
        return f"{made} of {len(units)} wrapped." + (f" Not wrapped: {', '.join(left)}." if left else "")
    counted = [f"{n} {outcome.replace('_', ' ')}" for outcome, n in result["counts"].items() if n]
    return f"Verified: {', '.join(counted)}."


def _many(count: int, what: str) -> str:
    return "" if not count else f"{count} {what}{'' if count == 1 else 's'}"
