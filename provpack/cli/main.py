"""The `provpack` command: finds the subcommand, turns every error into a sentence and an exit code.

A command's module is imported only when it is used, so that `--help` answers at once.
"""

from __future__ import annotations

import importlib
import json
import os
import signal
import sys
import traceback
from types import FrameType
from typing import Any

import click

from provpack import __version__
from provpack.errors import ProvpackError

# name -> one line for the overview; the module is provpack.cli.<name>, its command `command`.
COMMANDS = {
    "demo": "Make an invented job with synthetic tapes and run the main job on it.",
    "check": "Read a job folder, list everything wrong with it, write nothing.",
    "wrap": "Wrap every transfer of a job folder into a sealed package.",
    "inspect": "Show the chunks, metadata and irregularities of an audio file.",
    "verify": "Check packages and other BagIt bags: good, bad, missing, could_not_check.",
}

EPILOG = """\b
Where to begin:
  provpack demo             see the whole job on invented tapes
  provpack check JOB        before anything is written
  provpack wrap JOB --to DIR
  provpack verify DIR       tonight, and again in ten years

\b
Exit codes: 0 good; 1 done, with warnings; 2 wrong usage; 10 fixity or
structure bad; 11 could not check; 12 input refused; 13 record invalid;
14 destination exists or locked; 15 environment (disk, permission, missing
part); 70 bug in provpack; 128+N stopped by signal N."""


class Terminated(BaseException):
    """SIGTERM or SIGHUP arrived; raised so that staging folders are cleared on the way out."""

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

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else " Type 'provpack --help' for the list."
            raise click.UsageError(f"There is no command '{args[0]}'.{hint}")
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
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())
    return 0


def main(argv: list[str]) -> int:
    """Run one command line and return its exit code; never raises, save for a traceback with --debug."""
    as_json = "--json" in argv
    try:
        code = cli.main(args=argv, prog_name="provpack", standalone_mode=False)
        return code if isinstance(code, int) else 0
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.ClickException as err:
        usage = err.ctx.get_usage() + "\n" if isinstance(err, click.UsageError) and err.ctx else ""
        click.echo(f"{usage}provpack: {err.format_message()}", err=True)
        return 2
    except ProvpackError as err:
        _complain(err, as_json)
        if "--debug" in argv:
            traceback.print_exc()
        return err.exit_code
    except (KeyboardInterrupt, click.Abort):
        click.echo(
            "\nprovpack: stopped by you. Received files are untouched; nothing half-made was left under a "
            "final name. Run the same command again to go on.",
            err=True,
        )
        return 128 + signal.SIGINT
    except Terminated as stop:
        click.echo(f"provpack: stopped by signal {stop.number}; received files are untouched.", err=True)
        return 128 + stop.number
    except BrokenPipeError:
        # The reader of our output went away (`| head`); nothing more can be said to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 128 + 13
    except Exception as err:
        if "--debug" in argv:
            traceback.print_exc()
        click.echo(
            f"provpack: a mistake of ours, not of yours: {type(err).__name__}: {err}\n"
            "Received files are untouched. Please report it with the command you typed; --debug (before "
            "the command's name) shows more.",
            err=True,
        )
        return 70


def _complain(err: ProvpackError, as_json: bool) -> None:
    if as_json:
        word = {10: "bad", 11: "could_not_check"}.get(err.exit_code, "refused")
        problem = {"code": err.code, "what": err.what, "where": err.where, "todo": err.todo}
        click.echo(json.dumps({"outcome": word, "error": problem}, ensure_ascii=False, indent=2))
    click.echo(f"provpack: {err.what}\n  where: {err.where}\n  to do: {err.todo}", err=True)


def _on_signal(number: int, frame: FrameType | None) -> None:
    raise Terminated(number)


def entry() -> None:
    """The console script."""
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), _on_signal)
    sys.exit(main(sys.argv[1:]))
