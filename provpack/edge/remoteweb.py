"""Packages on plain web servers: what their pages list, and what the manifests name besides.

A page about a folder is no promise: a folder with an index.html shows that instead of a list, and many
servers list nothing at all. So each file that a manifest names is asked for by its name as well.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

from provpack.edge.remote import Store
from provpack.edge.remoteaddress import as_folder, below, decoded, encoded
from provpack.edge.remotefault import Broken, why
from provpack.edge.remotefile import RemoteFile
from provpack.edge.remotehttp import links
from provpack.edge.remotenames import Thing
from provpack.edge.tree import MAX_DEPTH, MAX_ENTRIES
from provpack.package.bagpaths import unsafe
from provpack.package.bagtext import MAX_TAG_FILE, manifest_kind, parse_declaration, parse_manifest

_ASKING = 8
"""Requests for sizes under way at once: a page does not tell them."""

_ALGORITHMS = ("sha512", "sha256", "sha1", "md5")
_USUAL = (
    "bagit.txt", "bag-info.txt", "fetch.txt",
    *(f"{kind}manifest-{algorithm}.txt" for kind in ("", "tag") for algorithm in _ALGORITHMS),
)  # fmt: skip
"""Tag files that are asked for where a server lists nothing."""


class WebStore(Store):
    """fsspec's file system of the web."""

    def root(self, address: str) -> str:
        return as_folder(address)

    def children(self, address: str) -> list[Thing]:
        root = self.root(address)
        try:
            return self._page(root)
        except Broken as err:
            if not err.closed:
                raise
            with contextlib.suppress(Broken):
                self.look(below(root, "bagit.txt"))
                return [Thing(path="bagit.txt", name=below(root, "bagit.txt"))]
            raise

    def _page(self, folder: str) -> list[Thing]:
        try:
            return links(self.system, folder)
        except Exception as err:
            raise why(err) from None

    def everything(self, address: str, blind: list[str]) -> Iterator[Thing]:
        root = self.root(address)
        folders: dict[str, Thing] = {}
        names: dict[str, str] = {}
        waiting = [("", root)]
        while waiting and len(names) + len(folders) < MAX_ENTRIES:
            folder, here = waiting.pop()
            try:
                page = self._page(here)
            except Broken as err:
                if not err.closed:
                    raise
                blind.append(folder.rstrip("/"))
                continue
            for link in page:
                path = f"{folder}{decoded(link.path)}"
                if link.kind != "directory":
                    names[path] = link.name
                elif path not in folders:
                    folders[path] = Thing(path=path, name=link.name, kind="directory")
                    if path.count("/") < MAX_DEPTH:
                        waiting.append((f"{path}/", below(here, link.path)))
        yield from folders.values()
        with ThreadPoolExecutor(_ASKING, thread_name_prefix="provpack-sizes") as pool:
            sized = pool.map(self._sized, names, names.values())
            known = {thing.path: thing for thing in sized if thing is not None}
            usual = [name for name in _USUAL if name not in known] if blind[:1] == [""] else []
            self._ask(pool, root, usual, known, None)
            named = [path for path in self._named(known) if path not in known and path not in folders]
            self._ask(pool, root, named, known, blind)
        yield from known.values()

    def _ask(
        self,
        pool: ThreadPoolExecutor,
        root: str,
        paths: Iterable[str],
        known: dict[str, Thing],
        blind: list[str] | None,
    ) -> None:
        """Add to what is known what is there under these paths; blind gets the folders that hid it."""
        wanted = list(paths)
        for thing in pool.map(self._sized, wanted, [f"{root}/{encoded(path)}" for path in wanted]):
            if thing is None:
                continue
            known[thing.path] = thing
            folder = thing.path.rpartition("/")[0]
            if blind is not None and folder not in blind:
                blind.append(folder)

    def _named(self, known: dict[str, Thing]) -> set[str]:
        """Every path that a manifest names; a manifest that cannot be read names none here."""
        found: set[str] = set()
        for name, thing in known.items():
            if not manifest_kind(name) or (thing.size or 0) > MAX_TAG_FILE:
                continue
            with contextlib.suppress(Broken), contextlib.closing(RemoteFile(self, thing)) as file:
                manifest = parse_manifest(file.read_at(0, file.size), name, parse_declaration(b""))
                found |= {line.path for line in manifest.lines if unsafe(line.path) is None}
        return found

    def _sized(self, path: str, name: str) -> Thing | None:
        """The file with its size and stamp, or as unreadable; None when there is nothing of that name."""
        thing = Thing(path=path, name=name)
        try:
            now = self.look(name)
        except Broken as err:
            return None if err.gone else thing.unreadable(str(err))
        return replace(thing, size=now.size, stamp=now.stamp)

    def before_reading(self, thing: Thing) -> Thing:
        return thing  # it was asked for by its name already

    def open(self, thing: Thing, *, ranges: bool = True) -> Any:
        if ranges:
            return super().open(thing)
        try:
            return self.system.open(thing.name, "rb", block_size=0)
        except Exception as err:
            raise why(err) from None
