"""Fixtures every test may use: where the reference files are, and which outside tools exist."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

IN_CI = os.environ.get("CI") == "true"
REFERENCE = Path(
    os.environ.get("PROVPACK_REFERENCE", Path(__file__).resolve().parents[2] / "shared" / "reference")
)

# In CI the same examples every time, so that a landing does not hang on the dice; at home new ones. Nowhere
# is an example judged by the clock: that would judge what else the machine has to do at that moment.
settings.register_profile("home", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", settings.get_profile("home"), derandomize=True, database=None)
settings.load_profile("ci" if IN_CI else "home")


def absent(reason: str) -> None:
    """Skip on a user's machine; fail in CI, where everything must be there."""
    if IN_CI:
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def reference() -> Path:
    """The folder of reference files (wav, bags, xsd), see ORIGINS.md there."""
    if not REFERENCE.is_dir():
        absent(f"reference files not found at {REFERENCE} (set PROVPACK_REFERENCE)")
    return REFERENCE


@pytest.fixture(scope="session")
def tool() -> Callable[[str], str]:
    """Path of an outside program, or a skip that names it."""

    def find(name: str) -> str:
        path = shutil.which(name)
        if path is None:
            absent(f"{name} is not installed; this cross-check was not run")
        return str(path)

    return find
