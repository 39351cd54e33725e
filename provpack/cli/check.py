"""provpack check"""

from __future__ import annotations

from pathlib import Path

import click

from provpack.cli import progress
from provpack.cli.output import emit, json_option


@click.command(name="check")
@click.argument("job", type=click.Path(path_type=Path))
@json_option
def command(job: Path, as_json: bool) -> int:
    """List everything wrong with the job folder JOB, each with its place and what to do.

    Reads job.toml, the equipment register, transfers.csv and the headers of the audio files. Writes nothing.
    """
    from provpack.edge import clock
    from provpack.edge.schemas import validate
    from provpack.jobs.check import check_job
    from provpack.report import text

    with progress.shown(as_json) as bar:
        result = check_job(job, now=clock.now(), progress=bar, validate=validate)
    code = {"good": 0, "warnings": 1, "refused": 12}[result.outcome]
    return emit("check", result.as_json(), text.check_lines(result), code, as_json=as_json)
