"""Photos on the page: only those the job names, and only what is a picture by its first bytes."""

from __future__ import annotations

from provpack.bench.replies import Refused
from provpack.bench.session import Bench
from provpack.edge.tree import open_regular, read_limited
from provpack.errors import CouldNotCheck
from provpack.package.photokind import HEAD_BYTES, photo_kind

_SHOWN_AT_MOST = 64 * 1024 * 1024


def photo_bytes(bench: Bench, name: str) -> tuple[bytes, str]:
    """Content and media type of the photo of that name. Raises Refused 404.

    The name must be one that loading the job found as a plain file in its folder; it is opened again
    without following a link in any part of its path.
    """
    named = {
        photo.relative
        for transfer in bench.desk.job().transfers
        for photo in (*transfer.photos, *transfer.condition_photos)
        if photo.path is not None
    }
    if name not in named:
        raise _none()
    try:
        with open_regular(bench.desk.folder, name) as file:
            data = read_limited(file, name, _SHOWN_AT_MOST)
    except CouldNotCheck:
        raise _none() from None
    kind = photo_kind(data[:HEAD_BYTES])
    if kind is None:
        raise _none()
    return data, kind.media_type


def _none() -> Refused:
    return Refused(404, "bench-no-such-photo", "The job names no such photo.", "Go back to the carrier.")
