"""Rooms, commands and error codes in DEVELOPERS.md are generated. To write them anew after a change:

PROVPACK_WRITE_DOCS=1 .venv/bin/python -m pytest tests/unit/docs
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from support.documents import PARTS, edges, reach, reduced, with_part

DOCUMENT = Path(__file__).parents[3] / "DEVELOPERS.md"


@pytest.mark.parametrize("name", PARTS)
def test_the_part_in_the_document_is_the_one_generated(name: str) -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    wanted = with_part(text, name, PARTS[name]())
    if os.environ.get("PROVPACK_WRITE_DOCS") == "1":
        DOCUMENT.write_text(wanted, encoding="utf-8")
        return
    assert text == wanted, "Write it anew: PROVPACK_WRITE_DOCS=1 .venv/bin/python -m pytest tests/unit/docs"


def test_the_picture_leaves_nothing_out_that_does_not_follow() -> None:
    arrows = edges()
    fewer = reduced(arrows)
    for room in arrows:
        assert reach(room, fewer) == reach(room, arrows), room
        assert room not in reach(room, arrows), f"{room} imports itself in a circle"
    assert sum(map(len, fewer.values())) < sum(map(len, arrows.values()))
