"""provpack verify"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from provpack.cli import progress
from provpack.cli.catalogued import catalogue_option, open_for
from provpack.cli.damageoptions import Damage, damage_options
from provpack.cli.demands import client_profile_option, profile_makers
from provpack.cli.output import emit, json_option
from provpack.cli.signing import check_options, read_signers, signature_makers
from provpack.cli.verifyoptions import Grouped, Place, habit_options, one_crew, refuse_unasked, wish_of

if TYPE_CHECKING:
    from provpack.catalogue.opening import Catalogue

EXIT_CODES = {
    "good": 0, "warnings": 1, "could_not_check": 11, "bad": 10, "missing": 10,
    "demands_not_checked": 11, "demands_not_met": 13,
}  # fmt: skip


@click.command(name="verify", cls=Grouped)
@click.argument("paths", type=Place(), nargs=-1)
@click.option(
    "--depth", type=click.Choice(["listed", "bytes", "meaning"]), default="bytes", show_default=True,
    help="listed: names and sizes; bytes: every checksum; meaning: also record, audio blocks, embedded data.",
)  # fmt: skip
@click.option("--no-ledger", is_flag=True, help="Do not write the result to the custody ledger.")
@habit_options
@damage_options
@catalogue_option
@check_options
@client_profile_option
@json_option
def command(
    paths: tuple[Path | str, ...],
    depth: str,
    no_ledger: bool,
    signers: Path | None,
    require_signature: bool,
    client_profile: Path | None,
    from_catalogue: bool,
    catalogue: str | None,
    as_json: bool,
    **habit: Any,
) -> int:
    """Check packages, folders full of packages, and other people's BagIt bags at PATHS. Read-only.

    A package may also lie in a .tar or .zip, or at an address (s3://...); nothing is unpacked. Each ends as
    good, bad, missing or could_not_check. Whether it is also signed, or made as a client asks, is told apart
    from that. Where a custody ledger lies beside a package, the check is appended to it.

    As a habit: with --older-than the same command, every night, goes on where the ledgers say it got to.
    """
    from provpack.edge import clock
    from provpack.jobs.fleet import cluster_crew, local_crew
    from provpack.jobs.ledgered import LedgerKeeper
    from provpack.jobs.reverify import Request, reverify, take_in
    from provpack.jobs.typedvalues import age_of, rate_of
    from provpack.jobs.unitcheck import CheckSpec
    from provpack.jobs.verified import Depth
    from provpack.report import text, text_verify

    chosen: Depth = "listed" if depth == "listed" else "meaning" if depth == "meaning" else "bytes"
    budget, scheduler, workers = habit["time_budget"], habit["scheduler"], habit["workers"]
    one_crew(scheduler, workers)
    if catalogue is not None and not from_catalogue:
        refuse_unasked("catalogue", "--catalogue", "--from-catalogue")
    listed = read_signers(signers, require_signature)
    makers = [
        *signature_makers(listed, require_signature, now=clock.now()),
        *profile_makers(client_profile),
    ]
    asked = ("older_than", "time_budget", "sample", "sample_to_find", "confidence", "seed")
    request = Request(
        paths=paths,
        spec=CheckSpec(depth=chosen, examiner_makers=tuple(makers), meaning=chosen == "meaning"),
        wish=wish_of(**{name: habit[name] for name in asked}),
        time_budget=age_of(budget, "--time-budget"),
        rate=rate_of(habit["rate_limit"], "--rate-limit"),
        ledger=habit["ledger"],
        recorded=not no_ledger,
    )
    damage = Damage(habit["second_copy"], habit["page"], habit["ledger"], listed)
    crew = cluster_crew(scheduler) if scheduler else local_crew(workers)
    keeper = LedgerKeeper(request.ledger)
    unlisted = 0
    with _catalogue(from_catalogue, catalogue) as known, progress.shown(as_json) as bar:
        result, selection = reverify(
            request, crew, progress=bar, clock=clock.now, record=None if no_ledger else keeper.note,
            catalogued=None if known is None else lambda root: known.ask.to_verify(root, None),
        )  # fmt: skip
        if known is not None:
            taken_in = take_in(known, keeper.ledgers(), clock.now())
            result = replace(result, findings=(*result.findings, *taken_in))
            unlisted = known.ask.gone(1).total
    more = [*keeper.findings(), *(listed.findings if listed is not None else ())]
    result = replace(result, findings=(*result.findings, *more))
    result = damage.look(result, as_json, selection.known - selection.checked)
    streamed = result.as_stream(damage.unit_json)
    report = {**streamed, "ledgers": keeper.summary(), "selection": selection.as_json()}
    report = damage.into(report)
    recorded = [*keeper.sentences(not no_ledger), *text_verify.unlisted_lines(unlisted)]
    recorded += damage.lines(result)
    if habit["brief"]:
        lines = text_verify.brief_lines(result, selection, recorded)
    else:
        lines = text.verify_lines(result, [*text_verify.selection_lines(selection), *recorded])
    if not as_json:
        report["outcome"] = text.verify_outcome(result)
    return emit("verify", report, lines, EXIT_CODES[result.verdict], as_json=as_json)


@contextlib.contextmanager
def _catalogue(wanted: bool, named: str | None) -> Iterator[Catalogue | None]:
    if not wanted:
        yield None
        return
    with open_for(named) as opened:
        yield opened
