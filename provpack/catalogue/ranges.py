"""Paths beneath a root: as a range of an index, or as a plain condition."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, and_, or_

from provpack.catalogue import words
from provpack.catalogue.tables import beginning


def inside(place: Any, root: str) -> ColumnElement[bool]:
    """Whether a place is a root or lies beneath it, paths and addresses alike: a range of the index."""
    above, after = _bounds(root)
    return and_(beginning(place) >= above[:480], beginning(place) <= after[:480], among_all(place, root))


def among_all(place: Any, root: str) -> ColumnElement[bool]:
    """The same where another index is to be walked: no engine can use that of places for it."""
    above, after = _bounds(root)
    return or_(place == above, and_(place > f"{above}/", place < after))


def _bounds(root: str) -> tuple[str, str]:
    """The root, and what comes after all places beneath it: "0" is the character after "/"."""
    above = (words.text(root) or "").rstrip("/")
    return above, f"{above}0"
