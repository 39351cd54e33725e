"""Which catalogue a command works with: `--catalogue WHERE`, shared by all commands that use one."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from provpack.catalogue.opening import Catalogue

F = Callable[..., Any]

VARIABLE = "PROVPACK_CATALOGUE"
_FILE = Path("provpack", "catalogue.sqlite")


class Root(click.types.StringParamType):
    """A folder, archive or address as typed; never empty: that would stand for the working folder."""

    name = "root"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if value == "":
            self.fail("it is empty. For the working folder write '.'.", param, ctx)
        return super().convert(value, param, ctx)


def catalogue_option(function: F) -> F:
    """`--catalogue WHERE`, argument `catalogue`: what was named on the command line or in the environment,
    None when nothing was (then default_place() is meant; open_for and open_if_there know)."""
    return click.option(
        "--catalogue", "catalogue", metavar="WHERE", envvar=VARIABLE, callback=_named,
        help="The catalogue: an SQLite file, or postgresql://... Without it: the environment variable "
        f"{VARIABLE}, else {_FILE} in $XDG_DATA_HOME (~/.local/share).",
    )(function)  # fmt: skip


def _named(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    """What was named. Nothing is not the usual place: a variable that a script forgot to set must not have
    another catalogue rebuilt."""
    if value is not None and not value.strip():
        raise _nothing("--catalogue")
    return value


def _usual() -> Path:
    """default_place(), unless the environment variable is there and names nothing (click passes over it)."""
    if VARIABLE in os.environ and not os.environ[VARIABLE]:
        raise _nothing(VARIABLE)
    return default_place()


def _nothing(where: str) -> Exception:
    from provpack.errors import UsageProblem

    return UsageProblem(
        "no-catalogue-named",
        "It names no catalogue: it is empty.",
        where=where,
        todo="Name a file or an address, or leave it out altogether: then the usual catalogue is meant.",
    )


def default_place() -> Path:
    """Where the catalogue lies when nobody said otherwise (XDG Base Directory Specification: a relative
    $XDG_DATA_HOME does not count)."""
    told = os.environ.get("XDG_DATA_HOME", "")
    home = Path(told) if told and Path(told).is_absolute() else Path.home() / ".local" / "share"
    return home / _FILE


def open_for(named: str | None, *, writing: bool = False) -> Catalogue:
    """The catalogue named by the option, else the one at its usual place; writing: made when not there.

    A context manager. Raises EnvironmentProblem and InputProblem as open_catalogue does.
    """
    from provpack.catalogue.opening import open_catalogue

    if named:
        return open_catalogue(named, create=writing)
    usual = _usual()
    if writing:
        _make_folder(usual.parent)
    return open_catalogue(usual, create=writing)


def open_if_there(named: str | None) -> Catalogue | None:
    """As open_for to read; None when nobody named one and there is none at the usual place."""
    if not named and not os.path.lexists(_usual()):
        return None
    return open_for(named)


def open_to_rebuild(named: str | None) -> Catalogue:
    """As open_for to write; a file that is damaged beyond reading is put aside under another name first."""
    from provpack.catalogue.places import put_aside
    from provpack.errors import EnvironmentProblem

    try:
        return open_for(named, writing=True)
    except EnvironmentProblem as err:
        place = default_place() if named is None else Path(named.strip())
        if err.code != "catalogue-damaged" or not place.is_file():
            raise
    put_aside(place)
    return open_for(named, writing=True)


def _make_folder(folder: Path) -> None:
    from provpack.catalogue.places import refuse_in_package
    from provpack.errors import EnvironmentProblem

    refuse_in_package(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise EnvironmentProblem(
            "no-place-for-catalogue",
            f"The folder of the catalogue cannot be made: {err.strerror or err}.",
            where=str(folder),
            todo=f"Name another place with --catalogue, or in the environment variable {VARIABLE}.",
        ) from None
