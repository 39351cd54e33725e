"""One place per test, closed at its end; an error that nobody expected fails the test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_server.asking import Place


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    here = Place(tmp_path)
    yield here
    here.close()
    assert here.noted.errors == []
