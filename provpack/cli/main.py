"""The `provpack` command: finds the subcommand, turns every error into a sentence and an exit code.

A command's module is imported only when it is used, so that `--help` answers at once.
"""

from __future__ import annotations

import importlib
import os
import signal
import sys
import threading
import traceback
from pathlib import Path
from time import monotonic
from types import FrameType
from typing import TYPE_CHECKING, Any

import click
from click.exceptions import NoArgsIsHelpError

from provpack import __version__
from provpack.cli.misuse import in_plain_words, not_a_command
from provpack.cli.output import PRINTED, emit_error, for_terminal
from provpack.cli.streams import OutputLost, let_go, take_back, take_over
from provpack.edge.unbroken import comes_later
from provpack.errors import Bug, EnvironmentProblem, ProvpackError, UsageProblem

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

# name -> one line for the overview; the module is provpack.cli.<name>, its command `command`.
COMMANDS = {
    "demo": "Make an invented job with synthetic tapes and run the main job on it.",
    "bench": "Keep the record while the tapes run: a local page for one job folder.",
    "jot": "Write down, without the page, what the page would.",
    "check": "Read a job folder, list everything wrong with it, write nothing.",
    "wrap": "Wrap every transfer of a job folder into a sealed package.",
    "report": "Tell what a sealed package holds; draw its page anew outside it.",
    "inspect": "Show the chunks, metadata and irregularities of an audio file.",
    "verify": "Check packages and other BagIt bags: good, bad, missing, could_not_check.",
    "heal": "Build a package anew from several damaged copies, or say exactly what is lost.",
    "deliver": "Hand all packages of one client over in one folder, with note and index.",
    "receive": "Take in a delivery or package at the client's side, and write a receipt.",
    "close": "Take in the receipt that came back, and close the hand-over in the ledger.",
    "trace": "List every transfer a piece of equipment took part in, and write to the clients.",
    "audit": "Look back over all packages: what is due, unknown, damaged or missing, and trends.",
    "catalogue": "Index all packages and ledgers; find a package by words or by a digest.",
    "custody": "Read the custody ledger: is its chain whole, and what waits for somebody?",
    "enter": "Append to the custody ledger what happened, by hand or from a job's sheets.",
}

EPILOG = """\b
Where to begin:
  provpack demo             see the whole job on invented tapes
  provpack check JOB        before anything is written
  provpack wrap JOB --to DIR
  provpack verify DIR       tonight, and again in ten years
  provpack deliver DIR --to MEDIUM     hand over; the client types
  provpack receive MEDIUM/NAME         and sends the receipt back

\b
Exit codes: 0 good; 1 done, with warnings; 2 wrong usage; 10 fixity or
structure bad; 11 could not check; 12 input refused; 13 record invalid;
14 destination exists or locked; 15 environment (disk, permission, missing
part); 70 bug in provpack; 128+N stopped by signal N."""


# What a stopped command leaves behind; said after "Received files are untouched."
LEFT_BEHIND = {
    "bench": "Everything that was acknowledged is on disk; passes that were running run on in the log. "
    "Run the same command again.",
    "jot": "The line is in the bench log whole or not at all; `provpack jot show` tells.",
    "wrap": "Every package that stands under its final name is complete; the one in the making was taken "
    "away. Run the same command again: finished packages are left alone.",
    "deliver": "No delivery stands under its final name unless it is complete; the packages were only read. "
    "Run the same command again.",
    "receive": "What is received was only read, and no receipt was written. Run the same command again.",
    "close": "The receipt is entered whole or not at all; run the same command again, it tells.",
    "enter": "The lines are in the ledger whole or not at all; `provpack custody` tells.",
    "trace": "Notices and tables that stand under their final names are complete; the packages were only "
    "read. Move what was written away, then run the same command again.",
    "audit": "The packages were only read; a table or page that stands under its name is complete. Move it "
    "away, then run the same command again.",
    "catalogue": "Packages and ledgers were only read. What was taken in stays; a rebuild that was not "
    "complete changed nothing. Run the same command again.",
    "heal": "The copies are untouched, and no package stands under its final name unless it is complete. "
    "Run the same command again; a package that was complete already gets its record and ledger line.",
    "demo": "The folder of the demo is unfinished: delete it and run the demo again.",
    "verify": "Nothing was changed; packages checked so far may stand in the custody ledger. Run the same "
    "command again.",
}
NOTHING_WRITTEN = "Nothing was written. Run the same command again."
AGAIN_AFTER = 5.0
"""Seconds within which a second signal does not disturb the tidying up."""


SHORTLY = 0.02


class Stopped(BaseException):
    """A signal asked us to stop; raised so that staging folders are cleared on the way out."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class _LateGroup(click.Group):
    """A group that knows its commands by name and imports only the one asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(f"provpack.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """The names with their line, without importing every command."""
        from click.shell_completion import CompletionItem

        found = [CompletionItem(name, help=words) for name, words in COMMANDS.items()]
        return [one for one in found if one.value.startswith(incomplete)] + [
            one for one in click.Command.shell_complete(self, ctx, incomplete) if one not in found
        ]

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            raise click.UsageError(not_a_command(args[0], COMMANDS))
        return super().resolve_command(ctx, args)


@click.group(
    cls=_LateGroup,
    invoke_without_command=True,
    epilog=EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="provpack")
@click.option("--debug", is_flag=True, help="Show the traceback of an unexpected error.")
@click.pass_context
def cli(ctx: click.Context, debug: bool) -> int:
    """Wrap finished tape transfers with their chain-of-custody record, and prove them years later."""
    ctx.obj = {"debug": debug}
    if ctx.invoked_subcommand is not None and _nowhere():
        raise _no_folder()
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())
        click.echo(_here())
    return 0


def _here() -> str:
    """What one would type next in the working folder."""
    from pathlib import Path

    from provpack.jobs.whatnext import what_next

    lines = []
    for step in what_next(Path(os.curdir)):
        width = max(len(command) for command, _ in step.commands)
        lines += ["", f"Here: {step.what}"]
        lines += [f"  {command:<{width}}  {why}" for command, why in step.commands]
    return "\n".join(lines)


def main(argv: list[str]) -> int:
    """Run one command line and return its exit code; never raises, save for a traceback with --debug."""
    PRINTED.reset()
    try:
        return _answered(argv)
    except OutputLost as lost:
        return _unheard(lost)
    except (BrokenPipeError, SystemExit):
        # The reader of our output went away (`| head`): click turns that into sys.exit(1), which would mean
        # "with warnings". Nothing more can be said to that reader.
        let_go()
        return 128 + 13


def _answered(argv: list[str]) -> int:
    """As main. Raises what tells that standard output cannot be written."""
    try:
        code = cli.main(args=argv, prog_name="provpack", standalone_mode=False)
        return code if isinstance(code, int) else 0
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.ClickException as err:
        return _misused(err, argv)
    except (OutputLost, BrokenPipeError):
        raise
    except ProvpackError as err:
        if "--debug" in argv:
            traceback.print_exc()
        outcome = {10: "bad", 11: "could_not_check", 70: "failed"}.get(err.exit_code, "refused")
        return _complain(err, outcome, err.exit_code, argv)
    except (KeyboardInterrupt, click.Abort):
        return _stopped(signal.SIGINT, argv)
    except Stopped as stop:
        return _stopped(stop.number, argv)
    except Exception as err:
        if "--debug" in argv:
            traceback.print_exc()
        if isinstance(err, FileNotFoundError) and _nowhere():
            return _complain(_no_folder(), "refused", 15, argv)
        problem = Bug(
            "bug",
            f"A mistake of ours, not of yours: {type(err).__name__}: {err}. Received files are untouched.",
            where="provpack " + " ".join(argv),
            todo="Please report it with the command you typed; --debug before the command's name shows more.",
        )
        return _complain(problem, "failed", 70, argv)


def _nowhere() -> bool:
    """Whether the working folder is gone: then no relative path means anything."""
    try:
        Path.cwd()
    except OSError:
        return True
    return False


def _no_folder() -> EnvironmentProblem:
    return EnvironmentProblem(
        "no-working-folder",
        "The folder you are in is not there any more, or cannot be looked at.",
        where="the working folder",
        todo="Go to a folder that exists (cd), then run the same command again.",
    )


def _unheard(lost: OutputLost) -> int:
    """Nothing can be said on standard output; standard error tells why."""
    let_go()
    return _complain(lost, "failed", lost.exit_code, [])


def _misused(err: click.ClickException, argv: list[str]) -> int:
    context = err.ctx if isinstance(err, click.UsageError) else None
    if isinstance(err, NoArgsIsHelpError) and "--json" not in argv:
        click.echo(err.format_message(), err=True)
        return 2
    if context is not None:
        click.echo(context.get_usage(), err=True)
    return _complain(in_plain_words(err, [word for word in argv[:1] if word in COMMANDS]), "refused", 2, argv)


def _stopped(number: int, argv: list[str]) -> int:
    if PRINTED.code is not None:  # all was done and told already
        return PRINTED.code
    command = next((word for word in argv if word in COMMANDS), "")
    by = "you" if number == signal.SIGINT else f"signal {number} ({signal.Signals(number).name})"
    problem = UsageProblem(
        "stopped",
        f"Stopped by {by}. Received files are untouched.",
        where=f"provpack {command}".strip(),
        todo=LEFT_BEHIND.get(command, NOTHING_WRITTEN),
    )
    return _complain(problem, "stopped", 128 + number, argv)


def _complain(err: ProvpackError, outcome: str, code: int, argv: list[str]) -> int:
    """Say what is wrong on standard error; with --json also as the one object on standard output."""
    what, where, todo = (for_terminal(text) for text in (err.what, err.where, err.todo))
    said = f"provpack: {what}\n  where: {where}\n  to do: {todo}"
    try:
        if "--json" in argv and (not PRINTED.begun or take_back()):
            emit_error(outcome, err.as_json(), code)
    except OutputLost:
        click.echo(said, err=True)
        raise
    click.echo(said, err=True)
    return code


class _Handler:
    """Turns the first signal into Stopped; one that follows at once must not disturb the tidying up."""

    def __init__(self) -> None:
        self._last = float("-inf")

    def __call__(self, number: int, frame: FrameType | None) -> None:
        if monotonic() - self._last < AGAIN_AFTER or comes_later(number):
            return
        if frame is not None and frame.f_code.co_filename.startswith("<frozen importlib"):
            # Inside the import system what is raised may be swallowed (its locks are freed in callbacks).
            later = threading.Timer(SHORTLY, signal.raise_signal, (number,))
            later.daemon = True
            later.start()
            return
        self._last = monotonic()
        raise Stopped(number)


def entry() -> None:
    """The console script."""
    numbers = [getattr(signal, n) for n in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, n)]
    handler = _Handler()
    for number in numbers:
        # what whoever started us chose to ignore (nohup) stays ignored
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, handler)
    closed = take_over()
    try:
        code = main(sys.argv[1:]) if closed is None else _unheard(closed)
        # The work is done and told: a signal from here on would only spoil the exit code.
        for number in numbers:
            signal.signal(number, signal.SIG_IGN)
    except Stopped as stop:  # while something else was being complained of, or just now
        code = _stopped(stop.number, sys.argv[1:])
    sys.exit(code)
