"""provpack custody"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from provpack.cli.output import emit, json_option
from provpack.cli.verifyoptions import Named


@click.command(name="custody")
@click.argument("folder", metavar="DIR", type=Named(path_type=Path))
@click.option(
    "--against", "papers", type=Named(path_type=Path), multiple=True, metavar="FILE",
    help="A delivery-note.json or receipt that holds the last hash of this ledger; may be given again.",
)  # fmt: skip
@click.option("--carrier", metavar="ID", help="Tell the history of this carrier, too.")
@click.option("--package", metavar="NAME", help="Tell the history of this package, too.")
@click.option(
    "--at", "today", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE",
    help="Count days up to this date instead of today.",
)  # fmt: skip
@json_option
def command(
    folder: Path,
    papers: tuple[Path, ...],
    carrier: str | None,
    package: str | None,
    today: datetime | None,
    as_json: bool,
) -> int:
    """Read the custody ledger in DIR: is its chain whole, and what waits for somebody? Read-only.

    Tells carriers without outcome or still in the house, deliveries without receipt, refusals, retention
    that has ended, packages never checked, and what faulty equipment touched.
    """
    from provpack.edge import clock
    from provpack.jobs.custodyrules import OPEN
    from provpack.jobs.custodyview import look_at_custody
    from provpack.report.custody_text import custody_lines

    if carrier and package:
        raise click.UsageError("Ask for --carrier or for --package, not for both at once.")
    day = (today or clock.now()).date()
    result = look_at_custody(folder, today=day, against=papers, carrier=carrier, package=package)
    lines = custody_lines(result, {rule.id: rule.title for rule in OPEN})
    return emit("custody", result.as_json(), lines, result.exit_code, as_json=as_json)
