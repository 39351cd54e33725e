"""provpack inspect"""

from __future__ import annotations

from pathlib import Path

import click

from provpack.cli.output import emit, json_option


@click.command(name="inspect")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--record", is_flag=True, help="Print only the transfer record found inside the file.")
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

    with ReceivedFile(file) as source:
        if record:
            data = record_of(source, file.name)
            if data is None:
                raise InputProblem(
                    "no-record-inside",
                    "No transfer record is embedded in this file.",
                    where=str(file),
                    todo="Only masters made by `wrap` carry one (in the axml chunk). `inspect` without "
                    "--record shows what else is in the file.",
                )
            click.echo(data.decode("utf-8"))
            return 0
        result = inspect_file(source, file.name)
    emit(result.as_json(), text_inspect.inspect_lines(result), as_json=as_json)
    return {"good": 0, "warnings": 1, "refused": 12}[result.outcome]
