"""What goes into a package beside the master and its metadata: documents, photos, other passes, and what
stood around the audio of the received file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from provpack.chunks.layout import Layout
from provpack.edge.received import ReceivedFile, file_shorter
from provpack.errors import Bug
from provpack.jobs.assembledfile import AudioSource
from provpack.jobs.loaded import LoadedTransfer, NamedFile
from provpack.jobs.progress import Progress
from provpack.jobs.staging import Staging
from provpack.jobs.wraprecord import file_entry, note_pass
from provpack.package import layout as places
from provpack.package.names import distinct_file_names

PIECE = 1024 * 1024
Document = tuple[str, NamedFile, str]
"""Place in the package, file, role."""


def documents_of(transfer: LoadedTransfer) -> list[Document]:
    """Everything the sheet names beside the master."""
    taken = [Path(places.RECEIVED_HEAD).name, Path(places.RECEIVED_TAIL).name]
    photos = {p.relative: p for p in (*transfer.condition_photos, *transfer.photos)}
    named = [(d, "document") for d in transfer.documents if d.relative not in photos]
    named += [(p, "photo") for p in photos.values()]
    named = [(f, role) for f, role in named if f.path is not None]
    safe = distinct_file_names([*taken, *(f.written for f, _ in named)])[len(taken) :]
    out = [
        (f"{places.DOCUMENTS_FOLDER}/{name}", f, role) for name, (f, role) in zip(safe, named, strict=True)
    ]
    passes = [f for f in transfer.pass_files.values() if f.path is not None]
    safe = distinct_file_names(f.written for f in passes)
    out += [(f"{places.PASSES_FOLDER}/{name}", f, "pass") for name, f in zip(safe, passes, strict=True)]
    return out


def add_documents(
    staging: Staging, documents: Sequence[Document], record: dict[str, Any], progress: Progress, name: str
) -> None:
    """Copy them, digested on the way, and note them in the record."""
    photos = []
    for place, named, role in documents:
        if named.path is None:
            continue
        with ReceivedFile(named.path) as source:
            progress.begin(f"{name}: {named.written}", source.size)
            written = staging.add(place, _told(_pieces(source, 0, source.size), progress))
            source.check_unchanged()
        record["files"].append(file_entry(role, written, named))
        if role == "photo":
            photos.append({"path": place, "sha256": written.digests["sha256"]})
        if role == "pass":
            note_pass(record, named, written.digests["sha256"])
    if photos:
        record["condition"]["condition_photos"] = photos


def add_surroundings(staging: Staging, source: AudioSource, layout: Layout, record: dict[str, Any]) -> None:
    """Keep what stood around the audio of the received file: head + audio + tail is that file again."""
    data = layout.data
    if data is None:
        raise Bug("no-audio", "Audio went missing.", where=str(source.path), todo="Report this.")
    end = data.offset + data.size
    for place, start, stop in (
        (places.RECEIVED_HEAD, 0, data.offset),
        (places.RECEIVED_TAIL, end, source.size),
    ):
        if stop > start:
            written = staging.add(place, _pieces(source, start, stop))
            record["files"].append(file_entry("sidecar", written, None))
    source.check_unchanged()


def _told(pieces: Iterator[bytes], progress: Progress) -> Iterator[bytes]:
    for piece in pieces:
        yield piece
        progress.advance(len(piece))


def _pieces(source: AudioSource, start: int, stop: int) -> Iterator[bytes]:
    for at in range(start, stop, PIECE):
        wanted = min(PIECE, stop - at)
        part = source.read_at(at, wanted)
        if len(part) != wanted:
            raise file_shorter(str(source.path), at + len(part))
        yield part
