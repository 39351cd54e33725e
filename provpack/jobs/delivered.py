"""What a delivery needs of the world, and what comes of it: plain values."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from provpack.edge.commit import Disk
from provpack.errors import ProvpackError
from provpack.findings import Finding, worst
from provpack.jobs.clientprofiles import ClientProfile
from provpack.jobs.deliverycopy import Form
from provpack.jobs.progress import Progress
from provpack.jobs.signatures import Signer
from provpack.jobs.verify_meaning import Validate
from provpack.package.bagcheck import judge
from provpack.package.bagpaths import path_base64, readable
from provpack.package.ledgerchain import Chain, Witness

UnitOutcome = Literal["delivered", "not_delivered", "not_asked", "held_back"]
_EXIT = {"bad": 10, "missing": 10, "could_not_check": 11}


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What was asked for on the command line. client None: the one client of all packages.
    profile: the client's requirements."""

    form: Form = "folder"
    client: str | None = None
    name: str | None = None
    profile: ClientProfile | None = None
    signer: Signer | None = None
    note: str | None = None
    contact: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliverPorts:
    """Everything of the world that delivering needs, so that tests can hand in a world of their own.

    read_ledger: the chain of a ledger held against witnesses. append: lines to a ledger, all or none.
    """

    disk: Disk
    now: Callable[[], datetime]
    new_id: Callable[[], str]
    progress: Progress
    list_names: Callable[[Path], list[str]]
    validate: Validate
    read_ledger: Callable[[Path, Sequence[Witness]], Chain]
    append: Callable[[Path, Sequence[Mapping[str, Any]]], object]
    render_index: Callable[..., str]
    render_note: Callable[..., str]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliverUnit:
    """What came of one package found."""

    name: str
    path: Path
    outcome: UnitOutcome
    identity: str | None = None
    size: int = 0
    findings: tuple[Finding, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 when nothing stopped it; else that of what did: fixity, reading, or what was handed in."""
        if self.outcome != "not_delivered":
            return 0
        ours = any(f.rule.startswith("deliver-") and f.severity == "error" for f in self.findings)
        others = [f for f in self.findings if not f.rule.startswith("deliver-")]
        return _EXIT.get(judge(others), 12 if ours else 10)

    def as_json(self) -> dict[str, Any]:
        return {
            "name": readable(self.name),
            "path": readable(str(self.path)),
            "path_base64": path_base64(str(self.path)),
            "outcome": self.outcome,
            "tagmanifest_sha512": self.identity,
            "bytes": self.size,
            "findings": [f.as_json() for f in self.findings],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliverResult:
    """The whole run. delivery: the finished folder, None when none was made."""

    form: Form
    units: tuple[DeliverUnit, ...]
    findings: tuple[Finding, ...]
    delivery: Path | None = None
    delivery_id: str | None = None
    client: str | None = None
    note_sha512: str | None = None
    ledger_lines: int = 0
    problem: ProvpackError | None = None

    @property
    def delivered(self) -> tuple[DeliverUnit, ...]:
        return tuple(u for u in self.units if u.outcome == "delivered")

    @property
    def exit_code(self) -> int:
        """The gravest: what stopped the whole, what stopped a package, then warnings."""
        if self.problem is not None:
            return self.problem.exit_code
        stopped = max((u.exit_code for u in self.units), default=0)
        if stopped:
            return stopped
        told = [*self.findings, *(f for u in self.delivered for f in u.findings)]
        return 1 if worst(told) in ("error", "warning") else 0

    @property
    def outcome(self) -> str:
        if self.exit_code > 1:
            return "partly_done" if self.delivery is not None else "refused"
        return "warnings" if self.exit_code else "good"

    def as_json(self) -> dict[str, Any]:
        """The shape of schemas/result-deliver.schema.json."""
        return {
            "outcome": self.outcome,
            "delivery": readable(str(self.delivery)) if self.delivery else None,
            "delivery_id": self.delivery_id,
            "client": self.client,
            "form": self.form,
            "delivery_note_sha512": self.note_sha512,
            "ledger_lines": self.ledger_lines,
            "bytes": sum(u.size for u in self.delivered),
            "units": [u.as_json() for u in self.units],
            "findings": [f.as_json() for f in self.findings],
            "problem": self.problem.as_json() if self.problem else None,
        }
