"""provpack deliver"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from provpack.cli import progress
from provpack.cli.output import emit, json_option
from provpack.cli.signing import open_signer, sign_options
from provpack.cli.verifyoptions import Named

_FILE = Named(path_type=Path)


@click.command(name="deliver")
@click.argument("paths", metavar="PACKAGE_OR_FOLDER...", type=_FILE, nargs=-1, required=True)
@click.option(
    "--to", "destination", type=_FILE, required=True, metavar="DIR",
    help="Folder in which the folder of the delivery is made; made itself if its parent exists.",
)  # fmt: skip
@click.option("--client", metavar="NAME", help="For whom; needed when packages of several clients are found.")
@click.option(
    "--as", "form", type=click.Choice(["folder", "tar", "zip"]), default="folder", show_default=True,
    help="Each package as a folder, or as one archive.",
)  # fmt: skip
@click.option(
    "--client-profile", type=_FILE, metavar="FILE",
    help="Deliver only if every package meets these requirements: a client's file, or a BagIt profile.",
)  # fmt: skip
@click.option("--name", metavar="NAME", help="Name of the delivery; the client and the day unless given.")
@click.option("--note", metavar="TEXT", help="A sentence of yours on the delivery note.")
@click.option("--contact", metavar="TEXT", help="Whom the receiver can ask; goes on the delivery note.")
@sign_options
@json_option
def command(
    paths: tuple[Path, ...],
    destination: Path,
    client: str | None,
    form: Literal["folder", "tar", "zip"],
    client_profile: Path | None,
    name: str | None,
    note: str | None,
    contact: str | None,
    sign: Path | None,
    passphrase_file: Path | None,
    signer: str | None,
    as_json: bool,
) -> int:
    """Hand packages over: all of one client, found at or beneath the paths, in one new folder.

    With them go an index page, a delivery note that names every package by its digest, and how to check
    it all with stock tools. Every byte is checked while it is copied; a package that is not as it was sealed
    stays behind and is named. --sign signs the delivery note; packages are signed when they are wrapped.
    """
    from provpack.cli.handover import deliver_ports
    from provpack.jobs.clientprofiles import load_profile_file
    from provpack.jobs.deliver import deliver
    from provpack.jobs.delivered import Wishes
    from provpack.report.text_delivery import deliver_lines

    wishes = Wishes(
        form=form, client=client, name=name, note=note or None, contact=contact or None,
        profile=load_profile_file(client_profile) if client_profile is not None else None,
        signer=open_signer(sign, passphrase_file, signer),
    )  # fmt: skip
    with progress.shown(as_json) as bar:
        result = deliver(paths, destination.absolute(), deliver_ports(bar), wishes)
    return emit("deliver", result.as_json(), deliver_lines(result), result.exit_code, as_json=as_json)
