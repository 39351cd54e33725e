"""provpack trace"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from provpack.cli.catalogued import Root, catalogue_option, open_for
from provpack.cli.output import emit, json_option

if TYPE_CHECKING:
    from provpack.catalogue.opening import Catalogue
    from provpack.findings import Finding
    from provpack.jobs.trace import Asked, Question
    from provpack.jobs.traced import Traced

_DAY = "YYYY-MM-DD, or a date-time with its offset from UTC"


@click.command(name="trace")
@click.argument("roots", nargs=-1, type=Root(), metavar="[ROOT]...")
@click.option(
    "--equipment", required=True, metavar="ID",
    help="Identifier of a deck, decoder, board, firmware, cable or capture device, name of a program or of "
    "a person, or a chain; as the record or register has it.",
)  # fmt: skip
@click.option(
    "--since", metavar="DATE",
    help=f"Only passes that ran at or after it: {_DAY}. A day is that day in every time zone.",
)  # fmt: skip
@click.option("--until", metavar="DATE", help="Only passes that ran at or before it, written likewise.")
@click.option(
    "--register", "register", type=click.Path(path_type=Path), metavar="FILE",
    help="The equipment register (equipment.toml): its fault notices, and what is fitted to what.",
)  # fmt: skip
@click.option(
    "--notices", type=click.Path(path_type=Path), metavar="DIR",
    help="Write a notice for each client into DIR, a text file each; none is written over another file.",
)  # fmt: skip
@click.option(
    "--csv", "table", type=click.Path(path_type=Path), metavar="FILE", help="Write the list as a table."
)
@catalogue_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    roots: tuple[str, ...],
    equipment: str,
    since: str | None,
    until: str | None,
    register: Path | None,
    notices: Path | None,
    table: Path | None,
    catalogue: str | None,
    as_json: bool,
) -> int:
    """List every transfer, client and package that one piece of equipment took part in, and whether its
    fault notices cover them. Packages are only read.

    Looks into the catalogue; with ROOT it reads the packages and ledgers beneath it anew instead, unless
    --catalogue is typed too: then the catalogue answers, for what lies beneath ROOT. A pass without a time is
    always listed, apart. Exit code 1: a fault notice that is not cleared covers a transfer, or it cannot be
    told, or a package could not be read.
    """
    from provpack.edge import clock
    from provpack.edge.commit import RealDisk
    from provpack.jobs.newfile import NewFile
    from provpack.jobs.trace import Question, trace
    from provpack.jobs.tracebeneath import Beneath
    from provpack.jobs.traced import Looked
    from provpack.jobs.tracepapers import load_register
    from provpack.jobs.tracetimes import Window
    from provpack.report.trace_csv import trace_table
    from provpack.report.trace_text import trace_lines

    if not equipment.strip():
        raise click.UsageError("--equipment is empty.")
    named = ctx.get_parameter_source("catalogue") == click.core.ParameterSource.COMMANDLINE
    window = Window(since=since, until=until)
    if window.unreadable is not None:
        raise click.UsageError(f"{window.unreadable!r} is no moment: write {_DAY}.")
    if window.backwards:
        raise click.UsageError(f"--since {since} is after --until {until}.")
    entries, findings = load_register(register) if register is not None else (None, [])
    question = Question(equipment=equipment, window=window, register=entries)
    mark = clock.new_id().replace("-", "")[:8]
    page = None
    if table is not None:
        page = NewFile(target=table, disk=RealDisk(), mark=f"trace-{mark}", option="--csv")
        page.refuse()
    anew = bool(roots) and not named
    with _opened(roots if anew else (), catalogue, as_json) as (known, unread):
        asked, packages = _asked(known, () if anew else roots)
        looked = Looked(
            catalogue=None if anew else known.shown,
            roots=roots,
            packages=packages,
            register=str(register) if register is not None else None,
        )
        if isinstance(asked, Beneath):
            unread = [*asked.unknown()]
        result = trace(asked, question, looked, [*findings, *unread])
        if notices is not None:
            result = _with_letters(result, question, known, notices, mark)
    if page is not None:
        page.write(trace_table(result.as_json()))
        result = replace(result, table=str(table))
    told = result.as_json()
    return emit("trace", told, trace_lines(told, result.findings), result.exit_code, as_json=as_json)


@contextmanager
def _opened(
    roots: tuple[str, ...], catalogue: str | None, quiet: bool
) -> Iterator[tuple[Catalogue, Sequence[Finding]]]:
    """The catalogue, or one in memory of what lies beneath the roots; and what could not be read there."""
    if not roots:
        with open_for(catalogue) as known:
            yield known, ()
        return
    from provpack.catalogue.opening import open_catalogue
    from provpack.cli import progress
    from provpack.edge import clock
    from provpack.jobs.harvest import harvest

    with open_catalogue(":memory:", create=True) as known:
        with progress.shown(quiet, things=True) as bar:
            done = harvest(
                [r if "://" in r else Path(r) for r in roots], known, clock=clock.now, progress=bar
            )
        # packages that could not be read are told by the trace itself, with a catalogue as without
        told = {"harvest-incomplete", "harvest-ledger-broken", "harvest-not-what-was-sealed"}
        yield known, [f for f in done.findings if f.severity != "note" and f.rule not in told]


def _asked(known: Catalogue, roots: tuple[str, ...]) -> tuple[Asked, int]:
    """Whom to ask, and how many packages are known there; roots: the catalogue, for what lies beneath."""
    if not roots:
        return known.ask, known.ask.size().get("packages", 0)
    from provpack.jobs.tracebeneath import Beneath

    beneath = Beneath(known.ask, [r if "://" in r else Path(r) for r in roots])
    return beneath, sum(1 for base in beneath.bases for _ in known.ask.known_beneath(base))


def _with_letters(result: Traced, question: Question, known: Catalogue, folder: Path, mark: str) -> Traced:
    from provpack.cli.ports import schema_pairs
    from provpack.edge import clock
    from provpack.edge.commit import RealDisk
    from provpack.jobs.trace import everyone
    from provpack.jobs.traceletters import LetterFolder, compose, letter_names
    from provpack.jobs.tracepapers import known_people, read_paper

    place = LetterFolder(folder=folder, disk=RealDisk(), mark=mark)
    place.refuse(letter_names(result).values())
    validate = schema_pairs()
    drafts, findings = compose(
        result,
        everyone(known.ask, question),
        lambda package: read_paper(package, validate),
        f"{clock.now():%Y-%m-%d}",
        question.register,
        known.ask.to_verify(None, None),
        known_people(known),
    )
    written = place.write(drafts)
    return replace(result, findings=(*result.findings, *findings), letters=written)
