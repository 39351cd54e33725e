"""Look for bags at or beneath an address; the counterpart of tree.find_bags for what lies elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

from provpack.edge.remote import Store, store_of
from provpack.edge.remoteaddress import WEB, below, decoded, protocol_of, shown_address
from provpack.edge.remotefault import Broken
from provpack.edge.remotenames import Thing
from provpack.edge.tree import ARCHIVE_NAMES, LEFTOVER, MAX_DEPTH, MAX_ENTRIES, is_bag
from provpack.errors import CouldNotCheck
from provpack.package.bagpaths import is_system_file, readable


@dataclass(frozen=True, slots=True, kw_only=True)
class RemoteSearch:
    """Addresses of bags, sorted, and what kept us from looking everywhere. single: the address is one
    object, and is not named like an archive."""

    bags: tuple[str, ...] = ()
    unreadable: tuple[tuple[str, str], ...] = ()
    leftovers: tuple[str, ...] = ()
    archives: tuple[str, ...] = ()
    single: bool = False


def find_bags_at(address: str, *, max_folders: int = MAX_ENTRIES) -> RemoteSearch:
    """The bags at or beneath an address, one request per folder; a bag in a bag is not looked for.

    Raises EnvironmentProblem when such addresses cannot be read here, CouldNotCheck when this one cannot;
    its code is `not-there` when the server says that nothing has this name.
    """
    store = store_of(address)
    try:
        first = store.children(address)
    except Broken as err:
        return _one_object(store, address, err)
    if any(thing.path == "" and thing.kind == "file" and not thing.name.endswith("/") for thing in first):
        return _single(address)
    return _beneath(store, address, first, max_folders)


def absence_at(address: str, *, archive: bool = False) -> str | None:
    """Why no package lies at this address, as a sentence; None when one does. archive: one in an archive.
    Nothing is read. Raises EnvironmentProblem as find_bags_at, CouldNotCheck when it cannot be told."""
    store = store_of(address)
    try:
        store.look(store.root(address if archive else below(address, "bagit.txt")))
    except Broken as err:
        if not err.gone:
            raise _not_read(address, err) from None
    else:
        return None
    if archive:
        return "There is nothing of that name at the server any more."
    try:
        names = {thing.path for thing in store.children(address)}
    except Broken as err:
        if not err.gone:
            raise _not_read(address, err) from None
        return "There is nothing of that name at the server any more."
    return None if is_bag(names) else "There is no package at this address any more."


def _single(address: str) -> RemoteSearch:
    if shown_address(address).lower().endswith(ARCHIVE_NAMES):
        return RemoteSearch(archives=(address,))
    return RemoteSearch(single=True)


def _one_object(store: Store, address: str, err: Broken) -> RemoteSearch:
    """What cannot be listed may be one object on a web server. Raises CouldNotCheck."""
    if protocol_of(address) in WEB and not address.endswith("/"):
        try:
            store.look(store.root(address))
        except Broken as other:
            err = other if other.gone or not err.gone else err
        else:
            return _single(address)
    raise _not_read(address, err)


def _not_read(address: str, err: Broken) -> CouldNotCheck:
    return CouldNotCheck(
        "not-there" if err.gone else "unreadable",
        f"The address cannot be read: {err}.",
        where=readable(shown_address(address)),
        todo="Look whether the address and its bucket are spelled right, and whether the server answers.",
    )


def _beneath(store: Store, address: str, first: list[Thing], most: int) -> RemoteSearch:
    bags: list[str] = []
    unreadable: list[tuple[str, str]] = []
    leftovers: list[str] = []
    archives: list[str] = []
    waiting: list[tuple[str, int]] = []
    web = protocol_of(address) in WEB

    def look(folder: str, depth: int, things: list[Thing]) -> None:
        names = {decoded(t.path) if web else t.path: t for t in things}
        if is_bag(names.keys()):
            bags.append(folder)
            return
        for name, thing in names.items():
            here = below(folder, thing.path)
            if not name and thing.kind != "directory":
                continue  # the mark that object storage keeps for the folder itself
            if name in ("", ".", "..") or "/" in name or "\0" in name:
                unreadable.append((here, "its name can be none of a folder or file"))
            elif thing.kind == "directory" and LEFTOVER in name:
                leftovers.append(here)
            elif thing.kind == "directory":
                waiting.append((here, depth + 1))
            elif name.lower().endswith(ARCHIVE_NAMES) and not is_system_file(name):
                (leftovers if LEFTOVER in name else archives).append(here)

    look(address, 0, first)
    looked = 1
    while waiting:
        folder, depth = waiting.pop()
        looked += 1
        if looked > most or depth > MAX_DEPTH:
            unreadable.append((folder, "there are more folders here than are searched"))
            if looked > most:
                break
            continue
        try:
            look(folder, depth, store.children(folder))
        except Broken as err:
            unreadable.append((folder, str(err)))
    return RemoteSearch(
        bags=tuple(sorted(bags)),
        unreadable=tuple(sorted(unreadable)),
        leftovers=tuple(sorted(leftovers)),
        archives=tuple(sorted(archives)),
    )
