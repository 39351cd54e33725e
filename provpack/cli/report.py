"""provpack report"""

from __future__ import annotations

from pathlib import Path

import click

from provpack.cli.output import emit, json_option


@click.command(name="report")
@click.argument("package", type=click.Path(path_type=Path))
@click.option(
    "--to", "target", type=click.Path(path_type=Path), metavar="FILE",
    help="Also draw the page anew with this program and write it to FILE, outside every package.",
)  # fmt: skip
@json_option
def command(package: Path, target: Path | None, as_json: bool) -> int:
    """Tell in a few sentences what PACKAGE (a folder, a .tar or a .zip) holds, and where its page lies.

    Read-only. Record and measurements are held against the manifest; `verify` checks everything else.
    """
    from provpack.cli.ports import schema_pairs
    from provpack.edge import clock
    from provpack.edge.commit import RealDisk
    from provpack.jobs.newfile import NewFile
    from provpack.jobs.report import draw_anew, read_sealed
    from provpack.report.text_report import report_lines

    page = None
    if target is not None:
        mark = f"page-{clock.new_id().replace('-', '')[:8]}"
        page = NewFile(target=target, disk=RealDisk(), mark=mark, option="--to")
        page.refuse()
    sealed = read_sealed(package, schema_pairs())
    if page is not None:
        from provpack.report.html import render_package

        page.write((draw_anew(sealed, render_package, clock.now()),))
    result = sealed.as_json(target)
    return emit("report", result, report_lines(result), 0, as_json=as_json)
