"""Packages on object storage and web servers: the door to fsspec. Read-only; nothing is copied to a disk.

Only what an address asks for is opened. Credentials come from where fsspec and the driver of the protocol
look for them: the environment and their own configuration files.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from provpack.edge.place import PlacedFile
from provpack.edge.remoteaddress import WEB, last_name, misspelled, protocol_of, shown_address
from provpack.edge.remotefault import Broken, why
from provpack.edge.remotefile import RemoteFile
from provpack.edge.remotenames import Thing, listing_of, size_of, stamp_of, thing_of
from provpack.edge.tree import MAX_ENTRIES
from provpack.errors import CouldNotCheck, EnvironmentProblem, ProvpackError
from provpack.findings import Finding
from provpack.package import rules
from provpack.package.bagpaths import Entry, Listing, readable

_INSTALL = "Install what is missing: pip install 'provpack[remote]'"


class Store:
    """A file system of fsspec, for any number of threads."""

    def __init__(self, system: Any) -> None:
        self.system = system

    def root(self, address: str) -> str:
        """The address as this file system names it, without a slash at the end. Raises Broken."""
        try:
            return str(self.system._strip_protocol(address)).rstrip("/")
        except Exception as err:
            raise why(err) from None

    def children(self, address: str) -> list[Thing]:
        """What lies directly in a folder, each path one component as the protocol spells it.

        A Thing with the path "" says that the address is an object itself. Raises Broken.
        """
        root = self.root(address)
        try:
            infos = self.system.ls(root, detail=True)
        except Exception as err:
            raise why(err) from None
        return [thing for info in infos if (thing := thing_of(info, root)) is not None]

    def everything(self, address: str, blind: list[str]) -> Iterator[Thing]:
        """Every object beneath an address, at any depth, unsorted, and folders if any. Raises Broken.

        blind: gets the folders in which more may lie than can be seen. Object storage has no folders: an
        empty one cannot be told from none, so the payload's folder is taken as there.
        """
        root = self.root(address)
        try:
            infos = self.system.find(root, detail=True)
        except Exception as err:
            raise why(err) from None
        if not infos:
            raise Broken("there is nothing of that name", gone=True)
        yield Thing(path="data", name="", kind="directory")
        for info in infos.values():
            if (thing := thing_of(info, root)) is not None:
                yield thing

    def look(self, name: str) -> Thing:
        """One object as it is now. Raises Broken."""
        try:
            info = self.system.info(name)
        except Exception as err:
            raise why(err) from None
        return Thing(path="", name=name, size=size_of(info), stamp=stamp_of(info))

    def before_reading(self, thing: Thing) -> Thing:
        """What must still be so after reading. Raises Broken.

        ETags are the same in lists and answers; times may come in two forms, so they are asked for again.
        """
        if thing.stamp.startswith("etag "):
            return thing
        return replace(thing, stamp=self.look(thing.name).stamp)

    def open(self, thing: Thing, *, ranges: bool = True) -> Any:
        """The object as a file of fsspec; ranges=False for one that is only read onwards. Raises Broken."""
        try:
            return self.system.open(thing.name, "rb", cache_type="none", size=thing.size)
        except Exception as err:
            raise why(err) from None


_NO_STORAGE = frozenset(
    {
        "arrow_hdfs", "async_wrapper", "asynclocal", "asyncwrapper", "blockcache", "cached", "dask", "data",
        "dir", "filecache", "generic", "libarchive", "reference", "simplecache", "tar", "zip",
    }
)  # fmt: skip
"""What fsspec calls protocols, and no storage of its own: what would unpack another's files, copy them to a
disk on the way, or needs another file system that no address names."""

_stores: dict[tuple[object, ...], Store] = {}
_lock = threading.Lock()


def store_of(address: str) -> Store:
    """The storage behind an address, opened once per process. Raises EnvironmentProblem, and CouldNotCheck
    for an address that cannot be one."""
    wrong = misspelled(address)
    if wrong is not None:
        todo = "Mend the address: protocol://host-or-bucket/folder."
        where = readable(shown_address(address))
        raise CouldNotCheck("misspelled", f"The address is misspelled: {wrong}", where=where, todo=todo)
    protocol = protocol_of(address)
    web = protocol in WEB
    from provpack.edge.remotehttp import options as web_options
    from provpack.edge.remoteweb import WebStore

    try:
        import fsspec

        if protocol in _NO_STORAGE:
            raise ValueError(protocol)
        maker = fsspec.get_filesystem_class(protocol)
        options = web_options() if web else dict(maker._get_kwargs_from_urls(address))
    except ImportError as err:
        raise _problem(
            address, f"A part that {protocol}:// needs is not installed: {err}.", _INSTALL
        ) from None
    except ValueError:
        what = f"{protocol}:// is no kind of address that is known here."
        todo = (
            f"{_INSTALL}, or the part of fsspec that serves {protocol}://; look also for a slip of the pen."
        )
        raise _problem(address, what, todo) from None
    key = (os.getpid(), protocol, *sorted((name, str(value)) for name, value in options.items()))
    with _lock:
        if key not in _stores:
            try:
                system = maker(**options, skip_instance_cache=True, use_listings_cache=False)
            except Exception as err:
                todo = "Look at the settings of this storage in the environment, then check again."
                raise _problem(address, f"The storage cannot be opened: {why(err)}.", todo) from None
            _stores[key] = WebStore(system) if web else Store(system)
        return _stores[key]


def _problem(address: str, what: str, todo: str) -> ProvpackError:
    return EnvironmentProblem("no-storage", what, where=readable(shown_address(address)), todo=todo)


class RemotePlace:
    """A bag whose files are objects beneath an address; a Place. Nothing is fetched that is not asked for."""

    serialisation: str | None = None
    local: Path | None = None

    def __init__(self, address: str) -> None:
        """Raises EnvironmentProblem when there is no way to read such addresses."""
        self.shown = shown_address(address)
        self.name = last_name(address)
        self._address = address
        self._store = store_of(address)
        self._seen: tuple[Listing, dict[str, Thing], list[str]] | None = None

    def _look(self) -> tuple[Listing, dict[str, Thing], list[str]]:
        """What lies there, asked for once: the tree, the readable files, the folders only partly seen."""
        if self._seen is None:
            blind: list[str] = []
            try:
                found = listing_of(self._store.everything(self._address, blind), MAX_ENTRIES)
            except Broken as err:
                found = Listing(entries=(Entry(path="", kind="unreadable", problem=str(err)),)), {}
            self._seen = *found, blind
        return self._seen

    @property
    def findings(self) -> tuple[Finding, ...]:
        folders = self._look()[2]
        if not folders:
            return ()
        names = ", ".join(readable(name) or "the package's own folder" for name in folders[:10])
        what = f"The server does not list all that is in {names}{' ...' if len(folders) > 10 else ''}."
        todo = "What manifests name was checked; a file that no manifest names cannot be seen from here."
        return (rules.NOT_CHECKED.found(what, readable(self.shown), severity="warning", todo=todo),)

    def listing(self) -> Listing | None:
        return self._look()[0]

    @contextlib.contextmanager
    def open(self, path: str) -> Iterator[PlacedFile]:
        thing, said = self._look()[1].get(path), "there is nothing of that name"
        try:
            thing = thing and self._store.before_reading(thing)
        except Broken as err:
            thing, said = None, str(err)
        if thing is None:
            raise CouldNotCheck(
                "unreadable",
                f"The object cannot be opened: {said}.",
                where=readable(path),
                todo="Look at the address with a general tool, then check again.",
            )
        with contextlib.closing(RemoteFile(self._store, thing)) as file:
            yield file

    def close(self) -> None:
        """Connections belong to the storage and stay for the next package."""
