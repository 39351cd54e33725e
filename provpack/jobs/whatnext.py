"""What one would do next with a folder, told by the names in it: nothing is opened, nothing is judged."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

MAX_NAMES = 100_000
"""So many names are looked at; what lies behind them is not told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """what: what lies here, in words. commands: what to type, and what for."""

    what: str
    commands: tuple[tuple[str, str], ...]


JOB = Step(
    what="This is a job folder.",
    commands=(
        ("provpack bench .", "keep its record while the tapes run"),
        ("provpack check .", "everything that is wrong or missing; writes nothing"),
        ("provpack wrap . --to DIR", "seal each finished transfer into a package"),
    ),
)
PACKAGE = Step(
    what="This is a package or another BagIt bag.",
    commands=(
        ("provpack verify .", "is it still what was sealed?"),
        ("provpack report .", "what it holds, in words"),
    ),
)
DELIVERY = Step(
    what="This is a delivery.",
    commands=(("provpack receive . --to DIR", "check all of it, and write the receipt to send back"),),
)
SHELF = Step(
    what="Packages of a studio are kept here, with their custody ledger.",
    commands=(
        ("provpack verify .", "are all still what was sealed?"),
        ("provpack audit .", "what needs somebody"),
        ("provpack custody .", "what waits for whom"),
        ("provpack deliver . --to DIR --client NAME", "hand one client's packages over"),
    ),
)
RECEIPT = Step(
    what="A receipt lies here.",
    commands=(("provpack close RECEIPT --ledger DIR", "the hand-over is closed in the ledger of DIR"),),
)
NOTHING = Step(
    what="Nothing that provpack made or reads lies directly in this folder.",
    commands=(
        ("provpack demo", "see the whole job on invented tapes"),
        ("provpack inspect FILE.wav", "what stands in any audio file"),
        ("provpack verify FOLDER", "packages and bags anywhere below a folder"),
    ),
)


def what_next(folder: Path) -> tuple[Step, ...]:
    """What lies in the folder, and the commands one would type there. Never empty; never raises."""
    names: set[str] = set()
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                names.add(entry.name)
                if len(names) >= MAX_NAMES:
                    break
    except OSError:
        return (NOTHING,)
    found = []
    if "job.toml" in names:
        found.append(JOB)
    if "bagit.txt" in names:
        found.append(PACKAGE)
    if "delivery-note.json" in names:
        found.append(DELIVERY)
    if "custody-ledger.jsonl" in names:
        found.append(SHELF)
    if any(name.startswith("receipt-") and name.endswith(".json") for name in names):
        found.append(RECEIPT)
    return tuple(found) or (NOTHING,)
