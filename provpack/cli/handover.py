"""The real ports of `deliver`, `receive` and `close`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from provpack.jobs.progress import Progress

if TYPE_CHECKING:
    from provpack.jobs.closing import ClosePorts
    from provpack.jobs.delivered import DeliverPorts
    from provpack.jobs.receipts import ReceivePorts
    from provpack.package.ledgerchain import Chain, Witness


def deliver_ports(progress: Progress) -> DeliverPorts:
    """Ports on the local disk, with the ledgers that lie beside the packages."""
    from provpack.cli.ports import schema_pairs
    from provpack.edge import clock, ledger
    from provpack.edge.commit import RealDisk, folder_names
    from provpack.jobs.delivered import DeliverPorts
    from provpack.report.delivery_html import render_index, render_note

    return DeliverPorts(
        disk=RealDisk(), now=clock.now, new_id=clock.new_id, progress=progress, list_names=folder_names,
        validate=schema_pairs(), read_ledger=_read_ledger, append=ledger.append_many,
        render_index=render_index, render_note=render_note,
    )  # fmt: skip


def receive_ports(progress: Progress) -> ReceivePorts:
    """Ports on the local disk."""
    from provpack.cli.ports import schema_pairs
    from provpack.edge import clock
    from provpack.edge.commit import RealDisk
    from provpack.jobs.receipts import ReceivePorts
    from provpack.jobs.recover import record_of

    return ReceivePorts(
        disk=RealDisk(), now=clock.now, new_id=clock.new_id, progress=progress, validate=schema_pairs(),
        recover=lambda source: record_of(source, ""),
    )  # fmt: skip


def close_ports() -> ClosePorts:
    """Ports on the local disk."""
    from provpack.edge import clock, ledger
    from provpack.jobs.closing import ClosePorts

    return ClosePorts(now=clock.now, read_ledger=_read_ledger, append_new=ledger.append_new)


def _read_ledger(path: Path, witnesses: Sequence[Witness]) -> Chain:
    from provpack.edge import ledger

    return ledger.read_ledger(path, witnesses=witnesses, keep=True)
