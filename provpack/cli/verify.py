"""provpack verify"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from provpack.cli import progress
from provpack.cli.demands import client_profile_option, profile_examiners
from provpack.cli.output import emit, json_option
from provpack.cli.signing import check_options, read_signers, signature_examiners

EXIT_CODES = {
    "good": 0, "warnings": 1, "could_not_check": 11, "bad": 10, "missing": 10,
    "demands_not_checked": 11, "demands_not_met": 13,
}  # fmt: skip


@click.command(name="verify")
@click.argument("paths", type=click.Path(path_type=Path), nargs=-1, required=True)
@click.option(
    "--depth", type=click.Choice(["listed", "bytes", "meaning"]), default="bytes", show_default=True,
    help="listed: names and sizes; bytes: every checksum; meaning: also record, audio blocks, embedded data.",
)  # fmt: skip
@click.option("--no-ledger", is_flag=True, help="Do not write the result to the custody ledger.")
@check_options
@client_profile_option
@json_option
def command(
    paths: tuple[Path, ...],
    depth: str,
    no_ledger: bool,
    signers: Path | None,
    require_signature: bool,
    client_profile: Path | None,
    as_json: bool,
) -> int:
    """Check packages, folders full of packages, and other people's BagIt bags at PATHS. Read-only.

    A package may also lie in a .tar or .zip; nothing is unpacked. Each ends as good, bad, missing or
    could_not_check. Whether it is also signed, or made as a client asks, is told apart from that. Where a
    custody ledger lies beside a package, the check is appended to it.
    """
    from provpack.cli.ports import schema_pairs
    from provpack.edge import clock
    from provpack.jobs.ledgered import LedgerKeeper
    from provpack.jobs.recover import record_of
    from provpack.jobs.verified import Depth
    from provpack.jobs.verify import verify_paths
    from provpack.jobs.witness import LedgerWitness
    from provpack.report import text

    chosen: Depth = "listed" if depth == "listed" else "meaning" if depth == "meaning" else "bytes"
    keeper = LedgerKeeper(clock.now)
    listed = read_signers(signers, require_signature)
    examiners = [
        *signature_examiners(listed, require_signature, now=clock.now()),
        *profile_examiners(client_profile),
    ]
    with progress.shown(as_json) as bar:
        result = verify_paths(
            paths, chosen, progress=bar, clock=clock.now, record=None if no_ledger else keeper.note,
            validate=schema_pairs(), recover=lambda source: record_of(source, ""),
            witness=LedgerWitness(), examiners=examiners,
        )  # fmt: skip
    if listed is not None and listed.findings:
        result = replace(result, findings=(*result.findings, *listed.findings))
    report = {**result.as_json(), "ledgers": keeper.summary()}
    lines = text.verify_lines(result, keeper.sentences(not no_ledger))
    if not as_json:
        report["outcome"] = text.verify_outcome(result)
    return emit("verify", report, lines, EXIT_CODES[result.verdict], as_json=as_json)
