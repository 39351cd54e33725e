"""The bytes of archives as we write them: tar and zip headers and trailers. Pure; nothing is read here.

The same names, sizes and content give the same bytes, always: one fixed time, no owner, fixed modes.
Sources: POSIX.1-2001 (IEEE 1003.1, utility pax, "pax Interchange Format" and "ustar Interchange Format");
APPNOTE.TXT 6.3 of the zip format, sections named beside the code. Both cited from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Container
from dataclasses import dataclass
from typing import Literal

from provpack.errors import CouldNotCheck
from provpack.package.bagpaths import readable

Form = Literal["tar", "zip"]

BLOCK = 512
"""A tar archive is a row of blocks of so many bytes."""

RECORD = 20 * BLOCK
"""It ends on a multiple of this, the usual blocking factor."""

TIME = 315_532_800
"""1980-01-01T00:00:00Z, the earliest moment that zip can tell, in seconds since 1970."""

DOS_DATE, DOS_TIME = (1980 - 1980) << 9 | 1 << 5 | 1, 0
"""The same in the form of zip (APPNOTE 4.4.6)."""

TAR_LARGEST = 8**11 - 1
"""Most bytes the size field of ustar can tell; from there on a pax record does."""

ZIP_CRC_FIRST = 1024 * 1024
"""A zip member up to so many bytes has its CRC-32 in front of it; a larger one behind it, in a data
descriptor, so that it need be read once only (APPNOTE 4.3.9, 4.4.4 bit 3)."""

U16, U32 = 0xFFFF, 0xFFFFFFFF


@dataclass(frozen=True, slots=True, kw_only=True)
class ZipEntry:
    """One member, stored as it is: bytes, CRC-32, and where its local header begins."""

    name: bytes
    size: int
    crc: int
    offset: int
    folder: bool = False

    @property
    def streamed(self) -> bool:
        """Its CRC-32 stands behind the data."""
        return self.size > ZIP_CRC_FIRST


def new_folders(path: str, known: Container[str]) -> list[str]:
    """The folders above path that are not known yet, outermost first."""
    parts = path.split("/")[:-1]
    above = ["/".join(parts[: n + 1]) + "/" for n in range(len(parts))]
    return [folder for folder in above if folder not in known]


# --- tar -----------------------------------------------------------------------------------------------


def tar_padding(size: int) -> int:
    """Zero bytes after a member of that size."""
    return -size % BLOCK


def tar_header(path: str, size: int, *, folder: bool = False) -> bytes:
    """The blocks in front of a member: a ustar header, before it a pax one where ustar has no room."""
    name = path.encode("utf-8", "surrogateescape")
    kind = b"5" if folder else b"0"
    split = _split(name) if name.isascii() else None
    records = []
    if split is None:
        if not _is_text(name):
            records.append(_pax_record(b"hdrcharset", b"BINARY"))
        records.append(_pax_record(b"path", name))
        split = b"", name[:100].decode("utf-8", "ignore").encode() or b"x"
    if size > TAR_LARGEST:
        records.append(_pax_record(b"size", b"%d" % size))
    front = b""
    if records:
        body = b"".join(records)
        front = _ustar(b"", b"pax-header", len(body), b"x") + body + bytes(tar_padding(len(body)))
    return front + _ustar(split[0], split[1], min(size, TAR_LARGEST), kind)


def tar_trailer(written: int) -> bytes:
    """Two zero blocks, and zeros up to a whole record."""
    end = written + 2 * BLOCK
    return bytes(2 * BLOCK + -end % RECORD)


def _is_text(name: bytes) -> bool:
    try:
        name.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _split(name: bytes) -> tuple[bytes, bytes] | None:
    """(prefix, name) of a ustar header, None when the path does not fit: 155 and 100 bytes, cut at a /."""
    if len(name) <= 100:
        return b"", name
    for cut in range(len(name) - 101, len(name) - 1):
        if name[cut : cut + 1] == b"/" and 0 < cut <= 155:
            return name[:cut], name[cut + 1 :]
    return None


def _pax_record(key: bytes, value: bytes) -> bytes:
    """`length key=value LF`, where length counts itself."""
    rest = b" " + key + b"=" + value + b"\n"
    length = len(rest)
    while length != len(b"%d" % length) + len(rest):
        length = len(b"%d" % length) + len(rest)
    return b"%d" % length + rest


def _ustar(prefix: bytes, name: bytes, size: int, kind: bytes) -> bytes:
    mode = b"0000755\0" if kind == b"5" else b"0000644\0"
    nobody = b"0000000\0"
    head = struct.pack(
        "<100s8s8s8s12s12s8sc100s6s2s32s32s8s8s155s12x", name, mode, nobody, nobody, b"%011o\0" % size,
        b"%011o\0" % TIME, b" " * 8, kind, b"", b"ustar\0", b"00", b"", b"", nobody, nobody, prefix,
    )  # fmt: skip
    return head[:148] + b"%06o\0 " % sum(head) + head[156:]


# --- zip -----------------------------------------------------------------------------------------------


def zip_name(path: str) -> bytes:
    """UTF-8, as bit 11 says (APPNOTE 4.4.4, appendix D). Raises CouldNotCheck for a name that is no text."""
    try:
        return path.encode("utf-8")
    except UnicodeEncodeError:
        raise CouldNotCheck(
            "name-not-text",
            "The name of this file is not valid UTF-8, and a zip archive has no place for such a name.",
            where=readable(path),
            todo="Deliver the package as a folder or as a tar archive.",
        ) from None


def _flags(entry: ZipEntry) -> int:
    return 0x0800 | (0x0008 if entry.streamed else 0)


def _version(entry: ZipEntry, zip64: bool) -> int:
    """Version needed to extract (APPNOTE 4.4.3.2)."""
    return 45 if zip64 else 20 if entry.streamed or entry.folder else 10


def zip_local(entry: ZipEntry) -> bytes:
    """Local file header (APPNOTE 4.3.7); with a data descriptor to come, CRC-32 and sizes are zero."""
    zip64 = entry.size >= U32
    size, crc = (0, 0) if entry.streamed else (entry.size, entry.crc)
    extra = struct.pack("<HHQQ", 1, 16, size, size) if zip64 else b""  # 4.5.3
    told = U32 if zip64 else size
    head = struct.pack(
        "<4sHHHHHIIIHH", b"PK\3\4", _version(entry, zip64), _flags(entry), 0, DOS_TIME, DOS_DATE, crc, told,
        told, len(entry.name), len(extra),
    )  # fmt: skip
    return head + entry.name + extra


def zip_descriptor(entry: ZipEntry) -> bytes:
    """Data descriptor (APPNOTE 4.3.9), with its signature; b"" where the local header told all."""
    if not entry.streamed:
        return b""
    form = "<4sIQQ" if entry.size >= U32 else "<4sIII"
    return struct.pack(form, b"PK\7\x08", entry.crc, entry.size, entry.size)


def zip_central(entry: ZipEntry) -> bytes:
    """Central directory header (APPNOTE 4.3.12)."""
    large = [n for n in (entry.size, entry.size, entry.offset) if n >= U32]
    extra = struct.pack(f"<HH{len(large)}Q", 1, 8 * len(large), *large) if large else b""
    made_by = 3 << 8 | 63  # 4.4.2: attributes as on Unix; version 6.3
    mode = 0o040755 << 16 | 0x10 if entry.folder else 0o100644 << 16
    size = min(entry.size, U32)
    head = struct.pack(
        "<4sHHHHHHIIIHHHHHII", b"PK\1\2", made_by, _version(entry, bool(large)), _flags(entry), 0, DOS_TIME,
        DOS_DATE, entry.crc, size, size, len(entry.name), len(extra), 0, 0, 0, mode, min(entry.offset, U32),
    )  # fmt: skip
    return head + entry.name + extra


def zip_end(entries: int, start: int, size: int) -> bytes:
    """End of central directory (APPNOTE 4.3.14 to 4.3.16). start, size: of the central directory, bytes."""
    front = b""
    if entries >= U16 or start >= U32 or size >= U32:
        made_by, needed = 3 << 8 | 63, 45
        front = struct.pack(
            "<4sQHHIIQQQQ", b"PK\6\6", 44, made_by, needed, 0, 0, entries, entries, size, start
        ) + struct.pack("<4sIQI", b"PK\6\7", 0, start + size, 1)
    count = min(entries, U16)
    return front + struct.pack(
        "<4sHHHHIIH", b"PK\5\6", 0, 0, count, count, min(size, U32), min(start, U32), 0
    )
