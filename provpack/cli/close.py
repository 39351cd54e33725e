"""provpack close"""

from __future__ import annotations

from pathlib import Path

import click

from provpack.cli.output import emit, json_option
from provpack.cli.signing import read_signers
from provpack.cli.verifyoptions import Named

_FILE = Named(path_type=Path)


@click.command(name="close")
@click.argument("receipt", type=_FILE)
@click.option(
    "--ledger", type=_FILE, required=True, metavar="DIR",
    help="Folder the packages were delivered from; its custody ledger knows the delivery.",
)  # fmt: skip
@click.option(
    "--signers", type=_FILE, metavar="FILE",
    help="List of trusted signers with the receiver's key; the receipt must then be signed by it.",
)  # fmt: skip
@click.option(
    "--unvouched", is_flag=True,
    help="Enter it although no trusted signature proves who made it: you compared it by other means.",
)  # fmt: skip
@click.option(
    "--delivery", type=_FILE, metavar="DIR",
    help="Folder of the delivery; it is entered first where the ledger could not be written at the time.",
)  # fmt: skip
@json_option
def command(
    receipt: Path, ledger: Path, signers: Path | None, unvouched: bool, delivery: Path | None, as_json: bool
) -> int:
    """Take in the receipt file RECEIPT that came back, and close the hand-over in the custody ledger.

    The receipt is held against what was delivered: the delivery, its note, every package, and the ledger as
    it was then. When anything contradicts, nothing is written; nor when no trusted signature vouches for the
    receipt, unless you say --unvouched. Keep the receipt with the job's papers: the ledger holds its digest.
    """
    from provpack.cli.handover import close_ports
    from provpack.jobs.closing import close_handover
    from provpack.report.text_delivery import close_lines

    result = close_handover(
        receipt.absolute(), ledger.absolute(), close_ports(), read_signers(signers), unvouched=unvouched,
        delivery=delivery.absolute() if delivery is not None else None,
    )  # fmt: skip
    return emit("close", result.as_json(), close_lines(result), result.exit_code, as_json=as_json)
