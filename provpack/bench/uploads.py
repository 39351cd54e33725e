"""Photos that come in: looked at by their first bytes, staged while they arrive, then named and declared."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from typing import Final

from provpack.bench.bodies import too_large
from provpack.bench.live import in_thread
from provpack.bench.replies import CHANGED_MEANWHILE, Refused
from provpack.bench.session import Bench
from provpack.edge.benchphoto import Arriving, take_away
from provpack.errors import ProvpackError
from provpack.jobs.benchdesk import Acted
from provpack.package.names import safe_file_name
from provpack.package.photokind import HEAD_BYTES, PhotoKind, photo_kind

PHOTO_LIMIT: Final = 40 * 1024 * 1024
PHOTO_FIELDS: Final = ("condition_photos", "photos")
_BLOCK: Final = 1 << 20
_TRIES: Final = 5


class Upload:
    """One photo of a transfer. feed() pieces of it, then finish(); abandon() in any case at the end."""

    def __init__(self, bench: Bench, transfer_id: str, field: str, name: str) -> None:
        self._bench = bench
        self._transfer_id, self._field, self._name = transfer_id, field, name
        self._waiting = bytearray()
        self._size = 0
        self._kind: PhotoKind | None = None
        self._arriving: Arriving | None = None

    async def feed(self, part: bytes) -> None:
        """Raises Refused (no picture, too large), ProvpackError (disk)."""
        self._size += len(part)
        if self._size > PHOTO_LIMIT:
            raise too_large(PHOTO_LIMIT)
        self._waiting += part
        if self._kind is None and self._size >= HEAD_BYTES:
            self._look()
        if self._kind is not None and len(self._waiting) >= _BLOCK:
            await self._write()

    def _look(self) -> None:
        self._kind = photo_kind(bytes(self._waiting[:HEAD_BYTES]))
        if self._kind is None:
            raise Refused(
                415, "bench-no-photo", "This is no photo in a form that is taken here.",
                "Nothing was kept. Send a JPEG, PNG, WebP, AVIF, HEIC or TIFF file.", close=True,
            )  # fmt: skip

    async def _write(self) -> None:
        pool = self._bench.threads.files
        if self._arriving is None:
            self._arriving = await in_thread(pool, Arriving, self._bench.desk.folder)
        data = bytes(self._waiting)
        self._waiting.clear()
        await in_thread(pool, self._arriving.write, data)

    async def finish(self) -> Acted:
        """Name it, sync it, declare it; only then it is told. Raises what feed raises."""
        if self._kind is None:
            self._look()
        assert self._kind is not None
        await self._write()
        assert self._arriving is not None
        prefix = safe_file_name(self._transfer_id.replace("/", "_").replace("\\", "_"))
        name = photo_name(self._name, self._kind)
        threads = self._bench.threads
        relative = await in_thread(threads.files, self._arriving.keep, prefix, name)
        try:
            acted: Acted = await in_thread(
                threads.acts, declare, self._bench, self._transfer_id, self._field, relative
            )
        except BaseException:
            take_away(self._bench.desk.folder, relative)
            raise
        self._bench.hub.state(acted.state.n)
        return acted

    async def abandon(self) -> None:
        """Take away what was staged, if anything still is."""
        if self._arriving is not None:
            await in_thread(self._bench.threads.files, self._arriving.drop)


def photo_name(original: str, kind: PhotoKind) -> str:
    """A safe name with the ending its content has."""
    name = safe_file_name(original)
    if name.endswith(kind.endings):
        return name
    stem = re.sub(r"\.(jpe?g|jpe|png|webp|avif|hei[cf]|tiff?|gif|bmp)$", "", name)
    return f"{stem}{kind.endings[0]}"


def declare(bench: Bench, transfer_id: str, field: str, relative: str) -> Acted:
    """Add the photo to the list of that field. Somebody else adding one at the same time is no conflict."""
    for attempt in range(_TRIES):
        seen = bench.desk.in_force("transfer", transfer_id, field)
        before = list(seen) if isinstance(seen, list | tuple) else []
        members = {
            "scope": "transfer", "id": transfer_id, "field": field,
            "value": [*before, relative], "was": seen,
        }  # fmt: skip
        try:
            return bench.desk.act("declared", members, by=bench.by or None, through="page")
        except ProvpackError as err:
            if err.code != CHANGED_MEANWHILE or attempt == _TRIES - 1:
                raise
    raise AssertionError("the loop returns or raises")


async def upload(bench: Bench, transfer_id: str, field: str, name: str, parts: AsyncIterator[bytes]) -> Acted:
    """Take one photo in. Raises Refused, ProvpackError; nothing of it is left then."""
    coming = Upload(bench, transfer_id, field, name)
    try:
        async for part in parts:
            await coming.feed(part)
        return await coming.finish()
    finally:
        await coming.abandon()
