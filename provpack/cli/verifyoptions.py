"""The options of `verify` that make a habit of it, and their groups in its help."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from provpack.jobs.choose import Wish

    _Param = click.ParamType[Path | str]
else:
    _Param = click.ParamType  # takes no type arguments before click 8.2

F = Callable[..., Any]

_EMPTY = "An empty path names nothing; type a dot for the folder you are in."

_GROUPS = {
    "What to check": ("depth", "from_catalogue", "catalogue"),
    "What is due, and how much of it": ("older_than", "time_budget", "sample", "sample_to_find",
                                        "confidence", "seed"),
    "How": ("workers", "scheduler", "rate_limit"),
    "What more to ask of a package": ("signers", "require_signature", "client_profile", "second_copy"),
    "What is written": ("no_ledger", "ledger", "brief", "page", "as_json"),
}  # fmt: skip


class Grouped(click.Command):
    """A command whose help lists its options in groups; what is in none stands last."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        options = {
            p.name: told
            for p in self.get_params(ctx)
            if isinstance(p, click.Option) and (told := p.get_help_record(ctx)) is not None
        }
        for title, names in _GROUPS.items():
            rows = [options.pop(name) for name in names if name in options]
            if rows:
                with formatter.section(title):
                    formatter.write_dl(rows)
        with formatter.section("Other"):
            formatter.write_dl(list(options.values()))


class Place(_Param):
    """A path, or an address, which stays a text."""

    name = "path"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path | str:
        if value == "":
            self.fail(_EMPTY, param, ctx)
        if not isinstance(value, str) or "://" not in value:
            return Path(value)
        from provpack.edge.remoteaddress import is_address, misspelled, shown_address, with_plain_protocol

        if not is_address(value):
            return value
        wrong = misspelled(value)
        if wrong is not None:
            self.fail(f"{shown_address(value)} is a misspelled address. {wrong}", param, ctx)
        return with_plain_protocol(value)


class Named(click.Path):
    """A path that is never empty: an empty text would stand for the working folder."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if value == "":
            self.fail(_EMPTY, param, ctx)
        return super().convert(value, param, ctx)


def habit_options(function: F) -> F:
    """Arguments older_than, time_budget, sample, sample_to_find, confidence, seed, from_catalogue, workers,
    scheduler, rate_limit, ledger, brief."""
    for option in (
        click.option(
            "--brief", is_flag=True,
            help="A short summary for mail: the first line says all; then only what needs somebody.",
        ),
        click.option(
            "--ledger", type=Named(path_type=Path), metavar="FILE",
            help="Custody ledger for packages that have none beside them: read for what is due, and written. "
            "Made when it is not there.",
        ),
        click.option(
            "--rate-limit", metavar="RATE",
            help="Read at most so many bytes per second over all workers: 50M, 1.5G, 800k (decimal).",
        ),
        click.option(
            "--scheduler", metavar="ADDRESS",
            help="Check on the workers of the Dask scheduler at this address (extra 'cluster').",
        ),
        click.option(
            "--workers", type=click.IntRange(1, 256), metavar="N",
            help="Packages checked side by side on this machine; otherwise one per processor.",
        ),
        click.option(
            "--from-catalogue", is_flag=True,
            help="Take the list of packages from the catalogue, all or those at or beneath PATHS.",
        ),
        click.option("--seed", type=int, metavar="N", help="Draw the sample that this seed drew before."),
        click.option(
            "--confidence", metavar="SHARE", help="Of what is said of a sample.  [default: 95%]",
        ),
        click.option(
            "--sample-to-find", metavar="SHARE",
            help="Check so many of what is due, drawn at random, that at least one would be met that is not "
            "good if more than this share were not (1%).",
        ),
        click.option(
            "--sample", type=click.IntRange(1), metavar="N",
            help="Check only N of what is due, drawn at random, and say what follows for all.",
        ),
        click.option(
            "--time-budget", metavar="TIME",
            help="Begin no package after this time (90m, 8h); what runs is finished, the rest is left for "
            "the next run.",
        ),
        click.option(
            "--older-than", metavar="AGE",
            help="Only what was not found good, at least so deep, for this long (365d, 12h, 2w; a bare "
            "number is days), and whatever was ever found bad or missing.",
        ),
    ):  # fmt: skip
        function = option(function)
    return function


def wish_of(
    older_than: str | None,
    time_budget: str | None,
    sample: int | None,
    sample_to_find: str | None,
    confidence: str | None,
    seed: int | None,
) -> Wish:
    """What was asked for. Without a seed a new one is made. Raises UsageProblem."""
    import secrets

    from provpack.errors import UsageProblem
    from provpack.jobs.choose import Wish
    from provpack.jobs.typedvalues import age_of, share_of

    for option, value in (("--confidence", confidence), ("--seed", seed)):
        if value is not None and sample is None and sample_to_find is None:
            raise UsageProblem(
                "no-sample",
                "There is no sample of which this could tell, so everything would be checked.",
                where=option,
                todo="Ask for a sample, with --sample or --sample-to-find, or leave this option out.",
            )
    return Wish(
        older_than=age_of(older_than, "--older-than"),
        oldest_first=any(x is not None for x in (older_than, time_budget, sample, sample_to_find)),
        sample=sample,
        sample_for=share_of(sample_to_find, "--sample-to-find"),
        confidence=share_of(confidence, "--confidence") or Wish().confidence,
        seed=secrets.randbits(31) if seed is None else seed,
    )


def refuse_unasked(argument: str, option: str, needs: str) -> None:
    """Refuse an option that was typed without the one it tells of; a value from the environment is no such
    wish. Raises UsageProblem."""
    from click.core import ParameterSource

    from provpack.errors import UsageProblem

    if click.get_current_context().get_parameter_source(argument) is ParameterSource.COMMANDLINE:
        raise UsageProblem(
            "option-without-effect",
            f"{option} changes nothing without {needs}.",
            where=option,
            todo=f"Add {needs}, or leave {option} out.",
        )


def one_crew(scheduler: str | None, workers: int | None) -> None:
    """Refuse what would check elsewhere than was asked. Raises UsageProblem."""
    from provpack.errors import UsageProblem

    if scheduler is not None and not scheduler.strip():
        raise UsageProblem(
            "no-scheduler",
            "An empty address names no scheduler, so everything would be checked on this machine.",
            where="--scheduler",
            todo="Give the scheduler's address (tcp://host:8786), or leave the option out.",
        )
    if scheduler is not None and workers is not None:
        raise UsageProblem(
            "two-crews",
            "Who checks is given by a scheduler or by a number of workers on this machine, not by both.",
            where="--scheduler and --workers",
            todo="Leave one of them out: how many workers a cluster has is told where it is started.",
        )
