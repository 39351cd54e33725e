"""What a wrap needs of the world, and what comes of it: plain values."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from provpack.edge.commit import Disk
from provpack.errors import ProvpackError, RecordProblem
from provpack.findings import Finding, worst
from provpack.jobs.deriveplan import Wanted
from provpack.jobs.loaded import LoadedJob
from provpack.jobs.progress import Progress
from provpack.jobs.signatures import Signer
from provpack.measure.fanout import RunAll
from provpack.package.bagpaths import path_base64, readable

UnitOutcome = Literal["wrapped", "planned", "refused", "failed"]


class Refusal(RecordProblem):
    """A transfer refused for what was found while its audio was read; findings has all of it."""

    def __init__(self, code: str, what: str, *, where: str, todo: str, findings: tuple[Finding, ...]) -> None:
        super().__init__(code, what, where=where, todo=todo)
        self.findings = findings


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What was asked for when the job was wrapped, beyond what its sheets say."""

    derive: Wanted | None = None
    hold_back_names: bool = False
    signer: Signer | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ports:
    """Everything of the world that wrapping needs, so that tests can hand in a world of their own."""

    disk: Disk
    now: Callable[[], datetime]
    new_id: Callable[[], str]
    run_all: RunAll
    progress: Progress
    list_names: Callable[[Path], list[str]]
    append_ledger: Callable[[Mapping[str, Any]], None]
    enter_job: Callable[[LoadedJob], object]
    """Put into the ledger what the sheets say of custody, passes and faults, as far as it is new."""
    second_opinion: Callable[[Path], list[str]]
    render_report: Callable[..., str]
    new_salt: Callable[[], bytes]
    keep_private: Callable[[str, bytes], None]
    """Write a file of that name where the studio keeps what is never delivered."""
    unsynced: Callable[[], Sequence[Path]] = tuple
    """Folders that the disk was asked to sync, and cannot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WrapUnit:
    """What came of one transfer. path is the sealed package (or where it would be); problem the error that
    stopped it, as code, what, where, todo, with the exit code it stands for."""

    transfer_id: str
    package_name: str
    outcome: UnitOutcome
    path: str = ""
    record_id: str = ""
    tagmanifest_sha512: str = ""
    payload_bytes: int = 0
    files: tuple[tuple[str, int], ...] = ()
    findings: tuple[Finding, ...] = ()
    problem: ProvpackError | None = None

    def as_json(self) -> dict[str, Any]:
        return {
            "transfer_id": self.transfer_id,
            "package_name": self.package_name,
            "outcome": self.outcome,
            "path": readable(self.path) or None,
            "path_base64": path_base64(self.path) if self.path else None,
            "record_id": self.record_id or None,
            "tagmanifest_sha512": self.tagmanifest_sha512 or None,
            "payload_bytes": self.payload_bytes,
            "files": [{"path": p, "bytes": n} for p, n in self.files],
            "findings": [f.as_json() for f in self.findings],
            "problem": self.problem.as_json() if self.problem else None,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class WrapResult:
    """The whole run: units in the order of the sheet, findings that belong to no single transfer.

    left: ids of the transfers that were not asked for.
    """

    folder: str
    job_id: str
    destination: str
    dry_run: bool
    units: tuple[WrapUnit, ...]
    findings: tuple[Finding, ...]
    left: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """The gravest: a failure's own code (environment, destination, record, input), then warnings."""
        codes = [u.problem.exit_code for u in self.units if u.problem]
        if any(u.outcome == "refused" and not u.problem for u in self.units) or (
            worst(self.findings) == "error"
        ):
            codes.append(12)
        if codes:
            return max(codes)
        everything = [*self.findings, *(f for u in self.units for f in u.findings)]
        return 1 if worst(everything) in ("error", "warning") else 0

    @property
    def outcome(self) -> str:
        if self.exit_code > 1:
            done = any(u.outcome in ("wrapped", "planned") for u in self.units)
            return "partly_done" if done else "refused"
        return "warnings" if self.exit_code else "good"

    def as_json(self) -> dict[str, Any]:
        return {
            "outcome": self.outcome,
            "job": readable(self.folder),
            "job_id": self.job_id,
            "destination": readable(self.destination),
            "dry_run": self.dry_run,
            "units": [u.as_json() for u in self.units],
            "left": list(self.left),
            "findings": [f.as_json() for f in self.findings],
        }
