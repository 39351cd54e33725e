"""Archives made byte by byte, right and wrong. POSIX.1-2001 ustar; zip APPNOTE.TXT 6.3: from memory."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

END = bytes(1024)


def tar_entry(
    name: bytes, data: bytes = b"", kind: bytes = b"0", *, link: bytes = b"", size: bytes | None = None,
    prefix: bytes = b"", magic: bytes = b"ustar\x0000",
) -> bytes:  # fmt: skip
    """A ustar header and its blocks; size: the field as it shall stand there."""
    told = size if size is not None else b"%011o\0" % len(data)
    head = bytearray(512)
    for at, value in (
        (0, name), (100, b"0000644\0"), (108, b"0000000\0"), (116, b"0000000\0"), (124, told),
        (136, b"00000000000\0"), (148, b" " * 8), (156, kind), (157, link), (257, magic), (345, prefix),
    ):  # fmt: skip
        head[at : at + len(value)] = value
    head[148:156] = b"%06o\0 " % sum(head)
    return bytes(head) + data + bytes(-len(data) % 512)


def pax(*records: tuple[bytes, bytes], kind: bytes = b"x") -> bytes:
    """A pax extended header in front of the next entry."""
    body = b""
    for key, value in records:
        rest = b" " + key + b"=" + value + b"\n"
        length = len(rest) + 1
        while len(b"%d" % length) + len(rest) != length:
            length += 1
        body += b"%d" % length + rest
    return tar_entry(b"pax", body, kind)


@dataclass(frozen=True, kw_only=True)
class ZipMember:
    """One member; what stands in the two headers can be set apart from what is there."""

    name: bytes
    data: bytes = b""
    method: int = 0
    flags: int = 0x0800
    descriptor: bytes | None = None
    raw: bytes | None = None  # as stored in the archive
    size: int | None = None
    stored: int | None = None
    crc: int | None = None
    made_by: int = 3 << 8 | 30
    mode: int = 0o100644
    extra: bytes = b""
    local: Mapping[str, object] | None = None  # what the local header says otherwise
    gap: bytes = b""  # bytes in front of its local header
    offset: int | None = None

    def filled(self) -> ZipMember:
        raw = self.raw
        if raw is None:
            packer = zlib.compressobj(9, zlib.DEFLATED, -15)
            raw = packer.compress(self.data) + packer.flush() if self.method == 8 else self.data
        return replace(
            self, raw=raw, size=len(self.data) if self.size is None else self.size,
            stored=len(raw) if self.stored is None else self.stored,
            crc=zlib.crc32(self.data) if self.crc is None else self.crc,
        )  # fmt: skip


def zip_local(member: ZipMember) -> bytes:
    told = replace(member, **member.local) if member.local else member  # type: ignore[arg-type]
    head = struct.pack(
        "<4s5H3I2H", b"PK\3\4", 20, told.flags, told.method, 0, 0x21, told.crc, told.stored, told.size,
        len(told.name), len(told.extra),
    )  # fmt: skip
    return head + told.name + told.extra


def zip_archive(
    members: Sequence[ZipMember], *, comment: bytes = b"", entries: int | None = None, shift: int = 0,
    before_end: bytes = b"", disk: int = 0,
) -> bytes:  # fmt: skip
    out, directory = b"", b""
    for one in members:
        member = one.filled()
        out += member.gap
        offset = len(out) if member.offset is None else member.offset
        out += zip_local(member) + (member.raw or b"") + (member.descriptor or b"")
        directory += struct.pack(
            "<4s6H3I5H2I", b"PK\1\2", member.made_by, 20, member.flags, member.method, 0, 0x21, member.crc,
            member.stored, member.size, len(member.name), len(member.extra), 0, 0, 0, member.mode << 16,
            offset,
        ) + member.name + member.extra  # fmt: skip
    count = len(members) if entries is None else entries
    end = struct.pack(
        "<4s4H2IH", b"PK\5\6", disk, disk, count, count, len(directory), len(out) + shift, len(comment)
    )
    return out + directory + before_end + end + comment


def bag_files(root: Path) -> list[tuple[str, bytes]]:
    """(path from the bag's parent, bytes) of every file of a bag, sorted."""
    return [
        (path.relative_to(root.parent).as_posix(), path.read_bytes())
        for path in sorted(root.rglob("*"))
        if path.is_file()
    ]


def bag_tar(root: Path, extra: bytes = b"", *, before: bytes = b"") -> bytes:
    """The bag as a tar archive, with more entries in front or at the end."""
    return before + b"".join(tar_entry(n.encode(), d) for n, d in bag_files(root)) + extra + END


def bag_zip(root: Path, *extra: ZipMember, method: int = 0) -> list[ZipMember]:
    """The bag's files as zip members, with more of them at the end."""
    return [ZipMember(name=n.encode(), data=d, method=method) for n, d in bag_files(root)] + list(extra)
