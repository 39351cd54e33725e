"""provpack wrap"""

from __future__ import annotations

import traceback
from pathlib import Path
from typing import Literal

import click

from provpack.cli import progress
from provpack.cli.output import emit, json_option
from provpack.cli.signing import open_signer, sign_options


@click.command(name="wrap")
@click.argument("job", type=click.Path(path_type=Path))
@click.option(
    "--to", "destination", type=click.Path(path_type=Path), required=True,
    help="Folder the packages go to; made if its parent exists.",
)  # fmt: skip
@click.option("--dry-run", is_flag=True, help="Say what would be written, and write nothing.")
@click.option(
    "--derive", "kinds", multiple=True, type=click.Choice(["deemphasis", "deskew"]),
    help="Also make a 24-bit copy: without the 50/15 us emphasis, or without the half-sample skew of a "
    "shared converter, or both (give it twice). The master stays as it is.",
)  # fmt: skip
@click.option(
    "--derive-as", "container", type=click.Choice(["wav", "flac"]), default="wav", show_default=True,
    help="What that copy is written as.",
)  # fmt: skip
@click.option(
    "--late-channel", "late", type=click.Choice(["left", "right"]),
    help="With --derive deskew: the channel that the shared converter takes second.",
)  # fmt: skip
@click.option(
    "--hold-back-names", is_flag=True,
    help="Keep names of persons out of the packages; roles stay, the full records stay with the studio.",
)  # fmt: skip
@click.option(
    "--only", "only", multiple=True, metavar="TRANSFER_ID",
    help="Wrap this transfer and leave the others; may be given several times.",
)  # fmt: skip
@sign_options
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    job: Path,
    destination: Path,
    dry_run: bool,
    kinds: tuple[Literal["deemphasis", "deskew"], ...],
    container: Literal["wav", "flac"],
    late: str | None,
    hold_back_names: bool,
    only: tuple[str, ...],
    sign: Path | None,
    passphrase_file: Path | None,
    signer: str | None,
    as_json: bool,
) -> int:
    """Wrap every transfer of the job folder JOB, or those named, into one sealed package each.

    The received files are opened read-only. A transfer with an error is left out and named at the end; the
    others are wrapped. Interrupted at any moment, a package is there complete or not at all.
    """
    from provpack.cli.ports import wrap_ports
    from provpack.jobs.derive import wanted_from
    from provpack.jobs.wrap import wrap_job
    from provpack.jobs.wrapped import Wishes
    from provpack.report import text

    source = ctx.get_parameter_source("container")
    if not kinds and source is not None and source.name == "COMMANDLINE":
        raise click.UsageError("--derive-as says how a derivative is written; name one with --derive.")
    wishes = Wishes(
        derive=wanted_from(kinds, container, late),
        hold_back_names=hold_back_names,
        signer=open_signer(sign, passphrase_file, signer),
    )
    target = destination.absolute()
    with progress.shown(as_json) as bar, wrap_ports(target, bar) as ports:
        chosen = frozenset(only) if only else None
        result = wrap_job(job, target, ports, dry_run=dry_run, wishes=wishes, only=chosen)
    if ctx.obj["debug"]:
        for problem in (unit.problem for unit in result.units):
            if problem is not None and problem.__cause__ is not None:
                traceback.print_exception(problem.__cause__)
    return emit("wrap", result.as_json(), text.wrap_lines(result), result.exit_code, as_json=as_json)
