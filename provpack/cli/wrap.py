"""provpack wrap"""

from __future__ import annotations

import traceback
from pathlib import Path

import click

from provpack.cli import progress
from provpack.cli.output import emit, json_option


@click.command(name="wrap")
@click.argument("job", type=click.Path(path_type=Path))
@click.option(
    "--to", "destination", type=click.Path(path_type=Path), required=True,
    help="Folder the packages go to; made if its parent exists.",
)  # fmt: skip
@click.option("--dry-run", is_flag=True, help="Say what would be written, and write nothing.")
@json_option
@click.pass_context
def command(ctx: click.Context, job: Path, destination: Path, dry_run: bool, as_json: bool) -> int:
    """Wrap every transfer of the job folder JOB into one sealed package each.

    The received files are opened read-only. A transfer with an error is left out and named at the end; the
    others are wrapped. Interrupted at any moment, a package is there complete or not at all.
    """
    from provpack.cli.ports import wrap_ports
    from provpack.jobs.wrap import wrap_job
    from provpack.report import text

    target = destination.absolute()
    with progress.shown(as_json) as bar, wrap_ports(target, bar) as ports:
        result = wrap_job(job, target, ports, dry_run=dry_run)
    if ctx.obj["debug"]:
        for problem in (unit.problem for unit in result.units):
            if problem is not None and problem.__cause__ is not None:
                traceback.print_exception(problem.__cause__)
    return emit("wrap", result.as_json(), text.wrap_lines(result), result.exit_code, as_json=as_json)
