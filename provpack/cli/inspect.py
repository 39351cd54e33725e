"""provpack inspect"""

from __future__ import annotations

import json
from pathlib import Path

import click

from provpack.cli.output import emit, json_option


@click.command(name="inspect")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--record", is_flag=True,
    help="Print only the transfer record found inside FILE, byte for byte; with --json, as member `record`.",
)  # fmt: skip
@json_option
def command(file: Path, record: bool, as_json: bool) -> int:
    """Show what is in FILE: chunks with offsets, embedded metadata, format facts, every irregularity.

    Reads WAV, RF64 and BW64 itself; FLAC and W64 through libraries. Changes nothing.
    """
    from provpack.edge.received import ReceivedFile
    from provpack.errors import InputProblem
    from provpack.jobs.inspect import inspect_file
    from provpack.jobs.recover import record_of
    from provpack.report import text_inspect

    found: bytes | None = None
    with ReceivedFile(file) as source:
        if record:
            found = record_of(source, file.name)
            if found is None:
                raise InputProblem(
                    "no-record-inside",
                    "No transfer record is embedded in this file.",
                    where=str(file),
                    todo="Only masters made by `wrap` carry one (in the axml chunk). `inspect` without "
                    "--record shows what else is in the file.",
                )
            if not as_json:
                click.echo(found)
                return 0
        result = inspect_file(source, file.name)
    whole = {**result.as_json(), "record": json.loads(found) if found is not None else None}
    code = {"good": 0, "warnings": 1, "refused": 12}[result.outcome]
    return emit("inspect", whole, text_inspect.inspect_lines(result), code, as_json=as_json)
