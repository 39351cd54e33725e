"""The values a job folder turns into: what was declared, where each word of it stands, nothing guessed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from provpack.findings import Finding
from provpack.package.benchstate import BenchState

Level = Literal["row", "companion", "chain", "defaults", "job"]
"""Where a value was declared; earlier beats later, and a companion sheet never meets a row's own list."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """The cell or key a value came from.

    file is relative to the job folder. row is the row a spreadsheet shows, the header being row 1, or the
    line of the bench log; None for TOML. column is the header for a sheet, the dotted key
    (`transfer[2].deck_id`) for TOML.
    """

    level: Level
    file: str
    row: int | None = None
    column: str = ""

    def __str__(self) -> str:
        if self.row is None:
            return f"{self.file}, {self.column}" if self.column else self.file
        return f"{self.file}, row {self.row}" + (f", column {self.column}" if self.column else "")

    def position(self) -> dict[str, str | int]:
        """The same place for programs, in the keys of `Finding.position`."""
        out: dict[str, str | int] = {"file": self.file}
        if self.row is not None:
            out["row"] = self.row
            if self.column:
                out["column"] = self.column
        elif self.column:
            out["key"] = self.column
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Equipment:
    """One entry of the equipment register, as declared.

    services are ISO 8601 dates in ascending order; faults the notices as declared; raw is the whole entry.
    """

    id: str
    kind: str
    make_model: str
    serial: str
    services: tuple[str, ...]
    faults: tuple[Mapping[str, Any], ...]
    raw: Mapping[str, Any]
    origin: Origin


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedFile:
    """A file a sheet names: as written there, and where it is.

    path is None when the name was refused or nothing is there (the transfer's findings say which);
    digest is filled by the code that reads the file, never here.
    """

    written: str
    path: Path | None
    origin: Origin
    relative: str = ""
    """The name below the job folder as the disk has it; "" when path is None."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedTransfer:
    """One transfer after `defaults < chain < row`, still flat.

    values holds JSON values under the names of the data dictionary (section 8 of the domain note), plus
    lists of objects for the nested arrays. origins has a key for every key of values. Positions in sample
    frames are integers already. started_at, stopped_at: of a simple row, ISO 8601 with offset, else None.
    """

    transfer_id: str
    origin: Origin
    values: Mapping[str, Any]
    origins: Mapping[str, Origin]
    chain_id: str | None
    started_at: str | None
    stopped_at: str | None
    file: NamedFile | None
    documents: tuple[NamedFile, ...] = ()
    photos: tuple[NamedFile, ...] = ()
    condition_photos: tuple[NamedFile, ...] = ()
    pass_files: Mapping[int, NamedFile] = field(default_factory=dict)
    """Files of other passes by pass number; the pass that made `file` is not among them."""
    findings: tuple[Finding, ...] = ()
    converted: tuple[Mapping[str, Any], ...] = ()
    """Values computed while reading (times to frames), in the shape of the record's `derived[]`."""
    refused: frozenset[str] = frozenset()
    """Fields that were given but could not be taken; findings say why."""
    follows: tuple[str, ...] = ()
    """Transfers whose recording this one has because it corrects them, the nearest first."""

    @property
    def recording(self) -> str:
        """The transfer that was played: this one, or the one it corrects."""
        return self.follows[-1] if self.follows else self.transfer_id

    def shares_recording(self, other: LoadedTransfer) -> bool:
        """Whether the two are one recording on purpose: one of them corrects the other."""
        return bool(self.follows or other.follows) and self.recording == other.recording

    @property
    def path(self) -> Path | None:
        """The received audio file, None when no file is named or it cannot be used."""
        return self.file.path if self.file else None

    def origin_of(self, name: str) -> Origin:
        """Where the value of that name was declared; the row itself when it was not declared at all."""
        return self.origins.get(name, self.origin)


Concerning = tuple[Finding, tuple[LoadedTransfer, ...]]
"""A finding with the transfers it is about: none of them is wrapped while it is an error."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredIn:
    """A sheet that was read: path relative to the job folder, SHA-256 of its bytes (hex), size in bytes."""

    path: str
    sha256: str
    bytes: int
    absolute: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedJob:
    """A job folder, read. Errors are in findings here and in every transfer; nothing is raised for them."""

    folder: Path
    job_id: str
    client: str
    organisation: str
    equipment: Mapping[str, Equipment] = field(default_factory=dict)
    transfers: tuple[LoadedTransfer, ...] = ()
    custody_events: tuple[Mapping[str, Any], ...] = ()
    """Custody events of the whole job; a record takes those that name its item or carrier."""
    documents: tuple[NamedFile, ...] = ()
    """Papers that belong to every transfer."""
    client_profiles: tuple[NamedFile, ...] = ()
    """Files with clients' requirements; `jobs/clientprofiles.py` reads them."""
    job_values: Mapping[str, Any] = field(default_factory=dict)
    """job.toml without defaults, chains and transfers, what the bench log states laid over it."""
    job_origins: Mapping[str, Origin] = field(default_factory=dict)
    """Where each of job_values stands."""
    chains: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    """The chains as declared, by id: their fields with id, note and capture_files."""
    bench: BenchState = field(default_factory=BenchState)
    """What the bench log of the folder says; empty when there is none."""
    findings: tuple[Finding, ...] = ()
    declared_in: tuple[DeclaredIn, ...] = ()
    files: Mapping[str, tuple[int, int, int]] = field(default_factory=dict)
    """Every plain file of the job folder: relative name -> (device, inode, bytes)."""
    sheets: tuple[str, ...] = ()
    """Names of the sheets that were read, relative to the job folder."""

    def all_findings(self) -> tuple[Finding, ...]:
        """Job-level findings first, then those of each transfer in the order of the sheet."""
        return self.findings + tuple(f for t in self.transfers for f in t.findings)
