"""Which files of a job folder a chain's `capture_files` means: a glob, folder by folder."""

from __future__ import annotations

import unicodedata
from fnmatch import fnmatchcase

from provpack.package.benchline import Fits

MOST_PARTS = 64
"""Folders in a pattern or a name that are compared; no job folder is that deep (edge/jobfolder)."""


def pattern_fault(pattern: str) -> str:
    """Why a pattern can mean no file of a job folder, in words that follow "it"; "" when it can."""
    if not pattern.strip():
        return "is empty"
    if pattern.startswith("/") or ".." in pattern.split("/"):
        return "leads out of the job folder"
    if "\\" in pattern:
        return "uses a backslash; write / between folders"
    if len(_parts(pattern)) > MOST_PARTS:
        return f"names more than {MOST_PARTS} folders"
    return ""


def fits_pattern(name: str, pattern: str) -> Fits:
    """Whether a name relative to the job folder is one that the pattern means.

    `*`, `?` and `[...]` stay within one folder, `**` stands for any number of folders. not_known: only upper
    and lower case differ, which some disks tell apart and others do not; or the pattern is faulty.
    """
    if pattern_fault(pattern):
        return "not_known"
    have, want = _parts(name), _parts(pattern)
    if _meets(have, want):
        return "agrees"
    folded = _meets([p.casefold() for p in have], [p.casefold() for p in want])
    return "not_known" if folded else "disagrees"


def _parts(text: str) -> list[str]:
    return [p for p in unicodedata.normalize("NFC", text).split("/") if p not in ("", ".")]


def _meets(have: list[str], want: list[str]) -> bool:
    """Positions in `have` that can be reached, pattern part by pattern part: no backtracking, so that no
    pattern takes long."""
    if len(have) > MOST_PARTS:
        return False
    reached = {0}
    for part in want:
        if part == "**":
            reached = set(range(min(reached), len(have) + 1))
        else:
            reached = {at + 1 for at in reached if at < len(have) and fnmatchcase(have[at], part)}
        if not reached:
            return False
    return len(have) in reached
