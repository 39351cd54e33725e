"""A bag in a tar or zip archive elsewhere, read in place by ranges: it is not fetched as a whole."""

from __future__ import annotations

import contextlib
from typing import Literal

from provpack.edge.archiveplace import ArchiveKind, ArchivePlace, kind_of
from provpack.edge.remote import store_of
from provpack.edge.remoteaddress import last_name, shown_address
from provpack.edge.remotefault import Broken
from provpack.edge.remotefile import RemoteFile
from provpack.edge.remotenames import Thing


class RemoteArchive(ArchivePlace):
    """A Place. The archive is the same object for as long as it is open, or what is read does not count."""

    def __init__(self, address: str, kind: Literal["tar", "zip"]) -> None:
        """Read the list of contents. Raises Broken, EnvironmentProblem."""
        self.local = None
        self._whole = _opened(address)
        self._begin(shown_address(address), last_name(address), kind, self._whole)

    def close(self) -> None:
        self._whole.close()


def archive_kind_at(address: str) -> ArchiveKind | None:
    """What kind of archive lies there, by its beginning, else by its name. Raises as RemoteArchive."""
    with contextlib.closing(_opened(address)) as file:
        return kind_of(file.read_at(0, 512), last_name(address))


def _opened(address: str) -> RemoteFile:
    store = store_of(address)
    name = store.root(address)
    now: Thing = store.look(name)
    if now.size is None:
        raise Broken("the server does not tell how large it is")
    return RemoteFile(store, now)
