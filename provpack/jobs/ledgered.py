"""Each verification goes into the custody ledger that lies beside the package, if there is one."""

from __future__ import annotations

import base64
import os
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from provpack import __version__
from provpack.edge.ledger import append, find_ledger
from provpack.errors import ProvpackError
from provpack.jobs.verified import UnitResult
from provpack.package.bagpaths import readable
from provpack.package.ledgerline import FIXITY_CHECKED, ledger_line


class LedgerKeeper:
    """Appends one line per checked unit, and remembers where it could not."""

    def __init__(self, now: Callable[[], datetime]) -> None:
        self._now = now
        self._written: dict[str, int] = {}
        self._without: list[str] = []
        self._failed: dict[str, ProvpackError] = {}

    def note(self, unit: UnitResult) -> None:
        """Append the outcome of one unit; a ledger that cannot be written never spoils the check."""
        named = unit.path_base64
        place = Path(os.fsdecode(base64.b64decode(named)) if named else unit.path)
        ledger = find_ledger(place.parent) if place.parent.is_dir() else None
        if ledger is None:
            self._without.append(unit.path)
            return
        if str(ledger) in self._failed:
            return
        counts = {s: sum(f.severity == s for f in unit.findings) for s in ("error", "warning", "note")}
        try:
            append(
                ledger,
                ledger_line(
                    FIXITY_CHECKED, at=unit.finished_at, tool_version=__version__,
                    package=unit.name or readable(place.name), tagmanifest_sha512=unit.identity,
                    outcome=unit.outcome, depth=unit.depth, findings=counts,
                ),
            )  # fmt: skip
            self._written[str(ledger)] = self._written.get(str(ledger), 0) + 1
        except ProvpackError as err:
            self._failed[str(ledger)] = err

    def summary(self) -> dict[str, object]:
        """The shape `ledgers` of schemas/result-verify.schema.json."""
        return {
            "written": [{"path": readable(path), "lines": n} for path, n in self._written.items()],
            "failed": [{"path": readable(p), "problem": e.as_json()} for p, e in self._failed.items()],
            "without_ledger": list(self._without),
        }

    def sentences(self, wanted: bool) -> list[str]:
        """For people: what was recorded where, and what was not."""
        if not wanted:
            return ["Not recorded: you asked for no ledger entry."]
        out = [
            f"Recorded in {path} ({n} {'line' if n == 1 else 'lines'})." for path, n in self._written.items()
        ]
        out += [f"NOT recorded: {why}" for why in self._failed.values()]
        if self._without:
            out.append(f"Not recorded for {len(self._without)} of them: no custody-ledger.jsonl lies beside.")
        return out
