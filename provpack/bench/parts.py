"""Whether the parts of the extra `bench` are installed. Imports none of them."""

from __future__ import annotations

import importlib.util

from provpack.errors import EnvironmentProblem

PARTS = ("starlette", "uvicorn", "python_multipart")


def require_parts() -> None:
    """Raises EnvironmentProblem when a part is missing."""
    missing = [name for name in PARTS if importlib.util.find_spec(name) is None]
    if missing:
        raise EnvironmentProblem(
            "part-missing",
            "The part that serves the page of the bench is not installed.",
            where=", ".join(missing),
            todo='Install it: pip install "provpack[bench]"; `provpack jot` writes the same log without it.',
        )
