"""Where the demo's data is: inside the installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

from provpack.errors import EnvironmentProblem


def demo_folder() -> Path:
    """The folder of demo data; EnvironmentProblem when the installation lacks it."""
    home = Path(__file__).resolve().parents[1]
    for place in (home / "_data" / "demo", home.parent / "demo"):
        if (place / "tapes.toml").is_file():
            return place
    raise EnvironmentProblem(
        "demo-data-missing",
        "The data of the demo is not part of this installation",
        where=str(home / "_data" / "demo"),
        todo="Install provpack again from its wheel, or run it from a complete checkout.",
    )


def read_demo_data() -> dict[str, bytes]:
    """Every file of the demo data by its name relative to the folder, `/`-separated, in sorted order."""
    folder = demo_folder()
    try:
        files = sorted(p for p in folder.rglob("*") if p.is_file() and not p.name.startswith("."))
        return {p.relative_to(folder).as_posix(): p.read_bytes() for p in files}
    except OSError as e:
        raise EnvironmentProblem(
            "demo-data-unreadable",
            f"The data of the demo cannot be read: {e.strerror}",
            where=str(e.filename or folder),
            todo="Check the permissions of the installation.",
        ) from e
