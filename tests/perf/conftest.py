"""An installed provpack is compiled; a run that may not write bytecode compiles it at each start."""

from __future__ import annotations

from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True, scope="session")
def compiled_modules(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Programs started by a benchmark keep their bytecode, as `pip install` would have left it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("PYTHONDONTWRITEBYTECODE", raising=False)
        patch.setenv("PYTHONPYCACHEPREFIX", str(tmp_path_factory.mktemp("bytecode")))
        yield
