"""Storage that does not answer: a run over it must end all the same, and end soon.

A look at a dead mount can hang for ever, in this process too, so every look here has a time limit.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from provpack.edge.pace import within
from provpack.jobs.unitcheck import PATIENCE
from provpack.jobs.verified import UnitResult
from provpack.jobs.verify_find import Found, about
from provpack.package import rules

_ANSWER = 10.0
"""Seconds within which a path must answer once a package has hung."""

_AGAIN = 60.0
"""Seconds after which a folder that did not answer is asked again."""


class Silence:
    """What of the storage does not answer.

    Only after a package has hung is anything asked; then each path, before a worker is given it. A folder
    that did not answer is taken to be dead for a while: ten thousand packages in it shall not cost the
    patience for each.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._suspicious = False
        self._dead: dict[Path, float] = {}
        self._unrecorded: set[Path] = set()

    def heard(self, unit: UnitResult) -> None:
        """A result came."""
        self._suspicious = self._suspicious or _was_hung(unit)

    def answers(self, found: Found) -> bool:
        """Whether a worker may be given this."""
        if not self._suspicious or isinstance(found.path, str):
            return True
        folder, now = found.path.parent, self._clock()
        if folder in self._dead and now - self._dead[folder] < _AGAIN:
            return False
        if answers(found.path, _ANSWER):
            self._dead.pop(folder, None)
            return True
        self._dead[folder] = self._clock()
        return False

    def record(self, found: Found, unit: UnitResult, record: Callable[[UnitResult], None]) -> None:
        """Record a result. The ledger of one that hung may lie on the same dead mount: then it is tried on
        another thread, for a limited time, and not again for that folder. The others must be recorded still.
        """
        if not _was_hung(unit) or isinstance(found.path, str):
            record(unit)
            return

        def recorded() -> bool:
            record(unit)
            return True

        folder = found.path.parent
        if folder not in self._unrecorded and not within(_ANSWER, recorded):
            self._unrecorded.add(folder)


def _was_hung(unit: UnitResult) -> bool:
    """Whether it was given up because nothing could be read any more."""
    return any(finding.rule == rules.HUNG.id for finding in unit.findings)


def answers(path: Path, seconds: float) -> bool:
    """Whether anything at all, be it an error, can be learnt of a path within so many seconds."""
    return within(seconds, lambda: _look(path)) is not None


def _look(path: Path) -> bool:
    try:
        os.lstat(path)
    except (OSError, ValueError):
        return False
    return True


def silent_apart(
    paths: Sequence[Path | str], seconds: float = PATIENCE
) -> tuple[list[Path | str], list[Found]]:
    """(paths that answer, and addresses; what is to be told of those that do not), to be asked before
    anything is looked for beneath them."""
    there: list[Path | str] = []
    silent: list[Found] = []
    for path in paths:
        if isinstance(path, str) or answers(path, seconds):
            there.append(path)
        else:
            what = f"The path did not answer within {seconds:g} seconds."
            silent.append(Found(path=path, findings=(about(rules.HUNG, what, path),)))
    return there, silent
