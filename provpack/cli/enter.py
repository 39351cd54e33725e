"""provpack enter"""

from __future__ import annotations

from pathlib import Path

import click

from provpack.cli.output import emit, json_option
from provpack.cli.verifyoptions import Named


@click.command(name="enter")
@click.argument("folder", metavar="DIR", type=Named(path_type=Path))
@click.argument("kind", required=False)
@click.option(
    "--from-job", "job_folder", type=Named(path_type=Path), metavar="JOB",
    help="Enter what the sheets of this job folder tell and the ledger does not have yet.",
)  # fmt: skip
@click.option("--carrier", "carriers", multiple=True, metavar="ID", help="Carrier; may be given again.")
@click.option("--package", "packages", multiple=True, metavar="NAME", help="Package; may be given again.")
@click.option("--equipment", multiple=True, metavar="ID", help="Equipment; may be given again.")
@click.option("--transfer", metavar="ID", help="Transfer the event belongs to.")
@click.option("--job", metavar="ID", help="Job of that transfer.")
@click.option("--delivery", metavar="ID", help="Delivery, by the number on its note.")
@click.option("--notice", metavar="ID", help="Fault notice, as the equipment register names it.")
@click.option("--by", "person", metavar="NAME", help="Who did it; a role may stand for a name.")
@click.option("--organisation", metavar="NAME", help="Whoever it came from or went to.")
@click.option("--at", metavar="TIME", help="When it happened, if not now: a date, or a time with offset.")
@click.option("--since", metavar="TIME", help="From when a fault may have had an effect.")
@click.option("--until", metavar="DATE", help="Until when it is kept, or a fault had an effect.")
@click.option("--note", metavar="TEXT", help="Anything else, in words.")
@json_option
def command(
    folder: Path,
    kind: str | None,
    job_folder: Path | None,
    carriers: tuple[str, ...],
    packages: tuple[str, ...],
    equipment: tuple[str, ...],
    transfer: str | None,
    job: str | None,
    delivery: str | None,
    notice: str | None,
    person: str | None,
    organisation: str | None,
    at: str | None,
    since: str | None,
    until: str | None,
    note: str | None,
    as_json: bool,
) -> int:
    """Append to the custody ledger in DIR what happened: a line of that KIND, or what a job's sheets tell.

    \b
    KIND is one of
      carrier_received  carrier_returned  retained  destroyed  moved  copied
      pass_made  delivered  accepted  refused  superseded
      fault_noted  fault_cleared  note

    Lines are never changed or taken away: to correct one, enter another that says so.
    """
    from provpack.edge import clock
    from provpack.jobs.enter import ByHand, EnterResult, enter_by_hand, enter_from_job
    from provpack.report.custody_text import enter_lines

    typed = (carriers, packages, equipment, transfer, job, delivery, notice, person, organisation, at, since,
             until, note)  # fmt: skip
    result: EnterResult
    if job_folder is not None:
        if kind or any(typed):
            raise click.UsageError("--from-job takes everything from the sheets: give it alone.")
        result = enter_from_job(folder, job_folder, clock.now())
    elif not kind:
        raise click.UsageError("Say what happened: a KIND, or --from-job JOB.")
    else:
        said = ByHand(
            kind=kind, carriers=carriers, packages=packages, equipment=equipment, transfer=transfer, job=job,
            delivery=delivery, notice=notice, person=person, organisation=organisation, at=at, since=since,
            until=until, note=note,
        )  # fmt: skip
        result = enter_by_hand(folder, said, clock.now())
    return emit("enter", result.as_json(), enter_lines(result), result.exit_code, as_json=as_json)
