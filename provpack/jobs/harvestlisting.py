"""Is the payload there, as far as names and sizes tell? No byte of it is read: only `verify` tells more."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from itertools import islice

from provpack.catalogue.values import Raised
from provpack.jobs import harvestrules as rules
from provpack.jobs.harvestjudge import as_raised
from provpack.model.recordview import View
from provpack.package.bagdisk import Disk
from provpack.package.baginfo import BagInfo
from provpack.package.bagpaths import Entry, Findings, readable
from provpack.package.bagtext import Manifest
from provpack.package.figures import counted

MOST_TOLD = 50
"""Payload files of one package that are named; of more only the number is told."""
_KINDS = {"symlink": "a link", "directory": "a folder"}


def all_seen(disk: Disk) -> bool:
    """Whether everything beneath data could be listed."""
    return not disk.beneath_unreadable("data") and not any(
        e.kind == "unreadable" and e.path.startswith("data/") for e in disk.listing.entries
    )


def listing_raised(
    disk: Disk,
    manifests: Collection[Manifest],
    to_fetch: Collection[str],
    info: BagInfo | None,
    record: Mapping[str, object] | None,
) -> list[Raised]:
    """What of the listing is not what was sealed: files that the payload manifests name and that are not
    there; another size than the record says; another sum than Payload-Oxum (RFC 8493 section 2.2.2) says.

    to_fetch: paths that fetch.txt names, which may be absent (section 2.2.3). record: only one that is what
    was sealed. Where a folder could not be read, nothing is said of what may lie in it.
    """
    named: dict[str, Entry | None] = {}
    for manifest in manifests:
        if manifest.kind == "payload":
            for line in manifest.lines:
                if line.path not in named:
                    named[line.path] = disk.find(line, manifest.name, Findings())
    wrong = [*_missing(disk, named, to_fetch), *_sizes(named, record)]
    told = [as_raised(*one) for one in islice(wrong, MOST_TOLD)]
    if len(wrong) > MOST_TOLD:
        more = f"Not there, or of another size: {counted(len(wrong) - MOST_TOLD, 'more file')}."
        told.append(as_raised(rules.PAYLOAD_MISSING.id, "error", more, "data"))
    if not wrong and all_seen(disk) and not any(path not in disk.entries for path in to_fetch):
        told += _sums(disk, info)
    return told


def _missing(
    disk: Disk, named: Mapping[str, Entry | None], to_fetch: Collection[str]
) -> Iterator[tuple[str, str, str, str]]:
    rule = rules.PAYLOAD_MISSING.id
    for path, entry in named.items():
        shown = readable(path)
        if entry is None and path not in to_fetch and not disk.beneath_unreadable(path):
            yield rule, "error", f"{shown} is listed in the manifest and is not there.", shown
        elif entry is not None and entry.kind not in ("file", "unreadable"):
            kind = _KINDS.get(entry.kind, "no regular file")
            yield rule, "error", f"{shown} is listed in the manifest; there is {kind} in its place.", shown


def _sizes(
    named: Mapping[str, Entry | None], record: Mapping[str, object] | None
) -> Iterator[tuple[str, str, str, str]]:
    for row in View(record=record or {}).rows("files"):
        path, size = row.text("path"), row.whole("bytes")
        entry = named.get(path) if path else None
        if path and entry is not None and entry.kind == "file" and size is not None and entry.size != size:
            shown = readable(path)
            what = f"{shown} has {entry.size} bytes; the record says {size}."
            yield rules.PAYLOAD_DIFFERS.id, "error", what, shown


def _sums(disk: Disk, info: BagInfo | None) -> Iterator[Raised]:
    files = disk.payload_files()
    octets = sum(entry.size for entry in files)
    for oxum in info.oxums if info is not None else ():
        if (oxum.octets, oxum.streams) != (octets, len(files)):
            there = f"{counted(octets, 'byte')} in {counted(len(files), 'payload file')}"
            what = f"There are {there}; Payload-Oxum says {oxum.octets} in {oxum.streams}."
            yield as_raised(rules.PAYLOAD_DIFFERS.id, "error", what, "data")
            return
