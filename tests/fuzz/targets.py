"""All targets by name. Each module's functions say in one sentence what holds for any bytes."""

from __future__ import annotations

from fuzz import targets_bag, targets_bench, targets_papers, targets_sheets, targets_sound
from fuzz.law import TARGETS

__all__ = ["TARGETS", "targets_bag", "targets_bench", "targets_papers", "targets_sheets", "targets_sound"]
