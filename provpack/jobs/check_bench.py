"""What the bench log said when a pass was made, held against the job and the folder as they are now."""

from __future__ import annotations

from collections.abc import Iterator

from provpack.findings import Finding
from provpack.jobs import benchrules as rules
from provpack.jobs.benchact import instant
from provpack.jobs.benchfiles import local_time
from provpack.jobs.benchtransfer import clock_of, speaking
from provpack.jobs.benchvalues import shown
from provpack.jobs.loaded import LoadedJob, LoadedTransfer
from provpack.jobs.sheetfields import CHAIN_ONLY, sheet_fields
from provpack.model.labels import label
from provpack.package.benchstate import Pass

_WITH_ITS_CHECK = "chain_check_at"
"""The date goes with the check: nobody confirms it by itself."""


def against_the_bench(job: LoadedJob, transfer: LoadedTransfer) -> list[Finding]:
    """Files that are not what was attached, and values of the chain that nobody confirmed for the pass."""
    taken = job.bench.transfers.get(transfer.recording)
    if taken is None:
        return []
    found = [f for one in taken.passes for f in _exchanged(job, one)]
    one = speaking(taken.passes)
    return found if one is None else [*found, *_unconfirmed(transfer, one)]


def _exchanged(job: LoadedJob, one: Pass) -> Iterator[Finding]:
    held = one.attached
    if held is None or held.file not in job.files:
        return  # a file that is gone is told where it is named
    of_pass = f"'{held.file}' was attached to pass {one.number} of {one.transfer_id}"
    there = job.files[held.file][2]
    if held.bytes is not None and there != held.bytes:
        what = f"{of_pass} with {held.bytes} bytes; it has {there} now."
        yield rules.FILE_EXCHANGED.found(what, f"bench log, line {held.n}", position={"file": held.file})
        return
    try:
        changed = local_time((job.folder / held.file).lstat().st_mtime_ns)
    except OSError:
        return  # told where it is read
    if held.modified_at and instant(held.modified_at) != instant(changed):
        what = f"{of_pass}, last changed {_clock(held.modified_at)}; it was changed again {_clock(changed)}."
        yield rules.FILE_EXCHANGED.found(
            what, f"bench log, line {held.n}", severity="warning", position={"file": held.file}
        )


def _clock(moment: str) -> str:
    return f"{moment[:10]} {clock_of(moment)}"


def _unconfirmed(transfer: LoadedTransfer, one: Pass) -> Iterator[Finding]:
    for name in sorted(set(sheet_fields().chain) - CHAIN_ONLY):
        value, origin = transfer.values.get(name), transfer.origins.get(name)
        if value is None or origin is None or origin.level != "chain":
            continue
        began = f"when pass {one.number} began ({clock_of(one.started_at)})"
        where, place = str(origin), origin.position()
        if name not in one.settings and not (name == _WITH_ITS_CHECK and "chain_check_id" in one.settings):
            what = f"{label(name)}: nothing was said of it {began}; the chain says {shown(value)}."
            yield rules.SETTING_LATER.found(what, where, position=place)
