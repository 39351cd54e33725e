"""The `chna` chunk: which track is what (ITU-R BS.2088-2, 8; EBU Tech 3285 supplement 7). Read only."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from provpack.chunks import rules
from provpack.chunks.limits import Collector, id_text, until_nul
from provpack.findings import Finding

_RECORD = struct.Struct("<H12s14s11sx")
MAX_RECORDS = 65_535
"""numUIDs is a 16-bit number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChnaRecord:
    """One track: index counts from 1."""

    track_index: int
    uid: str
    track_ref: str
    pack_ref: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chna:
    """The table; spare records (track index 0) are left out of records."""

    tracks: int
    uids: int
    records: tuple[ChnaRecord, ...]


def parse_chna(data: bytes) -> tuple[Chna | None, tuple[Finding, ...]]:
    """The table, None under 4 bytes; offsets in findings count from the body. Never raises."""
    found = Collector("")
    if len(data) < 4:
        found.add(
            rules.CHNA_BAD, f"The chna chunk has {len(data)} bytes, 4 are needed.", offset=0, chunk="chna"
        )
        return None, found.done()
    tracks, uids = struct.unpack_from("<HH", data)
    room = (len(data) - 4) // _RECORD.size
    if uids > room:
        found.add(
            rules.CHNA_BAD, f"The chna chunk claims {uids} records where {room} fit.", offset=2, chunk="chna"
        )
    records: list[ChnaRecord] = []
    for n in range(min(room, MAX_RECORDS)):
        index, *texts = _RECORD.unpack_from(data, 4 + n * _RECORD.size)
        if index:
            uid, track, pack = (id_text(until_nul(t)) for t in texts)
            records.append(ChnaRecord(track_index=index, uid=uid, track_ref=track, pack_ref=pack))
    return Chna(tracks=tracks, uids=uids, records=tuple(records)), found.done()
