"""provpack audit"""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from provpack.cli import progress
from provpack.cli.catalogued import Root, catalogue_option, default_place, open_if_there
from provpack.cli.output import emit, json_option

if TYPE_CHECKING:
    from provpack.catalogue.opening import Catalogue
    from provpack.jobs.auditdisk import DiskLook
    from provpack.jobs.newfile import NewFile
    from provpack.jobs.progress import Progress

SHOWN = 20


@click.command(name="audit")
@click.argument("roots", metavar="[ROOT]...", nargs=-1, type=Root())
@catalogue_option
@click.option(
    "--older-than", "age", metavar="AGE", default="365d", show_default=True,
    help="A check is too old after this: 365d, 52w, or a bare number of days.",
)  # fmt: skip
@click.option(
    "--chain-check-days", type=click.IntRange(0, 36500), default=30, show_default=True, metavar="DAYS",
    help="A test of the chain is too old after this, when the first pass begins.",
)  # fmt: skip
@click.option(
    "--limit", type=click.IntRange(0), metavar="N",
    help=f"List the first N of each answer, 0 for all. Without it {SHOWN}, and all with --rule.",
)  # fmt: skip
@click.option("--rule", metavar="ID", help="Only what this rule brings up, e.g. rec-chain-check-old.")
@click.option(
    "--csv", "table", type=click.Path(path_type=Path), metavar="FILE",
    help="Write everything that is found to FILE, one row each. FILE must not exist. (UTF-8, for "
    "spreadsheets: "
    "a cell that would begin like a formula has an apostrophe put before it.)",
)  # fmt: skip
@click.option(
    "--page", type=click.Path(path_type=Path), metavar="FILE.html",
    help="Write a page with all answers and pictures of damage over time. The file must not exist.",
)  # fmt: skip
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    roots: tuple[str, ...],
    catalogue: str | None,
    age: str,
    chain_check_days: int,
    limit: int | None,
    rule: str | None,
    table: Path | None,
    page: Path | None,
    as_json: bool,
) -> int:
    """Look back over all packages: what needs somebody? Read-only.

    Tells what today's rules find in yesterday's records, what is unknown or overdue, what checks have found,
    and how damage went with decks, decoders and tape stocks. Without ROOT the catalogue answers. With ROOT
    everything beneath it is read anew for this run, and the disk is searched for what interrupted runs left.
    With ROOT and --catalogue typed too, that catalogue answers, for all that it holds, and the disk at ROOT
    is compared with it.
    """
    from provpack.edge import clock
    from provpack.jobs.allrules import ALL_RULES
    from provpack.jobs.audit import Audit, Wishes, read_age
    from provpack.report.audit_csv import audit_csv
    from provpack.report.audit_page import audit_page
    from provpack.report.audit_text import audit_lines

    if table is not None and page is not None and table == page:
        raise click.UsageError("--csv and --page name the same file.")
    csv_file, page_file = _new_file(table, "--csv"), _new_file(page, "--page")
    wishes = Wishes(
        older_than=read_age(age),
        older_words=age.strip(),
        chain_check_days=chain_check_days,
        limit=limit if limit is not None else 0 if rule else SHOWN,
        rule=rule,
    )
    with progress.shown(as_json, things=True) as bar:
        typed = ctx.get_parameter_source("catalogue") == click.core.ParameterSource.COMMANDLINE
        known = open_if_there(catalogue) if typed or not roots else None
        with closing(known if known is not None else _read_now(roots, bar)) as opened:
            audit = Audit(
                opened.ask,
                wishes,
                now=clock.now(),
                known_rules={one.id: one for _, group in ALL_RULES for one in group},
                disk=_looked(roots, known, named=catalogue),
                catalogue=known.shown if known is not None else None,
            )
            result = audit.result()
            if csv_file is not None:
                csv_file.write(audit_csv(audit.every_item()))
                result = replace(result, csv=str(table))
    if page_file is not None:
        result = replace(result, page=str(page))
        page_file.write((audit_page(result),))
    return emit("audit", result.as_json(), audit_lines(result), result.exit_code, as_json=as_json)


def _new_file(path: Path | None, option: str) -> NewFile | None:
    """Where a file will be written, once it is known that it can stand there."""
    from provpack.edge import clock
    from provpack.edge.commit import RealDisk
    from provpack.jobs.newfile import NewFile

    if path is None:
        return None
    mark = f"audit-{clock.new_id().replace('-', '')[:8]}"
    file = NewFile(target=path, disk=RealDisk(), mark=mark, option=option)
    file.refuse()
    return file


def _read_now(roots: Sequence[str], bar: Progress) -> Catalogue:
    """A catalogue in memory of what lies at the roots. Raises EnvironmentProblem when there are none."""
    from provpack.edge import clock
    from provpack.errors import EnvironmentProblem
    from provpack.jobs.harvest import in_memory

    if not roots:
        raise EnvironmentProblem(
            "no-catalogue",
            "There is no catalogue yet, and no folder was named to look at.",
            where=str(default_place()),
            todo="Make one: provpack catalogue rebuild ROOT... Or look at folders without one: provpack "
            "audit ROOT...",
        )
    return in_memory(roots, clock=clock.now, progress=bar)


def _looked(roots: Sequence[str], known: Catalogue | None, *, named: str | None) -> DiskLook | None:
    """What the disk shows; None when no roots were named."""
    from provpack.jobs.auditdisk import look_at_disk

    if not roots:
        return None
    refresh = "provpack catalogue add"
    if known is not None and named:
        refresh += f" --catalogue {shlex.quote(known.shown)}"
    return look_at_disk(
        roots,
        known.ask.stamps if known is not None else None,
        seen_at=dict(known.ask.roots()) if known is not None else {},
        refresh=refresh,
    )
