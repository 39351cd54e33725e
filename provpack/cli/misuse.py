"""What was typed wrong, in words that say what belongs there."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

import click
from click.exceptions import NoArgsIsHelpError

from provpack.errors import UsageProblem

WHAT_IT_IS = {
    "JOB": "the folder that holds job.toml, the sheets and the audio files of a job",
    "FILE": "the path of a file",
    "DIR": "the folder of the packages, in which custody-ledger.jsonl lies",
    "PACKAGE": "the folder of one package, or its .tar or .zip",
    "PACKAGE_OR_FOLDER...": "packages, or the folder that wrap put them into",
    "PATH": "the folder of the delivery, in which delivery-note.json lies, or a package",
    "RECEIPT": "the file receipt-....json that the client sent back",
    "COPY COPY...": "the places of two or more copies of the same package",
    "TRANSFER": "the transfer_id, as the sheet has it",
    "CHAIN": "the id of the chain, as job.toml has it",
}

_RANGE = re.compile(
    r"^(?P<typed>\S+) is not in the range (?:(?P<least>\d+)<=)?x(?:>=(?P<only>\d+)|<=(?P<most>\d+))\.$"
)
_EXTRA = re.compile(r"^Got unexpected extra arguments? \((?P<words>.*)\)$", re.DOTALL)


def in_plain_words(err: click.ClickException, commands: Sequence[str] = ()) -> UsageProblem:
    """The refusal of a command line. commands: the command typed, when the refusal does not know it."""
    context = err.ctx if isinstance(err, click.UsageError) else None
    command = context.command_path if context is not None else " ".join(("provpack", *commands))
    help_ = f"Type '{command} --help'."
    what, todo = err.format_message(), help_
    if isinstance(err, NoArgsIsHelpError):
        what = "The command after this one is missing."
    elif isinstance(err, click.MissingParameter) and err.param is not None and context is not None:
        what, todo = _missing(err.param, context, help_)
    elif isinstance(err, click.BadOptionUsage) and what.endswith("requires an argument."):
        what = f"Nothing stands after {err.option_name}, which needs a value."
        todo = f"Write the value behind it, with a blank between: {err.option_name} VALUE. {help_}"
    elif isinstance(err, click.NoSuchOption):
        if context is not None and context.parent is None:
            todo = f"Options stand after the command's name: provpack COMMAND {err.option_name}. {help_}"
    elif isinstance(err, click.BadParameter) and err.param is not None:
        kind, name = err.param.type, "/".join(err.param.opts)
        if bounds := _RANGE.match(err.message):
            what = f"{name} {bounds['typed']} cannot be: write a whole number{_bounds(bounds)}."
        elif isinstance(kind, click.IntRange) and err.message.endswith(" is not a valid integer range."):
            what = f"{name} {err.message.removesuffix(' is not a valid integer range.')} is no whole number."
        what += _meant(what, map(str, kind.choices)) if isinstance(kind, click.Choice) else ""
    elif extra := _EXTRA.match(what):
        words = extra["words"]
        what = f"Too much was typed; this has no place here: {words}."
        todo = f"A path or text with blanks in it stands in quotes: 'like this'. {help_}"
    return UsageProblem("usage", what, where="the command line", todo=todo)


def not_a_command(word: str, commands: Iterable[str]) -> str:
    """Why the first word is no command, and what may have been meant."""
    if word.lower() in ("help", "version"):
        return f"There is no command '{word}'. Did you mean 'provpack --{word.lower()}'?"
    near = difflib.get_close_matches(word.lower(), commands, n=1)
    if near:
        return f"There is no command '{word}'. Did you mean '{near[0]}'?"
    try:
        kind = "folder" if Path(word).is_dir() else "file" if Path(word).is_file() else ""
    except (OSError, ValueError):
        kind = ""
    if kind:
        return f"'{word}' is a {kind}, and a command stands before it, such as check, inspect or verify."
    return f"There is no command '{word}'. Type 'provpack --help' for the list."


def _missing(param: click.Parameter, context: click.Context, help_: str) -> tuple[str, str]:
    if isinstance(param, click.Option):
        name = max(param.opts, key=len)
        form = param.make_metavar(context)
        said = (param.help or "").split("  [")[0].rstrip(".")
        return f"{name} {form} is missing{': ' + said if said else ''}.", help_
    form = param.make_metavar(context)
    meaning = WHAT_IT_IS.get(form)
    return f"{form} is missing{': ' + meaning if meaning else ''}.", help_


def _bounds(found: re.Match[str]) -> str:
    least, most = found["least"] or found["only"], found["most"]
    if least and most:
        return f" from {least} to {most}"
    return f", {least} or more" if least else f", {most} or less"


def _meant(what: str, choices: Iterable[str]) -> str:
    typed = re.search(r"'([^']*)' is not one of", what)
    near = difflib.get_close_matches(typed[1].lower(), list(choices), n=1) if typed else []
    return f" Did you mean '{near[0]}'?" if near else ""
