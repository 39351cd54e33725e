"""A small world to look back over: real packages with one thing wrong in each, and ledgers that tell more.

All names are invented. Packages are called job-<name>_<name>; their record declares what `changes` say.
"""

from __future__ import annotations

import json
import random
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from provpack import __version__
from provpack.edge.ledger import LEDGER_NAME, append_many
from provpack.package.ledgerline import ledger_line
from support.jobs import make_job, wav, wrap

FRAMES = 570_000
"""A fifth of the minute that the carrier is said to hold, and a little more."""
RECEIVED = '[{ type = "received", from = "Ambersund Chamber Archive", to = "Grauwell Transfer Room", ' + (
    'at = "2026-06-01T07:00:00+02:00", items = ["%s"] }]'
)
GOOD = "2026-11-01T10:00:00+01:00"


def sound(seed: int = 1) -> bytes:
    """13 seconds of 14-bit noise that never repeats and has no hole."""
    dice = random.Random(seed)
    data = bytearray(dice.randbytes(4 * FRAMES))
    data[0::2] = bytes(byte & 0xFC for byte in data[0::2])
    return wav(bytes(data))


SOUND = sound()


def package(top: Path, out: Path, name: str, changes: Mapping[str, str] | None = None) -> str:
    """Wrap one transfer into out; changes: text of the sheet -> another. Returns the package's name."""
    job = make_job(top / f"job-{name}", ids=(name,), files={f"{name}.wav": SOUND}, frames=FRAMES)
    sheet = job / "job.toml"
    text = sheet.read_text() + f"custody_events = {RECEIVED % name}\n"
    own = {"carrier_nominal_minutes = 60": "carrier_nominal_minutes = 1", '"JOB-1"': f'"JOB-{name}"'}
    for old, new in {**own, **(changes or {})}.items():
        assert old in text, old
        text = text.replace(old, new)
    sheet.write_text(text)
    units = wrap(job, out).units
    assert [unit.outcome for unit in units] == ["wrapped"], units
    unit = units[0]
    seal = line(
        "wrapped", "2026-06-04T12:00:00+02:00", package=unit.package_name, record_id=unit.record_id,
        tagmanifest_sha512=unit.tagmanifest_sha512, outcome="done",
    )  # fmt: skip
    enter(out, seal)
    assert unit.package_name
    return unit.package_name


def line(kind: str, at: str, **fields: Any) -> dict[str, Any]:
    """A line of a ledger."""
    return ledger_line(kind, at=at, tool_version=__version__, **fields)


def enter(folder: Path, *lines: dict[str, Any]) -> None:
    """Append lines to the ledger of a folder."""
    append_many(folder / LEDGER_NAME, lines)


def checked(folder: Path, name: str, at: str = GOOD, outcome: str = "good", depth: str = "bytes") -> None:
    """Enter a check."""
    enter(folder, line("fixity_checked", at, package=name, outcome=outcome, depth=depth))


def found(value: Mapping[str, Any]) -> dict[str, list[str]]:
    """Rule -> names of what was found (package, carrier, last part of the path) in a result as JSON."""
    out: dict[str, list[str]] = {}
    for section in value["sections"]:
        names: Sequence[str] = [
            item["package"] or item["carrier"] or item["where"].rpartition("/")[2]
            for item in section["items"]
        ]
        if section["total"]:
            out[section["rule"]] = sorted(names)
    return out


def record_of(package_folder: Path) -> dict[str, Any]:
    """The record as it was sealed."""
    value = json.loads((package_folder / "data/metadata/record.json").read_text(encoding="utf-8"))
    assert isinstance(value, dict)
    return value
