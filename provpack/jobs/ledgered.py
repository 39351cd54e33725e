"""Each verification goes into the custody ledger that lies beside the package, if there is one, else into the
one named for packages that have none beside them.

Every line is appended and synced as its package is finished: what a killed run got to is known to the next.
"""

from __future__ import annotations

import base64
import os
from pathlib import Path

from provpack import __version__
from provpack.edge.ledger import append, find_ledger, unfit_ledger
from provpack.edge.remoteaddress import is_address, shown_address
from provpack.errors import EnvironmentProblem, ProvpackError
from provpack.findings import Finding
from provpack.jobs.verified import UnitResult
from provpack.package.bagpaths import position, readable
from provpack.package.ledgerline import FIXITY_CHECKED, ledger_line
from provpack.package.rules import LEDGER_LINK, NOT_RECORDED


class LedgerKeeper:
    """Appends one line per checked unit, and remembers where it could not.

    elsewhere: the ledger for packages with none beside them; made when it is not there.
    """

    def __init__(self, elsewhere: Path | None = None) -> None:
        self._elsewhere = elsewhere
        self._written: dict[str, int] = {}
        self._without: list[str] = []
        self._failed: dict[str, ProvpackError] = {}
        self._lost: dict[str, int] = {}

    def note(self, unit: UnitResult) -> None:
        """Append the outcome of one unit; a ledger that cannot be written never spoils the check."""
        ledger, package, place, seen_path = self._line_for(unit)
        if ledger is None and not self._unfit(unit):
            self._without.append(unit.path)
        if ledger is None:
            return
        if str(ledger) in self._failed:
            self._lost[str(ledger)] += 1
            return
        counts = {s: sum(f.severity == s for f in unit.findings) for s in ("error", "warning", "note")}
        try:
            append(
                ledger,
                ledger_line(
                    FIXITY_CHECKED, at=unit.finished_at, tool_version=__version__, package=package,
                    tagmanifest_sha512=unit.identity, outcome=unit.outcome, depth=unit.depth,
                    findings=counts, place=place, seen_path=seen_path,
                    manifests_sha512=unit.contents if unit.bare else None,
                ),
            )  # fmt: skip
            self._written[str(ledger)] = self._written.get(str(ledger), 0) + 1
        except ProvpackError as err:
            self._failed[str(ledger)] = err
            self._lost[str(ledger)] = 1

    def _line_for(self, unit: UnitResult) -> tuple[Path | None, str, str | None, str | None]:
        """Ledger, name of the package, and its path: as its place, or as where it was seen when it is a
        folder directly beside that ledger."""
        if is_address(unit.path):
            address = shown_address(unit.path).rstrip("/")
            return self._elsewhere, unit.name or address.rpartition("/")[2], address, None
        path = _path_of(unit)
        name = unit.name or readable(path.name)
        try:
            whole = path.resolve()
            if unit.name is None or any(f.rule == LEDGER_LINK.id for f in unit.findings):
                # Of what a link leads to nothing was told: the line is about what was to stand there.
                whole = path.parent.resolve() / path.name if path.name not in ("", "..") else whole
                name = readable(whole.name)
            ledger = find_ledger(whole.parent) if whole.parent.is_dir() else None
            beside = ledger is not None and ledger.parent == whole.parent
            folder = unit.serialisation is None and not whole.is_file()
        except (OSError, ValueError, RuntimeError):
            return None, name, None, None
        if beside and folder:
            return ledger, readable(whole.name), None, readable(str(whole))
        return ledger or self._elsewhere, name, readable(str(whole)), None

    def _unfit(self, unit: UnitResult) -> bool:
        """Whether something that is no ledger has its name beside the unit: then it is not recorded."""
        if is_address(unit.path):
            return False
        try:
            folder = _path_of(unit).resolve().parent
            unfit = unfit_ledger(folder) if folder.is_dir() else None
        except (OSError, ValueError, RuntimeError):
            return False
        if unfit is None:
            return False
        path, kind = str(unfit[0]), unfit[1]
        self._failed.setdefault(
            path,
            EnvironmentProblem(
                "no-ledger-file",
                f"A {kind} has the name of the ledger, and nothing is written through it.",
                where=readable(path),
                todo="Put the ledger itself there, or name it: --ledger FILE.",
            ),
        )
        self._lost[path] = self._lost.get(path, 0) + 1
        return True

    def findings(self) -> list[Finding]:
        """Ledgers that did not take what they should have: they do not know of these checks."""
        out = []
        for path, err in self._failed.items():
            shown, many = readable(path), self._lost[path]
            what = f"{many} {'check is' if many == 1 else 'checks are'} NOT recorded: {err.what}"
            out.append(NOT_RECORDED.found(what, shown, todo=err.todo, position=position(shown)))
        return out

    def ledgers(self) -> tuple[Path, ...]:
        """Those that got lines."""
        return tuple(Path(path) for path in self._written)

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
            out.append(
                f"Not recorded for {len(self._without)} of them: no custody-ledger.jsonl lies beside. "
                "--ledger FILE names one for them."
            )
        return out


def _path_of(unit: UnitResult) -> Path:
    named = unit.path_base64
    return Path(os.fsdecode(base64.b64decode(named)) if named else unit.path)
