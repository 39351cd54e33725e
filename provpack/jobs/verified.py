"""What a verification found, as values: one UnitResult per package, one VerifyResult for the run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, Protocol, runtime_checkable

from provpack.errors import ProvpackError
from provpack.findings import Finding
from provpack.model.recordrules import judge_identities
from provpack.package.bagblocks import Damage
from provpack.package.bagcheck import Outcome
from provpack.package.rules import PAGE_NOT_WRITTEN

__all__ = [
    "Depth",
    "Examined",
    "Examiner",
    "Outcome",
    "Tallied",
    "Tally",
    "UnitResult",
    "UnitView",
    "Verdict",
    "VerifyResult",
    "page_not_written",
    "worst_demands",
]

Depth = Literal["listed", "bytes", "meaning"]
Verdict = Literal[
    "bad", "missing", "could_not_check", "demands_not_met", "demands_not_checked", "warnings", "good"
]

_GRAVITY: tuple[Outcome, ...] = ("bad", "missing", "could_not_check")
_DEMANDS = ("not_met", "could_not_check", "met", "not_asked")


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitView:
    """What an examiner may ask of a bag that was just checked.

    name: base directory of the bag (inside the archive, if it is one). serialisation: media type of the
    archive, `application/x-tar` or `application/zip`; None for a folder. version: as declared, "1.0", None
    when it cannot be read. bag_info: labels and values in file order, () when there is none. Algorithms are
    normalised ("sha512"), as the manifests' names say. files: every regular file, path from the bag's base
    directory -> bytes. read(path, limit) gives the whole of a file of at most limit bytes, and raises
    CouldNotCheck.
    """

    name: str
    serialisation: str | None
    version: str | None
    bag_info: tuple[tuple[str, str], ...]
    has_bag_info: bool
    payload_algorithms: tuple[str, ...]
    tag_algorithms: tuple[str, ...]
    has_fetch: bool
    files: Mapping[str, int]
    read: Callable[[str, int], bytes]


@dataclass(frozen=True, slots=True, kw_only=True)
class Examined:
    """What an examiner says of a bag, beyond its being intact.

    topic: `signature`, `profile`. state: one word (signature_state, or demands_state, of
    schemas/fields.schema.json). demands: whether what was asked of the bag is met (demands_state). facts:
    details for programs, as JSON. findings never change the outcome of the check.
    """

    topic: str
    state: str
    demands: str = "not_asked"
    facts: Mapping[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def as_json(self) -> dict[str, object]:
        """The shape `examined` of a unit in schemas/result-verify.schema.json."""
        return {"state": self.state, "demands": self.demands, "facts": dict(self.facts)}


Examiner = Callable[[UnitView], Examined]


def worst_demands(demands: Iterable[str]) -> str:
    """The gravest of these words of demands_state; not_asked when there are none."""
    there = set(demands)
    return next((word for word in _DEMANDS if word in there), "not_asked")


def crossed(units: Iterable[UnitResult]) -> tuple[Finding, ...]:
    """What only several packages together can show: one record_id that stands for two audios."""
    return tuple(judge_identities((u.path, *u.essence) for u in units if u.essence is not None))


def _verdict(outcome: Outcome, demands: str, findings: Iterable[Finding]) -> Verdict:
    if outcome != "good":
        return outcome
    if demands == "not_met":
        return "demands_not_met"
    if demands == "could_not_check":
        return "demands_not_checked"
    # An examiner's error with nothing demanded is still worth a look.
    return "warnings" if any(f.severity != "note" for f in findings) else "good"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitResult:
    """One package, bag, or path at which none could be checked.

    path: as given or found, readable; path_base64: its bytes where the two differ. Times are ISO 8601 with
    offset. ours: made by this program (it holds our record). payload_files and payload_bytes: what is on
    disk. bytes_read: bytes of files read for digests, second reads included. algorithms: those compared.
    identity: SHA-512 of tagmanifest-sha512.txt, which names a package, None without one.
    name: base directory of the bag, None when there is none. serialisation: media type of the archive it
    was read from, None for a folder. examined: what was asked of it beyond being intact. bare: it was looked
    through and has no tagmanifest-sha512.txt. contents: what manifests_sha512 says of its payload manifests.
    essence: record_id and audio_sha256 of its record, where that was read.
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
    name: str | None = None
    serialisation: str | None = None
    examined: tuple[Examined, ...] = ()
    bare: bool = False
    contents: str | None = None
    essence: tuple[str, str | None] | None = None

    @property
    def demands(self) -> str:
        """Whether what was asked of it beyond being intact is met; a word of demands_state."""
        return worst_demands(one.demands for one in self.examined)

    @property
    def is_notable(self) -> bool:
        """Whether there is anything to say of it but that it is good, as asked, and notes."""
        return self.verdict != "good"

    @property
    def verdict(self) -> Verdict:
        """The outcome, with good told apart from good with warnings, and from good but not as asked."""
        return _verdict(self.outcome, self.demands, self.findings)

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
            "name": self.name,
            "serialisation": self.serialisation,
            "demands": self.demands,
            "examined": {one.topic: one.as_json() for one in self.examined},
        }


@dataclass(slots=True)
class Tally:
    """What units amount to, counted as they come, so that nobody has to look at each of very many again.

    outcomes, demands: word -> how many units. warned: units with a finding that is more than a note.
    bytes_read: of all of them together.
    """

    outcomes: Counter[str] = field(default_factory=Counter)
    demands: Counter[str] = field(default_factory=Counter)
    warned: int = 0
    bytes_read: int = 0

    def add(self, unit: UnitResult) -> None:
        """Count one more."""
        self.outcomes[unit.outcome] += 1
        self.demands[unit.demands] += 1
        self.warned += any(f.severity != "note" for f in unit.findings)
        self.bytes_read += unit.bytes_read


@runtime_checkable
class Tallied(Protocol):
    """Units that were counted as they came, and know which of them are notable."""

    @property
    def tally(self) -> Tally: ...
    def notable(self) -> Iterator[UnitResult]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyResult:
    """A whole run. findings: what concerns no single unit (links and leftovers passed over)."""

    depth: Depth
    started_at: str
    finished_at: str
    units: Sequence[UnitResult]
    findings: tuple[Finding, ...] = ()

    @property
    def tally(self) -> Tally:
        """What the units amount to."""
        if isinstance(self.units, Tallied):
            return self.units.tally
        out = Tally()
        for unit in self.units:
            out.add(unit)
        return out

    def notable(self) -> Iterator[UnitResult]:
        """The units of which there is more to say than that they are good."""
        if isinstance(self.units, Tallied):
            return self.units.notable()
        return (unit for unit in self.units if unit.is_notable)

    @property
    def outcome(self) -> Outcome:
        """The gravest outcome of all units."""
        there = self.tally.outcomes
        return next((outcome for outcome in _GRAVITY if there[outcome]), "good")

    @property
    def demands(self) -> str:
        """The gravest of all units; a word of demands_state."""
        return worst_demands(self.tally.demands)

    @property
    def verdict(self) -> Verdict:
        """For the exit code: bad and missing 10, could_not_check 11, demands_not_met 13,
        demands_not_checked 11, warnings 1, good 0.

        bad before could_not_check, as a batch returns its gravest result; fixity before demands.
        """
        verdict = _verdict(self.outcome, self.demands, self.findings)
        return "warnings" if verdict == "good" and self.tally.warned else verdict

    def counts(self) -> dict[str, int]:
        """Units by outcome, every outcome named."""
        counted = self.tally.outcomes
        return {name: counted[name] for name in ("good", *_GRAVITY)}

    def as_json(self) -> dict[str, object]:
        """The result for programs; schemas/result-verify.schema.json."""
        return {**self.as_stream(), "units": [unit.as_json() for unit in self.units]}

    def as_stream(self, unit_json: Callable[[UnitResult], Mapping[str, Any]] | None = None) -> dict[str, Any]:
        """As as_json, in the same order, but for `units`: an iterator that makes the object of each unit when
        it comes to it, to be gone through once. unit_json makes it, in place of its own as_json."""
        told = unit_json or UnitResult.as_json
        units: Iterator[Mapping[str, Any]] = (told(unit) for unit in self.units)
        return {
            "outcome": self.outcome,
            "verdict": self.verdict,
            "demands": self.demands,
            "depth": self.depth,
            "started_at": self.started_at,
            "finished_at": self.finished_at,
            "counts": self.counts(),
            "units": units,
            "findings": [f.as_json() for f in self.findings],
        }


def page_not_written(result: VerifyResult, err: ProvpackError) -> VerifyResult:
    """The result with the finding that the page about it could not be written."""
    found = PAGE_NOT_WRITTEN.found(f"The page could not be written: {err.what}", err.where)
    return replace(result, findings=(*result.findings, found))
