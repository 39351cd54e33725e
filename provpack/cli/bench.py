"""provpack bench"""

from __future__ import annotations

import os
import sys
import threading
import traceback
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from provpack.cli.output import emit, for_terminal, json_option
from provpack.errors import InputProblem, ProvpackError

if TYPE_CHECKING:
    from provpack.bench.session import Bench

_BY_HAND = "No browser could be opened from here; open the address above yourself."


@click.command(name="bench")
@click.argument("job", type=click.Path(path_type=Path))
@click.option(
    "--to", "destination", type=click.Path(path_type=Path),
    help="Folder the packages go to; made if its parent exists.  [default: JOB-packages, beside JOB]",
)  # fmt: skip
@click.option(
    "--port", type=click.IntRange(1, 65535),
    help="Port of the page.  [default: one that stays the same for this folder, if it is free]",
)  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Print the address only.")
@click.option(
    "--by", default="", metavar="NAME", help="Who is at the bench; stands in every line of the log."
)
@click.option(
    "--phone", metavar="ADDRESS",
    help="Let a phone send photos, when the page asks for it, to this address of this machine. Plain http: "
    "everyone in that network could see them.",
)  # fmt: skip
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    job: Path,
    destination: Path | None,
    port: int | None,
    no_browser: bool,
    by: str,
    phone: str | None,
    as_json: bool,
) -> int:
    """Keep the record while the tapes run: a page for the job folder JOB, on this machine only.

    Everything entered is on disk, in JOB/bench-log.jsonl, before it is acknowledged. Ctrl-C ends the
    program, not the passes: they run on in the log, and the same command opens them again.
    """
    from provpack.bench.parts import require_parts

    folder = job_folder(job)
    target = _destination(folder, destination)
    require_parts()
    from provpack import __version__
    from provpack.bench.serve import make_bench, own_socket, serve
    from provpack.cli.ports import wrap_ports
    from provpack.edge import clock

    listener = own_socket(folder, port)
    debug = bool(ctx.obj["debug"])
    try:
        bench = make_bench(
            folder,
            destination=target,
            port=listener.getsockname()[1],
            by=by.strip(),
            now=clock.to_the_millisecond,
            tool_version=__version__,
            make_ports=wrap_ports,
            mishap=lambda number, err: _mishap(number, err, debug),
        )
    except BaseException:
        listener.close()
        raise
    say = _aside if as_json else _say
    stopped = serve(
        bench,
        listener,
        opened=lambda: _opened(bench, not no_browser, phone, say),
        trouble=_trouble,
        phone=phone,
    )
    result = {
        "outcome": "closed",
        "job": str(folder),
        "lines": bench.desk.state.n,
        "running": [
            {
                "transfer_id": p.transfer_id,
                "pass": p.number,
                "chain_id": p.chain_id,
                "started_at": p.started_at,
            }
            for p in bench.desk.state.running()
        ],
    }
    code = 0 if stopped is None else 128 + stopped
    return emit("bench", result, _farewell(bench, job), code, as_json=as_json)


def job_folder(job: Path) -> Path:
    """The real path of the folder. Raises InputProblem when it is no job folder, and says what to do."""

    from provpack.edge.jobfolder import no_job_folder

    folder = Path(os.path.realpath(job))
    if not os.path.isdir(folder):  # noqa: PTH112 - answers, where Path.is_dir raises for a path too long
        raise no_job_folder(
            job,
            "Make the folder and put a job.toml into it with job_id, client and transfer_organisation; "
            "`provpack demo` makes one to look at.",
        )
    if not os.path.lexists(folder / "job.toml"):
        raise InputProblem(
            "job-sheet-missing", "There is no job.toml in this folder, so it is no job folder yet.",
            where=str(folder),
            todo="Put a job.toml into it with job_id, client and transfer_organisation, and a [[chain]] for "
            "each chain of machines; or name the folder that holds it. `provpack demo` makes one to look at.",
        )  # fmt: skip
    return folder


def _destination(folder: Path, named: Path | None) -> Path:
    """Where packages go. Raises DestinationProblem now, not when the evening is over."""
    from provpack.edge.commit import RealDisk
    from provpack.jobs.destination import default_for, look_at

    target = default_for(folder) if named is None else named.absolute()
    look_at(folder, target, RealDisk())
    return target


def _opened(bench: Bench, browser: bool, phone: str | None, say: Callable[[str], None]) -> None:
    say(f"The bench for {bench.desk.folder} is open, on this machine only:")
    say(f"  {bench.address(bench.secrets.opening)}")
    say("Whoever has this address can write into the job. It is good until the program ends (Ctrl-C).")
    say(f"Packages go to {bench.destination}")
    for line in _running(bench):
        say(line)
    if phone is not None:
        from provpack.bench.phone import CAUTION

        say(f"Photos from a phone come in at {phone} when the page asks for them. {CAUTION}")
    if browser:
        threading.Thread(target=_open_browser, args=(bench.address(bench.secrets.once),), daemon=True).start()


def _open_browser(address: str) -> None:
    screen = any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "BROWSER"))
    if sys.platform.startswith("linux") and not screen:
        _aside(_BY_HAND)  # what is opened there is a browser for the terminal, over our own words
        return
    try:
        there = webbrowser.open(address)
    except Exception:  # whatever a browser's starter raises, the page is there without it
        there = False
    if not there:
        _aside(_BY_HAND)


def _running(bench: Bench) -> list[str]:
    from provpack.jobs.benchact import clock_words

    return [
        f"Pass {p.number} of {p.transfer_id} runs on chain {p.chain_id} since "
        f"{clock_words(p.started_at, bench.now())}."
        for p in bench.desk.state.running()
    ]


def _farewell(bench: Bench, job: Path) -> list[str]:
    return [
        *(f"{line} It goes on running in the log." for line in _running(bench)),
        f"Everything that was acknowledged is on disk. Open the bench again: provpack bench {job}",
    ]


def _say(line: str) -> None:
    click.echo(for_terminal(line))


def _aside(line: str) -> None:
    click.echo(for_terminal(line), err=True)


def _trouble(err: BaseException) -> None:
    todo = f" {err.todo}" if isinstance(err, ProvpackError) else ""
    what = err.what if isinstance(err, ProvpackError) else f"{type(err).__name__}: {err}"
    _aside(f"provpack: while looking at the job folder: {what}{todo}")


def _mishap(number: str, err: BaseException, debug: bool) -> None:
    _aside(f"provpack: a mistake of ours, number {number}: {type(err).__name__}")
    if debug:
        traceback.print_exception(err)
