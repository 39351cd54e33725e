"""Read what a zip archive holds: the central directory, held against every local header.

Nothing is believed that only one of the two says, and every byte of the archive must belong to exactly one
member or to the directory. Sources: APPNOTE.TXT 6.3 of the zip format, sections named beside the code; cited
from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from provpack.chunks.source import ByteSource
from provpack.package import archiverules as rules
from provpack.package.archive import MAX_MEMBERS, Contents, Gatherer, Member, StopReading
from provpack.package.archivebytes import U16, U32
from provpack.package.archivezipname import NameProblem, zip_path
from provpack.package.bagpaths import Kind, readable

MAX_DIRECTORY = 48 * 1024 * 1024
"""Bytes of a central directory that are read."""

MAX_GROWTH = 1032
"""DEFLATE cannot make more than so many bytes of one (RFC 1951: 258 bytes from two bits at best)."""

_CENTRAL, _LOCAL, _END = struct.Struct("<4s6H3I5H2I"), struct.Struct("<4s5H3I2H"), struct.Struct("<4s4H2IH")
_END64, _LOCATOR = struct.Struct("<4sQ2H2I4Q"), struct.Struct("<4sIQI")
_ENCRYPTED = 1 << 0 | 1 << 6 | 1 << 13  # 4.4.4
_DESCRIPTOR, _UTF8 = 1 << 3, 1 << 11


@dataclass(frozen=True, slots=True, kw_only=True)
class _Directory:
    """Where the central directory is, and how many entries it claims."""

    entries: int
    start: int
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Central:
    """One header of the central directory (4.3.12), Zip64 fields put in their place."""

    at: int
    made_by: int
    needed: int
    flags: int
    method: int
    time: int
    date: int
    crc: int
    stored: int
    size: int
    name: bytes
    extra: bytes
    disk: int
    attributes: int
    offset: int

    @property
    def path(self) -> str:
        return self.name.decode("utf-8", "surrogateescape")


def looks_like_zip(first: bytes) -> bool:
    """Whether a file that begins so may be a zip archive: a local header, or the end of an empty one."""
    return first[:4] in (b"PK\3\4", b"PK\5\6")


def read_zip(source: ByteSource) -> Contents:
    """What the archive holds, and what is wrong with it. Raises only OSError, when the source does."""
    gather = Gatherer(source.size)
    try:
        directory = _find_directory(source, gather)
        entries = []
        for entry in _directory(source, gather, directory):
            if not gather.room(entry.name):
                break
            entries.append(entry)
        after = 0
        for entry in sorted(entries, key=lambda e: e.offset):
            after = _member(source, gather, entry, after, directory.start)
        if after < directory.start and gather.complete:
            what = f"{directory.start - after} bytes in front of the central directory belong to no member."
            gather.say(rules.EXTRA_BYTES, what, after)
    except StopReading:
        return gather.gave_up()
    return gather.done()


# --- the end, and the directory ------------------------------------------------------------------------


def _find_directory(source: ByteSource, gather: Gatherer) -> _Directory:
    """The end record (4.3.16) that reaches exactly to the last byte, and what Zip64 says in its stead."""
    length = min(source.size, _END.size + U16)
    tail = source.read_at(source.size - length, length)
    exact: list[int] = []
    other: list[int] = []
    at = tail.rfind(b"PK\5\6")
    while at >= 0:
        if at + _END.size <= len(tail):
            reach = at + _END.size + _END.unpack_from(tail, at)[7]
            (exact if reach == len(tail) else other).append(at)
        at = tail.rfind(b"PK\5\6", 0, at)
    if len(exact) > 1:
        raise gather.stop(rules.CONTRADICTS, "It has two ends, one in the comment of the other.", source.size)
    if not exact:
        if other:
            what = "Bytes follow the end of the archive, or the end was changed."
            raise gather.stop(rules.EXTRA_BYTES, what, source.size - length + other[0])
        what = "The end of the archive, with its list of contents, is not there."
        raise gather.stop(rules.CUT_SHORT, what, source.size)
    place = source.size - length + exact[0]
    _, disk, first, here, entries, size, start, _ = _END.unpack_from(tail, exact[0])
    directory, end = _Directory(entries=entries, start=start, size=size), place
    locator = source.read_at(place - _LOCATOR.size, _LOCATOR.size) if place >= _LOCATOR.size else b""
    if locator[:4] == b"PK\6\7":
        directory, end = _zip64(source, gather, locator, place, (here, entries, size, start))
    elif (disk, first) != (0, 0) or here != entries:
        raise gather.stop(rules.IN_PARTS, "It is one part of an archive in several parts.", place)
    if directory.start + directory.size != end:
        if directory.start + directory.size > end:
            what = "The central directory would reach beyond its own end record."
            raise gather.stop(rules.DAMAGED, what, place)
        what = f"{end - directory.start - directory.size} bytes stand before the archive or in its directory."
        raise gather.stop(rules.EXTRA_BYTES, what, place)
    if directory.entries * _CENTRAL.size > directory.size:
        what = f"It claims {directory.entries} entries in {directory.size} bytes, which cannot be."
        raise gather.stop(rules.DAMAGED, what, place)
    if directory.entries > MAX_MEMBERS or directory.size > MAX_DIRECTORY:
        what = f"Its directory has {directory.entries} entries in {directory.size} bytes."
        raise gather.stop(rules.TOO_MUCH, what, place)
    return directory


def _zip64(
    source: ByteSource, gather: Gatherer, locator: bytes, place: int, told: tuple[int, int, int, int]
) -> tuple[_Directory, int]:
    """The Zip64 end record (4.3.14) its locator (4.3.15) points at, and its offset."""
    _, disk, at, disks = _LOCATOR.unpack(locator)
    raw = source.read_at(at, _END64.size) if at + _END64.size + _LOCATOR.size <= place else b""
    if raw[:4] != b"PK\6\6" or len(raw) < _END64.size:
        raise gather.stop(rules.DAMAGED, "The Zip64 end record is not where its locator says.", place)
    _, length, _, _, this, first, here, entries, size, start = _END64.unpack(raw)
    if at + 12 + length + _LOCATOR.size != place:
        raise gather.stop(rules.EXTRA_BYTES, "The Zip64 end record does not reach its locator.", at)
    if (disk, this, first) != (0, 0, 0) or disks > 1 or here != entries:
        raise gather.stop(rules.IN_PARTS, "It is one part of an archive in several parts.", at)
    if any(
        short not in (long, full)
        for short, long, full in zip(
            told, (here, entries, size, start), (U16, U16, U32, U32), strict=True
        )
    ):  # fmt: skip
        raise gather.stop(rules.CONTRADICTS, "The two end records differ.", at)
    return _Directory(entries=entries, start=start, size=size), at


def _directory(source: ByteSource, gather: Gatherer, directory: _Directory) -> Iterator[_Central]:
    """Every header of the central directory, which they fill exactly."""
    raw = source.read_at(directory.start, directory.size)
    at = 0
    for _ in range(directory.entries):
        here = directory.start + at
        if raw[at : at + 4] != b"PK\1\2" or at + _CENTRAL.size > len(raw):
            raise gather.stop(rules.DAMAGED, "A header of the central directory is not there.", here)
        (_, made_by, needed, flags, method, time, date, crc, stored, size, names, extras, comment, disk, _,
         attributes, offset) = _CENTRAL.unpack_from(raw, at)  # fmt: skip
        after = at + _CENTRAL.size + names + extras + comment
        if after > len(raw):
            raise gather.stop(rules.DAMAGED, "A header reaches beyond the central directory.", here)
        name = raw[at + _CENTRAL.size : at + _CENTRAL.size + names]
        extra = raw[at + _CENTRAL.size + names : at + _CENTRAL.size + names + extras]
        large = _large(extra, (size, stored, offset))
        if large is None:
            raise gather.stop(rules.DAMAGED, "An extra field of a header is broken.", here)
        size, stored, offset = large
        yield _Central(
            at=here, made_by=made_by, needed=needed, flags=flags, method=method, time=time, date=date,
            crc=crc, stored=stored, size=size, name=name, extra=extra, disk=disk, attributes=attributes,
            offset=offset,
        )  # fmt: skip
        at = after
    if at != len(raw):
        raise gather.stop(
            rules.EXTRA_BYTES, f"{len(raw) - at} bytes follow the last header of the directory.", at
        )


def _fields(extra: bytes) -> Iterator[tuple[int, bytes]] | None:
    """The extra fields (4.5.1), None when they do not fill their room exactly."""
    out, at = [], 0
    while at + 4 <= len(extra):
        tag, length = struct.unpack_from("<HH", extra, at)
        if at + 4 + length > len(extra):
            return None
        out.append((tag, extra[at + 4 : at + 4 + length]))
        at += 4 + length
    # Some programs fill up with a few zeros (alignment), which are no field.
    return iter(out) if not any(extra[at:]) else None


def _large(extra: bytes, told: tuple[int, int, int]) -> tuple[int, int, int] | None:
    """size, stored and offset, from the Zip64 field (4.5.3) where they do not fit; None when it is broken."""
    fields = _fields(extra)
    if fields is None:
        return None
    if U32 not in told:
        return told
    zip64 = next((body for tag, body in fields if tag == 1), b"")
    out, at = [], 0
    for value in told:
        if value == U32:
            if at + 8 > len(zip64):
                return None
            value = int.from_bytes(zip64[at : at + 8], "little")
            at += 8
        out.append(value)
    return out[0], out[1], out[2]


# --- one member ----------------------------------------------------------------------------------------


def _member(source: ByteSource, gather: Gatherer, entry: _Central, after: int, end: int) -> int:
    """Hold the entry against its local header; returns where its bytes end. Raises StopReading, OSError.

    after: where the member before it ended; end: where the central directory begins.
    """
    path = entry.path
    if entry.disk not in (0, U16):
        raise gather.stop(rules.IN_PARTS, f"{readable(path)!r} lies in another part.", entry.at, path)
    if entry.offset < after:
        what = f"{readable(path)!r} begins at offset {entry.offset}, within the member before it."
        raise gather.stop(rules.OVERLAP, what, entry.at, path)
    if entry.offset > after:
        what = f"{entry.offset - after} bytes in front of {readable(path)!r} belong to no member."
        gather.say(rules.EXTRA_BYTES, what, after, path)
    head = source.read_at(entry.offset, _LOCAL.size)
    if len(head) < _LOCAL.size or head[:4] != b"PK\3\4":
        what = f"At offset {entry.offset} there is no local header of {readable(path)!r}."
        raise gather.stop(rules.DAMAGED, what, entry.at, path)
    _, needed, flags, method, time, date, crc, stored, size, names, extras = _LOCAL.unpack(head)
    rest = source.read_at(entry.offset + _LOCAL.size, names + extras)
    name, extra = rest[:names], rest[names:]
    data = entry.offset + _LOCAL.size + names + extras
    large = _large(extra, (size, stored, 0))
    if large is None or len(rest) < names + extras:
        what = f"The local header of {readable(path)!r} has broken extra fields."
        raise gather.stop(rules.DAMAGED, what, entry.offset, path)
    same = (name, flags & ~0x06, method) == (entry.name, entry.flags & ~0x06, entry.method)
    # With a data descriptor, what was not known yet is zero in the local header (4.4.4 bit 3).
    unknown = (0,) if flags & _DESCRIPTOR else ()
    figures = ((crc, entry.crc), (large[1], entry.stored), (large[0], entry.size))
    if not same or any(here != there and here not in unknown for here, there in figures):
        what = f"Name, flags, method, CRC or sizes of {readable(path)!r} differ between its two headers."
        raise gather.stop(rules.CONTRADICTS, what, entry.offset, path)
    # Only the directory needs Zip64 for a member that begins beyond 4 GiB.
    version = entry.needed if entry.offset < U32 else needed
    if (needed, flags, time, date) != (version, entry.flags, entry.time, entry.date):
        what = f"Version, options or time of {readable(path)!r} differ between its two headers."
        gather.say(rules.SLACK, what, entry.offset, path)
    if data + entry.stored > end:
        what = f"{readable(path)!r} claims {entry.stored} bytes; {max(end - data, 0)} remain."
        raise gather.stop(rules.CUT_SHORT, what, entry.offset, path)
    close: int = data + entry.stored
    if flags & _DESCRIPTOR:
        close += _descriptor(source, gather, entry, close)
    if close > end:
        what = f"{readable(path)!r} reaches into the central directory."
        raise gather.stop(rules.OVERLAP, what, entry.offset, path)
    _take(gather, entry, data)
    return close


def _descriptor(source: ByteSource, gather: Gatherer, entry: _Central, at: int) -> int:
    """Length of the data descriptor (4.3.9), which must say what the directory says: with or without its
    signature, sizes of 8 bytes with Zip64."""
    told = (entry.crc, entry.stored, entry.size)
    raw = source.read_at(at, 24)
    forms = [struct.pack("<IQQ", *told)]
    if max(told) <= U32:
        forms.append(struct.pack("<III", *told))
    for plain in forms:
        for whole in (b"PK\7\x08" + plain, plain):
            if raw.startswith(whole):
                return len(whole)
    what = f"The data descriptor behind {readable(entry.path)!r} does not say what the directory says."
    raise gather.stop(rules.CONTRADICTS, what, at, entry.path)


def _take(gather: Gatherer, entry: _Central, data: int) -> None:
    """The entry as a member, its name read and its claims weighed."""
    try:
        path, doubt = zip_path(entry.name, bool(entry.flags & _UTF8), dict(_fields(entry.extra) or ()))
    except NameProblem as err:
        rule = rules.NAME_TEXT if err.text else rules.NAME_UNSAFE
        gather.say(rule, f"{readable(entry.path)!r}: {err}.", entry.at, entry.path)
        return
    if doubt:
        gather.say(rules.NAME_ENCODING, f"{readable(path)!r}: {doubt}.", entry.at, path)
    kind, problem = _kind(entry, path), ""
    shown = readable(path)
    if kind == "directory" and entry.size:
        what = f"{shown!r} is a folder, and yet claims {entry.size} bytes of content."
        gather.say(rules.CONTRADICTS, what, entry.at, path)
        return
    if entry.flags & _ENCRYPTED:
        gather.say(rules.ENCRYPTED, f"{shown!r} is encrypted.", entry.at, path)
        kind, problem = "unreadable", "it is encrypted"
    elif entry.method not in (0, 8):
        gather.say(rules.METHOD, f"{shown!r} is compressed by method {entry.method}.", entry.at, path)
        kind, problem = "unreadable", f"it is compressed by method {entry.method}"
    elif entry.method == 0 and entry.size != entry.stored:
        what = f"{shown!r} is stored as it is, and yet has {entry.stored} bytes for {entry.size}."
        gather.say(rules.CONTRADICTS, what, entry.at, path)
        return
    elif entry.method == 8 and entry.size > MAX_GROWTH * entry.stored:
        what = f"{shown!r} claims to unpack to {entry.size} bytes, from {entry.stored}, which cannot be."
        gather.say(rules.DATA, what, entry.at, path)
        return
    gather.take(
        Member(
            path=path, kind=kind, size=entry.size, offset=data, stored=entry.stored, crc=entry.crc,
            method="deflated" if entry.method == 8 else "stored", header=entry.offset, problem=problem,
        )
    )  # fmt: skip


def _kind(entry: _Central, path: str) -> Kind:
    """From the mode, when a Unix system wrote it (4.4.2: 3, and 19 for OS X); else from the name."""
    mode = entry.attributes >> 16 if entry.made_by >> 8 in (3, 19) else 0
    written = {0o040000: "directory", 0o120000: "symlink", 0o100000: "file", 0: "file"}.get(
        mode & 0o170000, "other"
    )
    if path.endswith("/"):
        return "directory" if written in ("directory", "file") else "other"
    if written == "directory":
        return "directory"
    return "symlink" if written == "symlink" else "file" if written == "file" else "other"
