"""What is to be delivered, for whom, and whether there is room for it where it is to go."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path

from provpack.edge.commit import PARTIAL_PREFIX, Disk
from provpack.edge.tree import find_bags
from provpack.errors import DestinationProblem, EnvironmentProblem, InputProblem, UsageProblem
from provpack.findings import Finding
from provpack.jobs import deliveryrules as rules
from provpack.jobs.clientprofiles import ClientProfile
from provpack.jobs.deliverylook import Looked
from provpack.package.bagpaths import readable
from provpack.package.deliverynote import delivery_name, is_safe_name


def find_packages(paths: Sequence[Path]) -> tuple[list[Path], list[Finding]]:
    """Every package at or beneath the paths, each once, by its real path; and what was passed over."""
    found: dict[Path, None] = {}
    passed: list[Finding] = []
    for path in paths:
        if path.exists() and not path.is_dir():
            raise InputProblem(
                "not-a-folder", "This is a file; deliver takes the folders of packages.",
                where=readable(str(path)),
                todo="Name the package's folder, or the folder it lies in. An archive is made with --as; one "
                "that is there already is handed over as it is, or unpacked and checked first.",
            )  # fmt: skip
        if not path.is_dir():
            raise InputProblem(
                "no-such-folder", "There is no such folder.", where=readable(str(path)),
                todo="Name a package, or a folder with packages in it, as wrap made them.",
            )  # fmt: skip
        search = find_bags(path)
        if search.unreadable:
            where, why = search.unreadable[0]
            raise InputProblem(
                "folder-unreadable", f"A folder could not be searched for packages: {why}.",
                where=readable(str(where)),
                todo="Check its permissions; a delivery that lacks packages would be worse than none.",
            )  # fmt: skip
        for bag in search.bags:
            found[bag.resolve()] = None
        for kind, there in (
            ("a symbolic link, which is not followed", search.links),
            ("a staging folder of an interrupted run", search.leftovers),
            ("an archive; packages are delivered from their folders", search.archives),
        ):
            for one in there:
                what = f"'{readable(one.name)}' was passed over: it is {kind}."
                passed.append(rules.PASSED_OVER.found(what, readable(str(one))))
    if not found:
        raise InputProblem(
            "no-packages", "There is no package at or beneath this.",
            where=", ".join(readable(str(p)) for p in paths),
            todo="Name the folder that was given to wrap after --to.",
        )  # fmt: skip
    return list(found), passed


def client_of(looked: Sequence[Looked], asked: str | None) -> str | None:
    """Whose packages are delivered. Nothing of one client may ever go to another."""
    there = sorted({one.client for one in looked if one.client})
    shown = ", ".join(f"'{name}'" for name in there) or "none"
    if asked is not None:
        if asked.strip() in there:
            return asked.strip()
        raise InputProblem(
            "client-unknown", f"No package here was made for '{asked}'.", where="--client",
            todo=f"Spell it as in the records. Clients there are: {shown}.",
        )  # fmt: skip
    if len(there) > 1:
        raise InputProblem(
            "several-clients", f"There are packages of {len(there)} clients here: {shown}.",
            where=", ".join(sorted({readable(str(one.root.parent)) for one in looked})[:5]),
            todo="Say for whom this delivery is, with --client NAME. Nothing goes to another client.",
        )  # fmt: skip
    return there[0] if there else None


def check_profile_is_theirs(profile: ClientProfile | None, client: str | None) -> None:
    """Requirements that say whose they are must be those of the client."""
    if profile is not None and client is not None and profile.client not in (None, client):
        raise InputProblem(
            "requirements-of-another", f"These are requirements of '{profile.client}', not of '{client}'.",
            where=profile.where, todo="Name the requirements file of this client after --client-profile.",
        )  # fmt: skip


def look_at_destination(
    paths: Sequence[Path], destination: Path, disk: Disk, list_names: Callable[[Path], list[str]]
) -> list[str] | None:
    """Names in the destination; None when it does not exist yet."""
    target = Path(os.path.realpath(destination))
    for path in paths:
        source = Path(os.path.realpath(path))
        if target == source or source in target.parents:
            raise DestinationProblem(
                "destination-among-packages", "The destination lies where the packages are.",
                where=str(destination),
                todo="Name another folder after --to: there, its packages would be found a second time.",
            )  # fmt: skip
    if disk.is_folder(destination):
        return list_names(destination)
    if disk.exists(destination):
        raise DestinationProblem(
            "destination-not-a-folder", "The destination is there already, but it is not a folder.",
            where=str(destination), todo="Name a folder after --to, or one that does not exist yet.",
        )  # fmt: skip
    if not disk.is_folder(destination.parent):
        raise EnvironmentProblem(
            "no-parent-folder", "The folder in which the destination would be made does not exist.",
            where=str(destination.parent),
            todo="Make it first (is the medium mounted?), or mend the path after --to.",
        )  # fmt: skip
    return None


def default_name(client: str, date: str) -> str:
    """The name of a delivery from the whole of the client's name and the day."""
    return delivery_name(re.sub(r"[/\\.\s]+", "_", client), date)


def check_name_is_free(final: Path, name: str, disk: Disk) -> None:
    if not is_safe_name(name) or name[0] in "-_":
        raise UsageProblem(
            "delivery-name", f"'{readable(name)}' cannot be the name of a delivery.", where="--name",
            todo="Begin with a letter or digit, and use lower-case letters, digits, '_', '-' and '.' only, "
            "so that every system can hold it and no tool takes it for an option.",
        )  # fmt: skip
    if disk.exists(final):
        raise DestinationProblem(
            "destination-exists", f"There is already something called {name}.", where=str(final),
            todo="A delivery is never overwritten or added to. Give this one another name with --name.",
        )  # fmt: skip


def leftovers(existing: Sequence[str], destination: Path) -> list[Finding]:
    return [
        rules.LEFTOVER.found(
            f"'{readable(name)}' is what an interrupted delivery left, or one is being made now.",
            readable(str(destination / name)), position={"path": readable(name)},
        )
        for name in sorted(existing)
        if name.startswith(PARTIAL_PREFIX)
    ]  # fmt: skip
