"""What the sheets of a job folder state, place by place, before the bench log is laid over them."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from provpack.edge.jobfolder import Listing
from provpack.jobs.benchsaid import Said
from provpack.jobs.load import EQUIPMENT, JOB_SHEET, TRANSFERS, read_sheets
from provpack.jobs.sheetfields import sheet_fields
from provpack.package.benchline import LOG_NAME

Stamp = tuple[tuple[str, ...], tuple[tuple[str, int, int], ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Raw:
    """said: the sheets alone. sheets: absolute paths of what was read, for `sheets_stamp`."""

    said: Said
    sheets: tuple[Path, ...]


def read_raw(listing: Listing) -> Raw:
    """Read the sheets. Never raises for what they say: a value that cannot be taken is not there."""
    sheets = read_sheets(listing)
    transfers: dict[str, Mapping[str, Any]] = {}
    for row, _ in sheets.rows:
        name = row.values.get("transfer_id")
        if isinstance(name, str) and name not in transfers:
            beside = {table: d.values[table] for table, d in sheets.companions.get(name, {}).items()}
            transfers[name] = {**beside, **row.values}
    said = Said(
        job=sheets.job.values,
        defaults=sheets.defaults.values,
        chains={name: {"id": name, **chain.values} for name, chain in sheets.chains.items()},
        transfers=transfers,
        equipment={name: item.raw for name, item in sheets.equipment.items()},
    )
    return Raw(said=said, sheets=tuple(d.absolute for d in sheets.read))


def sheets_stamp(listing: Listing, sheets: tuple[Path, ...]) -> Stamp:
    """Changes when a sheet does, or when a file comes or goes; not while a capture only grows."""
    own = {f"{name}.csv" for name in sheet_fields().tables} | {JOB_SHEET, TRANSFERS, EQUIPMENT}
    paths = {listing.root / name for name in listing.files if name in own} | set(sheets)
    paths.discard(listing.root / LOG_NAME)
    seen = []
    for path in sorted(paths):
        with contextlib.suppress(OSError):
            now = path.lstat()
            seen.append((os.fspath(path), now.st_mtime_ns, now.st_size))
    return tuple(listing.files), tuple(seen)
