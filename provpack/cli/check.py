"""provpack check"""

from __future__ import annotations

from pathlib import Path

import click

from provpack.cli import progress
from provpack.cli.output import emit, json_option


@click.command(name="check")
@click.argument("job", type=click.Path(path_type=Path))
@click.option("--headers-only", is_flag=True, help="Do not measure the audio; read the headers alone.")
@json_option
def command(job: Path, headers_only: bool, as_json: bool) -> int:
    """List everything wrong with the job folder JOB, each with its place and what to do.

    Reads job.toml, the equipment register and transfers.csv, measures the audio files, and holds what is
    measured against what is declared. Writes nothing.
    """
    from provpack.edge import clock
    from provpack.edge.schemas import validate
    from provpack.edge.workers import crew
    from provpack.jobs.check import check_job
    from provpack.report import text

    with progress.shown(as_json) as bar, crew() as run_all:
        result = check_job(
            job, now=clock.now(), progress=bar, validate=validate, run_all=None if headers_only else run_all
        )
    code = {"good": 0, "warnings": 1, "refused": 12}[result.outcome]
    return emit("check", result.as_json(), text.check_lines(result), code, as_json=as_json)
