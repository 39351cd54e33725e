"""The option that asks whether packages meet a client's requirements, for every command that checks some."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from provpack.cli.verifyoptions import Named

if TYPE_CHECKING:
    from provpack.jobs.verified import Examiner


def client_profile_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Adds `--client-profile FILE`, handed to the command as `client_profile: Path | None`."""
    decorated: Callable[..., Any] = click.option(
        "--client-profile",
        "client_profile",
        type=Named(path_type=Path),
        metavar="FILE",
        help="Also say whether each package meets these requirements: a client's requirements file, or a "
        "BagIt profile. Intact but not met: exit code 13.",
    )(command)
    return decorated


def profile_makers(client_profile: Path | None) -> list[Callable[[], Examiner]]:
    """What makes the examiner for that file wherever a check runs (CheckSpec.examiner_makers), nothing
    without a file. Raises InputProblem when it cannot be used."""
    if client_profile is None:
        return []
    from provpack.jobs.clientexamine import profile_examiner
    from provpack.jobs.clientprofiles import load_profile_file

    return [partial(profile_examiner, load_profile_file(client_profile))]
