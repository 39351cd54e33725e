"""What the parts of `provpack jot` share: their arguments, and how a line is written and told."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from provpack.cli.output import F, emit, json_option

if TYPE_CHECKING:
    from provpack.jobs.jot import Hand, JotResult

job_argument = click.argument("job", metavar="JOB", type=click.Path(path_type=Path))
transfer_argument = click.argument("transfer_id", metavar="TRANSFER")
pass_option = click.option(
    "--pass", "number", type=click.IntRange(1), metavar="N", help="Which pass; see `show`."
)
note_option = click.option("--note", metavar="TEXT", help="Anything else, in words.")
at_option = click.option(
    "--at", metavar="TIME", help="When it happened, if not now: 21:03, 21:03:12, or date and time."
)
to_option = click.option(
    "--to", "destination", type=click.Path(path_type=Path), metavar="DIR",
    help="Where its packages are, if not in JOB-packages beside it: what is sealed is not taken back.",
)  # fmt: skip


def options(function: F) -> F:
    by = click.option("--by", metavar="NAME", help="Who is at the bench; a role may stand for a name.")
    return by(json_option(function))


def hand_of(job: Path, by: str | None, destination: Path | None = None) -> Hand:
    from provpack import __version__
    from provpack.cli.bench import job_folder
    from provpack.edge import clock
    from provpack.jobs.jot import Hand

    folder = job_folder(job)
    return Hand(
        folder=folder, now=clock.to_the_millisecond, tool_version=__version__, by=by, destination=destination
    )


def write_line(
    job: Path,
    by: str | None,
    as_json: bool,
    action: str,
    kind: str,
    members: dict[str, Any],
    at: str | None = None,
    destination: Path | None = None,
) -> int:
    from provpack.jobs import jot

    hand = hand_of(job, by, destination)
    if at is not None:
        members["happened_at"] = jot.moment(at, hand.now())
    return told(jot.write(hand, action, kind, members), as_json)


def told(result: JotResult, as_json: bool) -> int:
    from provpack.report.jot_text import jot_lines

    return emit("jot", result.as_json(), jot_lines(result), result.exit_code, as_json=as_json)
