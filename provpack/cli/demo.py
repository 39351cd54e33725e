"""provpack demo"""

from __future__ import annotations

from pathlib import Path

import click

from provpack.cli import progress
from provpack.cli.output import emit, headed, json_option


@click.command(name="demo")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("provpack-demo"))
@click.option("--only-job", is_flag=True, help="Make the job folder and stop there.")
@json_option
def command(folder: Path, only_job: bool, as_json: bool) -> int:
    """Make an invented job in FOLDER (default ./provpack-demo), and do the whole job on it: check and wrap,
    signed; verify; deliver to two clients; receive as they would; close with their receipts.

    The tapes are synthesised; people, places, makers and models are invented. FOLDER must not exist yet.
    """
    from provpack.cli.handover import close_ports, deliver_ports, receive_ports
    from provpack.cli.ports import schema_pairs, wrap_ports
    from provpack.cli.verify import EXIT_CODES
    from provpack.edge import clock
    from provpack.edge.demodata import read_demo_data
    from provpack.edge.newfiles import NewFolder
    from provpack.jobs.demo import make_demo_job
    from provpack.jobs.demohandover import hand_over, studio_signer
    from provpack.jobs.ledgered import LedgerKeeper
    from provpack.jobs.progress import expect
    from provpack.jobs.recover import record_of
    from provpack.jobs.verify import verify_paths
    from provpack.jobs.witness import LedgerWitness
    from provpack.jobs.wrap import wrap_job
    from provpack.jobs.wrapped import Wishes
    from provpack.report import text

    top = folder.absolute()
    job, destination = top / "job", top / "packages"
    with progress.shown(as_json) as bar:
        target = NewFolder(top)
        written = make_demo_job(target.below("job"), read_demo_data())
        if only_job:
            made = {
                "outcome": "good", "job": str(job), "files": written,
                "wrap": None, "verify": None, "hand_over": None,
            }  # fmt: skip
            return emit("demo", made, [f"Job folder: {job}"], 0, as_json=as_json)
        studio = studio_signer(top, target.below("."))
        with wrap_ports(destination, bar) as ports:
            wrapped = wrap_job(job, destination, ports, wishes=Wishes(signer=studio))
        expect(bar, [])  # verifying is a run of its own
        keeper = LedgerKeeper()
        verified = verify_paths(
            [destination], "meaning", progress=bar, clock=clock.now, record=keeper.note,
            validate=schema_pairs(), recover=lambda source: record_of(source, ""),
            witness=LedgerWitness(),
        )  # fmt: skip
        handed = hand_over(
            top, studio, target.below("."), deliver_ports(bar), receive_ports(bar), close_ports()
        )
    code = max(wrapped.exit_code, EXIT_CODES[verified.verdict], *(one.exit_code for one in handed))
    if code == 1:
        code = 0  # the invented job is meant to draw warnings: all went as it should
    result = {
        "outcome": "good"
        if code == 0
        else wrapped.outcome
        if verified.outcome == "good"
        else verified.outcome,
        "job": str(job),
        "files": written,
        "wrap": headed("wrap", wrapped.as_json(), wrapped.exit_code),
        "verify": headed(
            "verify", {**verified.as_json(), "ledgers": keeper.summary()}, EXIT_CODES[verified.verdict]
        ),
        "hand_over": [
            {
                "deliver": headed("deliver", one.delivered.as_json(), one.delivered.exit_code),
                "receive": headed("receive", one.received.as_json(), one.received.exit_code),
                "close": headed("close", one.closed.as_json(), one.closed.exit_code),
            }
            for one in handed
        ],
    }
    lines = text.demo_lines(str(job), len(written), wrapped, verified, keeper.sentences(True), handed)
    return emit("demo", result, lines, code, as_json=as_json)
