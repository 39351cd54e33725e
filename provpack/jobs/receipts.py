"""What taking in needs of the world, and what comes of it; and the safe writing of a receipt."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from provpack.edge.commit import PARTIAL_PREFIX, Disk
from provpack.errors import DestinationProblem
from provpack.findings import Finding
from provpack.jobs import deliveryrules as rules
from provpack.jobs.progress import Progress
from provpack.jobs.signatures import Signer
from provpack.jobs.verify_meaning import Recover, Validate
from provpack.package.bagpaths import readable
from provpack.package.receipt import Found
from provpack.package.signers import Signers


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivePorts:
    """Everything of the world that taking in needs."""

    disk: Disk
    now: Callable[[], datetime]
    new_id: Callable[[], str]
    progress: Progress
    validate: Validate
    recover: Recover


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiveWishes:
    """What was asked for on the command line. signers: the receiver's own list, None = there is none;
    signers_file: where it was read from, None = it came from no file."""

    depth: Literal["bytes", "meaning"] = "meaning"
    signers: Signers | None = None
    signers_file: Path | None = None
    require_signature: bool = False
    name: str | None = None
    organisation: str | None = None
    remarks: str | None = None
    signer: Signer | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiveUnit:
    """One package: what goes into the receipt, and everything found."""

    found: Found
    findings: tuple[Finding, ...] = ()

    @property
    def came(self) -> bool:
        """Whether anything of it lies there; what came in part has the outcome `missing` too."""
        return all(f.rule != rules.PACKAGE_MISSING.id for f in self.findings)

    def as_json(self) -> dict[str, Any]:
        return {
            "name": self.found.name,
            "outcome": self.found.outcome,
            "findings": [f.as_json() for f in self.findings],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiveResult:
    """The whole run. receipt: the file written; content: what stands in it."""

    path: str
    kind: str
    receipt: Path
    receipt_sha512: str
    receipt_signature: Path | None
    content: Mapping[str, Any]
    units: tuple[ReceiveUnit, ...]
    findings: tuple[Finding, ...]

    @property
    def outcome(self) -> str:
        return str(self.content["conclusion"])

    @property
    def exit_code(self) -> int:
        """0 accepted, 1 with remarks; refused: 10 for what is not as it was handed over, 11 when something
        could not be read, 13 when only what the receiver asked is not met."""
        if self.outcome != "refused":
            return 0 if self.outcome == "accepted" else 1
        packages = [unit.found for unit in self.units]
        errors = {f.rule for f in self.findings if f.severity == "error"}
        whole = {rule for rule in errors if rule.startswith("receive-")}
        whole -= {rules.COULD_NOT_READ.id, rules.NOTE_FOREIGN.id}
        if whole or any(p.outcome in ("bad", "missing") or p.as_noted is False for p in packages):
            return 10
        if rules.COULD_NOT_READ.id in errors or any(p.outcome == "could_not_check" for p in packages):
            return 11
        return 13

    def as_json(self) -> dict[str, Any]:
        """The shape of schemas/result-receive.schema.json."""
        return {
            "outcome": self.outcome,
            "path": self.path,
            "kind": self.kind,
            "receipt": readable(str(self.receipt)),
            "receipt_sha512": self.receipt_sha512,
            "receipt_signature": readable(str(self.receipt_signature)) if self.receipt_signature else None,
            "content": dict(self.content),
            "units": [unit.as_json() for unit in self.units],
            "findings": [f.as_json() for f in self.findings],
        }


class ReceiptPlace:
    """Where a receipt will stand: asked for before hours of reading, written at the end, never over another.

    begin() makes a staging folder, so that a place that cannot be written is known at once; commit() puts
    the signature and then the receipt in place; discard() takes the staging folder away.
    """

    def __init__(self, disk: Disk, folder: Path, name: str, mark: str) -> None:
        self._disk, self._folder = disk, folder
        self.receipt = folder / f"receipt-{name}.json"
        self.signature = folder / f"receipt-{name}.json.sig"
        self._stage = folder / f"{PARTIAL_PREFIX}receipt-{mark}"

    def begin(self, received: Path) -> None:
        """received: what is taken in; nothing is written into it."""
        target, source = Path(os.path.realpath(self._folder)), Path(os.path.realpath(received))
        if target == source or source in target.parents:
            raise DestinationProblem(
                "destination-in-delivery", "The receipt would be written into what is being received.",
                where=str(self._folder),
                todo="Name a folder of your own with --to: a delivery is never written into.",
            )  # fmt: skip
        if not self._disk.is_folder(self._folder):
            raise DestinationProblem(
                "no-such-folder", "The folder for the receipt does not exist.", where=str(self._folder),
                todo="Create it, or name another one with --to.",
            )  # fmt: skip
        if self._disk.exists(self.receipt):
            raise DestinationProblem(
                "receipt-exists", "There is a receipt of this name already.", where=str(self.receipt),
                todo="A receipt is never overwritten. Keep it, and name another folder with --to.",
            )  # fmt: skip
        if self._disk.exists(self.signature):
            raise DestinationProblem(
                "receipt-exists", "There is the signature of a receipt, without the receipt.",
                where=str(self.signature),
                todo="This is what an interrupted run leaves: delete it, or name another folder with --to.",
            )  # fmt: skip
        self._disk.make_folder(self._stage)

    def commit(self, data: bytes, signature: bytes | None) -> None:
        """Write, sync, rename. The receipt comes last: where it stands, its signature stands too."""
        files = [(self.receipt, data)]
        if signature is not None:
            files.insert(0, (self.signature, signature))
        for final, content in files:
            writer = self._disk.create(self._stage / final.name)
            try:
                writer.write(content)
                writer.sync()
            finally:
                writer.close()
        self._disk.sync_folder(self._stage)
        for final, _ in files:
            self._disk.rename(self._stage / final.name, final)
            self._disk.sync_folder(self._folder)  # each: a power cut must not keep the second name alone
        self.discard()

    def discard(self) -> None:
        """Take the staging folder away, as far as possible."""
        self._disk.discard(self._stage)
