"""The `ds64` chunk and the 64-bit sizes it stands for (EBU Tech 3306 Annex A; ITU-R BS.2088-2)."""

from __future__ import annotations

import struct

from provpack.chunks import rules
from provpack.chunks.layout import Ds64
from provpack.chunks.limits import U32, Collector

HEAD = 28
ENTRY = 12


def parse_ds64(body: bytes, offset: int, found: Collector) -> Ds64 | None:
    """The sizes, or None (and a finding) when there are fewer than 28 bytes. Never raises."""
    if len(body) < HEAD:
        found.add(
            rules.DS64_BAD,
            f"The ds64 chunk has {len(body)} bytes, {HEAD} are needed.",
            offset=offset,
            chunk="ds64",
        )
        return None
    riff, data, samples, entries = struct.unpack_from("<QQQI", body)
    room = (len(body) - HEAD) // ENTRY
    if entries > room:
        found.add(
            rules.DS64_BAD,
            f"The ds64 table claims {entries} entries; there is room for {room}.",
            offset=offset + 24,
            chunk="ds64",
        )
    table = tuple(struct.unpack_from("<4sQ", body, HEAD + ENTRY * n) for n in range(min(entries, room)))
    return Ds64(riff_size=riff, data_size=data, sample_count=samples, table=table)


def build_ds64(riff_size: int, data_size: int, samples: int, table: tuple[tuple[bytes, int], ...]) -> bytes:
    """The body of a ds64 chunk."""
    head = struct.pack("<QQQI", riff_size, data_size, samples, len(table))
    return head + b"".join(struct.pack("<4sQ", chunk_id, size) for chunk_id, size in table)


class Sizes:
    """Turns 32-bit size fields into real sizes, with the help of a ds64 chunk when there is one."""

    def __init__(self, found: Collector) -> None:
        self._found = found
        self._entries: dict[bytes, list[int]] = {}
        self.ds64: Ds64 | None = None

    def learn(self, ds64: Ds64 | None) -> None:
        """Take a ds64 chunk into account for the chunks that follow."""
        self.ds64 = ds64
        for chunk_id, size in ds64.table if ds64 else ():
            self._entries.setdefault(chunk_id, []).append(size)

    def resolve(self, chunk_id: bytes, field: int, offset: int, room: int) -> int:
        """The declared size of a chunk whose 32-bit field is given; room is the bytes left for its body."""
        if self.ds64 is None:
            return field
        if chunk_id != b"data":
            entries = self._entries.get(chunk_id)
            return entries.pop(0) if field == U32 and entries else field
        wide = self.ds64.data_size
        if field == U32:
            return wide
        self._found.add(
            rules.DS64_UNUSED,
            f"The data chunk has the 32-bit size {field} where 0xFFFFFFFF is expected.",
            offset=offset + 4,
            chunk="data",
        )
        if field == wide:
            return field
        trusted = wide if wide & U32 == field and wide <= room else field
        self._found.add(
            rules.DS64_DIFFERS,
            f"The data chunk says {field} bytes, the ds64 chunk {wide}; {trusted} is used.",
            offset=offset + 4,
            chunk="data",
        )
        return trusted
