"""A custody ledger beside packages: what its absence of entries means, and what is said about its errors."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path

from provpack.edge.chainedend import ChainWords
from provpack.package.bagpaths import readable

COMPARE = (
    "Run `provpack custody` on this folder and compare the ledger with a copy kept elsewhere (second copy, "
    "backup, the last hash on a delivery note or receipt). Put the whole copy in its place; if there is "
    "none, keep this file under another name, and the next entry starts a new ledger."
)
"""What to do about a ledger that nothing may be appended to."""


_TODO = {
    "disk-full": "Free some space there, then run the same command again.",
    "read-only": "Make the medium writable, or copy the whole folder to one that is; then run it again.",
    "no-permission": "Check who owns the ledger and its folder, and their permissions; then run it again.",
    "file-too-large-here": "Raise the limit, or move the whole folder to another file system; then again.",
}
"""The command that appends may have no choice of destination: the ledger lies where it lies."""


def packages_beside(path: Path) -> list[str]:
    """Names of the sealed packages (folders with a bagit.txt) in the folder of a ledger, sorted."""
    with contextlib.suppress(OSError):
        return sorted(p.parent.name for p in path.parent.glob("*/bagit.txt") if not p.parent.is_symlink())
    return []


def history_gone(path: Path, torn: bool) -> str | None:
    """What is wrong with a ledger without an entry beside packages; None when nothing is.

    torn: the beginning of a first line stands in it. Then one package may lie there: the first append ever
    comes after the first package.
    """
    packages: Sequence[str] = packages_beside(path)
    if len(packages) <= (1 if torn else 0):
        return None
    first, more = readable(packages[0]), len(packages) - 1
    they = f"{first} and {more} more lie" if more else f"{first} lies"
    return f"The ledger has no entry, but {they} beside it: its history is gone."


LEDGER = ChainWords(
    name="custody ledger",
    code="ledger",
    compare=COMPARE,
    in_its_place="Move it away; the next entry starts a new ledger.",
    todo=_TODO,
    history_gone=history_gone,
)
