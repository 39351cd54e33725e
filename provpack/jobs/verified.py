"""What a verification found, as values: one UnitResult per package, one VerifyResult for the run."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Literal

from provpack.findings import Finding, worst
from provpack.package.bagblocks import Damage
from provpack.package.bagcheck import Outcome

__all__ = ["Depth", "Outcome", "UnitResult", "Verdict", "VerifyResult"]

Depth = Literal["listed", "bytes", "meaning"]
Verdict = Literal["bad", "missing", "could_not_check", "warnings", "good"]

_GRAVITY: tuple[Outcome, ...] = ("bad", "missing", "could_not_check")


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitResult:
    """One package, bag, or path at which none could be checked.

    path: as given or found, readable; path_base64: its bytes where the two differ. Times are ISO 8601 with
    offset. ours: made by this program (it holds our record). payload_files and payload_bytes: what is on
    disk. bytes_read: bytes of files read for digests, second reads included. algorithms: those compared.
    identity: SHA-512 of tagmanifest-sha512.txt, which names a package, None without one.
    """

    path: str
    path_base64: str | None
    outcome: Outcome
    depth: Depth
    started_at: str
    finished_at: str
    ours: bool = False
    bag_version: str | None = None
    payload_files: int = 0
    payload_bytes: int = 0
    bytes_read: int = 0
    algorithms: tuple[str, ...] = ()
    identity: str | None = None
    findings: tuple[Finding, ...] = ()
    damage: tuple[Damage, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """The outcome, with good told apart from good with warnings."""
        return "warnings" if self.outcome == "good" and worst(self.findings) == "warning" else self.outcome

    def as_json(self) -> dict[str, object]:
        """The shape `unit` of schemas/result-verify.schema.json."""
        return {
            "path": self.path,
            "path_base64": self.path_base64,
            "outcome": self.outcome,
            "depth": self.depth,
            "started_at": self.started_at,
            "finished_at": self.finished_at,
            "ours": self.ours,
            "bag_version": self.bag_version,
            "payload_files": self.payload_files,
            "payload_bytes": self.payload_bytes,
            "bytes_read": self.bytes_read,
            "algorithms": list(self.algorithms),
            "identity": self.identity,
            "findings": [f.as_json() for f in self.findings],
            "damage": [d.as_json() for d in self.damage],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyResult:
    """A whole run. findings: what concerns no single unit (links and leftovers passed over)."""

    depth: Depth
    started_at: str
    finished_at: str
    units: tuple[UnitResult, ...]
    findings: tuple[Finding, ...] = ()

    @property
    def outcome(self) -> Outcome:
        """The gravest outcome of all units."""
        there = {unit.outcome for unit in self.units}
        return next((outcome for outcome in _GRAVITY if outcome in there), "good")

    @property
    def verdict(self) -> Verdict:
        """For the exit code: bad and missing 10, could_not_check 11, warnings 1, good 0.

        bad before could_not_check, as a batch returns its gravest result.
        """
        if self.outcome != "good":
            return self.outcome
        warned = worst(self.findings) == "warning" or any(u.verdict == "warnings" for u in self.units)
        return "warnings" if warned else "good"

    def counts(self) -> dict[str, int]:
        """Units by outcome, every outcome named."""
        counted = Counter(unit.outcome for unit in self.units)
        return {name: counted[name] for name in ("good", *_GRAVITY)}

    def as_json(self) -> dict[str, object]:
        """The result for programs; schemas/result-verify.schema.json."""
        return {
            "outcome": self.outcome,
            "verdict": self.verdict,
            "depth": self.depth,
            "started_at": self.started_at,
            "finished_at": self.finished_at,
            "counts": self.counts(),
            "units": [unit.as_json() for unit in self.units],
            "findings": [f.as_json() for f in self.findings],
        }
