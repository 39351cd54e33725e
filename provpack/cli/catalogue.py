"""provpack catalogue"""

from __future__ import annotations

from collections.abc import Sequence

import click

from provpack.cli.catalogued import Root, catalogue_option, open_for, open_to_rebuild
from provpack.cli.output import emit, json_option


@click.group(name="catalogue")
def command() -> None:
    """An index over all packages and custody ledgers: fill it, search it.

    It is never the only copy of anything: whatever happens to it, `rebuild` makes it anew from the packages
    and ledgers, which are only read. The audio is not read: nothing in it says that a package is intact.
    """


_WORKERS = click.option(
    "--workers", type=click.IntRange(1, 256), metavar="N",
    help="Processes that read packages; otherwise one per processor.",
)  # fmt: skip


@command.command(name="add", short_help="Take in what is new or changed beneath ROOT.")
@click.argument("roots", nargs=-1, type=Root(), metavar="[ROOT]...")
@_WORKERS
@catalogue_option
@json_option
def add(roots: tuple[str, ...], workers: int | None, catalogue: str | None, as_json: bool) -> int:
    """Take in what is new or changed beneath the folders, archives or addresses ROOT.

    What is known and unchanged is not read again; what is not there any more is marked as gone. Stopped at
    any moment, the same command goes on where it was. Without ROOT: the roots that the catalogue knows.
    """
    return _harvest("add", roots, workers, catalogue, as_json)


@command.command(name="rebuild", short_help="Make the catalogue anew from what is beneath ROOT.")
@click.argument("roots", nargs=-1, type=Root(), metavar="[ROOT]...")
@_WORKERS
@catalogue_option
@json_option
def rebuild(roots: tuple[str, ...], workers: int | None, catalogue: str | None, as_json: bool) -> int:
    """Make the catalogue anew from what is beneath ROOT, and from nothing else.

    The old one stays in use until the new one is complete. Without ROOT: the roots that it knows. A file
    that is too damaged to be read is put aside under its name with .damaged (.damaged-2, ...) at the end.
    """
    return _harvest("rebuild", roots, workers, catalogue, as_json)


def _harvest(action: str, roots: Sequence[str], workers: int | None, where: str | None, as_json: bool) -> int:
    from provpack.cli.progress import shown
    from provpack.edge import clock
    from provpack.jobs.harvest import harvest
    from provpack.jobs.harvestlook import answered
    from provpack.report.text_catalogue import catalogue_lines

    anew = action == "rebuild" and bool(roots)
    opened = open_to_rebuild(where) if anew else open_for(where, writing=bool(roots))
    with opened as catalogue, shown(quiet=as_json, things=True) as progress:
        wanted = list(roots) or [root for root, _ in catalogue.ask.roots()]
        if not wanted:
            raise click.UsageError("The catalogue knows no root yet: name the folders with the packages.")
        done = harvest(
            wanted,
            catalogue,
            clock=clock.now,
            progress=progress,
            workers=workers,
            rebuild=action == "rebuild",
        )
        result = answered(action, catalogue, harvest=done)
    return emit("catalogue", result.as_json(), catalogue_lines(result), result.exit_code, as_json=as_json)


@command.command(name="find", short_help="Find packages by words, or by the digest of a file.")
@click.argument("words", nargs=-1, metavar="[WORDS]...")
@click.option(
    "--digest", metavar="HEX",
    help="SHA-256 or SHA-512 of a file in the package, of the audio alone, or of tagmanifest-sha512.txt.",
)  # fmt: skip
@click.option(
    "--limit", type=click.IntRange(0), default=20, show_default=True, metavar="N",
    help="How many are told; 0 = all.",
)  # fmt: skip
@catalogue_option
@json_option
def find(words: tuple[str, ...], digest: str | None, limit: int, catalogue: str | None, as_json: bool) -> int:
    """Find the packages that hold all the WORDS in title, label, notes or identifiers.

    Case does not count. Gone packages are told too, as such.
    """
    words = tuple(word for word in words if word.strip())
    if bool(words) == (digest is not None):
        raise click.UsageError("Give words to look for, or --digest HEX.")
    from provpack.jobs.harvestlook import digest_of
    from provpack.jobs.harvestlook import find as look_for
    from provpack.report.text_catalogue import catalogue_lines

    wanted = digest_of(digest) if digest is not None else None
    with open_for(catalogue) as opened:
        result = look_for(opened, words, wanted, limit)
    return emit("catalogue", result.as_json(), catalogue_lines(result), result.exit_code, as_json=as_json)


@command.command(name="state", short_help="What is known, of which roots, and how old that is.")
@catalogue_option
@json_option
def state(catalogue: str | None, as_json: bool) -> int:
    """What the catalogue knows, of which roots, and how old that is; and how to make it anew."""
    from provpack.edge import clock
    from provpack.jobs.harvestlook import state as look_at
    from provpack.report.text_catalogue import catalogue_lines

    with open_for(catalogue) as opened:
        result = look_at(opened, clock.now())
    return emit("catalogue", result.as_json(), catalogue_lines(result), result.exit_code, as_json=as_json)
