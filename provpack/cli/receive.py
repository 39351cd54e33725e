"""provpack receive"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from provpack.cli import progress
from provpack.cli.output import emit, json_option
from provpack.cli.signing import check_options, open_signer, read_signers, sign_options
from provpack.cli.verifyoptions import Named


@click.command(name="receive")
@click.argument("path", type=Named(path_type=Path))
@click.option(
    "--to", "target", type=Named(path_type=Path), default=".", metavar="DIR",
    help="Folder the receipt is written to; the current folder unless given.",
)  # fmt: skip
@click.option(
    "--depth", type=click.Choice(["bytes", "meaning"]), default="meaning", show_default=True,
    help="bytes: every checksum; meaning: also record, audio blocks, embedded data.",
)  # fmt: skip
@click.option("--by", metavar="NAME", help="Who receives; a role will do. Left out unless you give it.")
@click.option("--organisation", metavar="NAME", help="The receiving organisation.")
@click.option("--remarks", metavar="TEXT", help="Remarks of yours; the receipt then says: with remarks.")
@check_options
@sign_options
@json_option
def command(
    path: Path,
    target: Path,
    depth: Literal["bytes", "meaning"],
    by: str | None,
    organisation: str | None,
    remarks: str | None,
    signers: Path | None,
    require_signature: bool,
    sign: Path | None,
    passphrase_file: Path | None,
    signer: str | None,
    as_json: bool,
) -> int:
    """Take in a delivery, a package or an archive at PATH, and write a receipt to send back.

    PATH is only read; it may be a read-only disc. Everything is held against its checksums and against the
    delivery note. A list of keys that lies in the delivery proves nothing about who made it: give your own
    with --signers.
    """
    from provpack.cli.handover import receive_ports
    from provpack.jobs.receipts import ReceiveWishes
    from provpack.jobs.receive import receive
    from provpack.report.text_delivery import receive_lines

    trusted = read_signers(signers, require_signature)
    wishes = ReceiveWishes(
        depth=depth, signers=trusted, signers_file=signers, require_signature=require_signature,
        name=by or None, organisation=organisation or None, remarks=remarks or None,
        signer=open_signer(sign, passphrase_file, signer),
    )  # fmt: skip
    with progress.shown(as_json) as bar:
        result = receive(path, target.absolute(), receive_ports(bar), wishes)
    return emit("receive", result.as_json(), receive_lines(result), result.exit_code, as_json=as_json)
