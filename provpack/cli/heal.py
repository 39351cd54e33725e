"""provpack heal"""

from __future__ import annotations

from pathlib import Path

import click

from provpack.cli import progress
from provpack.cli.output import emit, json_option
from provpack.cli.signing import read_signers
from provpack.cli.verifyoptions import Named, Place

_FILE = Named(path_type=Path)


@click.command(name="heal")
@click.argument("copies", metavar="COPY COPY...", type=Place(), nargs=-1, required=True)
@click.option(
    "--to", "destination", type=_FILE, required=True, metavar="DIR",
    help="Folder in which the package is built; made itself if its parent exists.",
)  # fmt: skip
@click.option(
    "--ledger", type=_FILE, metavar="FILE",
    help="Custody ledger that knows which package was sealed, where none lies beside a copy.",
)  # fmt: skip
@click.option(
    "--signers", type=_FILE, metavar="FILE",
    help="List of trusted signers (allowed_signers, as ssh-keygen reads it).",
)  # fmt: skip
@json_option
def command(
    copies: tuple[Path | str, ...],
    destination: Path,
    ledger: Path | None,
    signers: Path | None,
    as_json: bool,
) -> int:
    """Build one package anew from two or more damaged copies of it; no copy is ever written to.

    Each COPY is a folder, a .tar or .zip, or an address. Every file and every block of the master is taken
    from whichever copy has it right; the result is, byte for byte, the package that was sealed. If anything
    is in no copy, nothing is built, and what is lost is told to the block.
    """
    from provpack.edge import clock
    from provpack.edge.commit import RealDisk, folder_names
    from provpack.edge.workers import crew
    from provpack.jobs.heal import heal
    from provpack.jobs.healed import Ports
    from provpack.jobs.healunfinished import enter, healed_documents
    from provpack.report.heal_text import heal_lines

    with progress.shown(as_json) as bar, crew(2) as run_all:
        result = heal(
            copies, destination.absolute(),
            Ports(
                disk=RealDisk(), now=clock.now, new_id=clock.new_id, run_all=run_all, progress=bar,
                list_names=folder_names, append_ledger=enter, healed_documents=healed_documents,
            ),
            ledger=ledger, signers=read_signers(signers),
        )  # fmt: skip
    return emit("heal", result.as_json(), heal_lines(result), result.exit_code, as_json=as_json)
