"""The custody ledger: one JSON object per line, appended for ever, each holding the SHA-512 of the line
before it (the bytes without the line end; 128 zeros for the first).

Removing, changing or reordering any line but the last breaks the chain; the last is witnessed by the copy
of its hash handed to the client (package/ledgerchain.py reads and explains). How lines are appended, and what
becomes of a torn last line: edge/chainedfile.py. Bytes that no append leaves behind are left alone, and
nothing is appended after them; nor to an empty file beside packages, whose history is gone.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from provpack.edge import chainedfile
from provpack.edge.chainedend import last_line, number_of, tail_after_newline
from provpack.edge.commit import explain
from provpack.edge.ledgerend import LEDGER, history_gone
from provpack.edge.tree import open_regular
from provpack.errors import CouldNotCheck, EnvironmentProblem
from provpack.package.ledgerchain import Break, Chain, Entry, Witness, read_chain

LEDGER_NAME = "custody-ledger.jsonl"


def find_ledger(start: Path) -> Path | None:
    """The ledger in the folder of `start` or in the folder above it, if there is one."""
    here = start if start.is_dir() else start.parent
    for folder in (here, here.parent):
        candidate = folder / LEDGER_NAME
        if candidate.is_file() and not candidate.is_symlink():
            return candidate
    return None


def unfit_ledger(start: Path) -> tuple[Path, str] | None:
    """What stands under the ledger's name where find_ledger looks, nearer than any ledger, and what it is;
    None when that is a regular file or nothing. It is neither read nor written."""
    here = start if start.is_dir() else start.parent
    for folder in (here, here.parent):
        candidate = folder / LEDGER_NAME
        try:
            mode = os.lstat(candidate).st_mode
        except (OSError, ValueError):
            continue
        if stat.S_ISREG(mode):
            return None
        return candidate, "link" if stat.S_ISLNK(mode) else "folder" if stat.S_ISDIR(mode) else "special file"
    return None


# --- reading ---


def read_ledger(
    path: Path,
    *,
    witnesses: Sequence[Witness] = (),
    keep: bool = False,
    each: Callable[[int, Entry], None] | None = None,
) -> Chain:
    """Read the ledger as it is now; see package.ledgerchain.read_chain. Never raises for what it holds.

    Lines that are appended meanwhile are not read. Raises CouldNotCheck when the file cannot be read.
    """
    with open_regular(path.parent, path.name) as file:
        size = chainedfile.settled_size(file.fileno())
        try:
            blocks = partial(chainedfile.blocks, file.fileno(), size)
            chain = read_chain(blocks, witnesses=witnesses, keep=keep, each=each)
        except OSError as err:
            raise CouldNotCheck(
                "unreadable",
                f"The custody ledger cannot be read: {err.strerror or err}.",
                where=str(path),
                todo="Look at the disk and its connection, or take the second copy.",
            ) from None
    if chain.lines or chain.breaks:
        return chain
    gone = history_gone(path, chain.torn is not None)
    if gone is None:
        return chain
    return replace(chain, breaks=(Break(kind="cut_off", entries=None, lines=(), what=gone),))


def read_entries(path: Path) -> list[dict[str, Any]]:
    """All entries, after the whole chain was checked. Raises EnvironmentProblem naming the first break."""
    try:
        chain = read_ledger(path, keep=True)
    except CouldNotCheck as err:
        raise EnvironmentProblem(err.code, err.what, where=err.where, todo=err.todo) from None
    if chain.breaks:
        first = chain.breaks[0]
        raise EnvironmentProblem(
            "ledger-broken",
            chain.trouble,
            where=f"{path}, line {first.lines[0]}" if first.lines else str(path),
            todo="Compare it with a copy kept elsewhere; a line was changed, removed or moved.",
        )
    return [dict(entry) for entry in chain.entries]


def head(path: Path) -> tuple[int, str] | None:
    """Number and SHA-512 of the last entry, for a delivery note; None when there is no ledger or no entry.

    Only the end of the file is read; whether the chain holds is not looked at. A torn end is not counted.
    Raises CouldNotCheck or EnvironmentProblem when the last line cannot be read as an entry.
    """
    if not os.path.lexists(path):
        return None
    with open_regular(path.parent, path.name) as file:
        fd = file.fileno()
        try:
            size = chainedfile.settled_size(fd)
            size -= len(tail_after_newline(fd, size, path, LEDGER)) if size else 0
            last = last_line(fd, size, path, LEDGER)
        except OSError as err:
            raise explain(err, path, "read the custody ledger") from None
    return None if last is None else (number_of(last, path, LEDGER), hashlib.sha512(last).hexdigest())


# --- appending ---


def append(path: Path, entry: Mapping[str, Any]) -> dict[str, Any]:
    """Append one entry and return it with `n` and `previous` filled in. Synced before it returns.

    Raises EnvironmentProblem when the ledger cannot be written or its last line is not ours to follow.
    """
    return append_many(path, (entry,))[0]


def append_many(path: Path, entries: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Append several entries under one lock and one sync: all of them, or none. Raises as append does."""
    return append_new(path, lambda: entries)


def append_new(
    path: Path, make: Callable[[], Iterable[Mapping[str, Any]]], *, see: Callable[[Entry], None] | None = None
) -> list[dict[str, Any]]:
    """Append what make() returns after see() was shown every entry there is; nothing can come between.

    When make returns nothing, nothing is written. Raises as append does, and whatever make and see raise.
    """
    return chainedfile.append_new(path, make, LEDGER, see=see)
