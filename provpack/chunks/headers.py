"""Chunk headers: what looks like one, and where the next one starts after an odd-sized chunk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from provpack.chunks.layout import Pad
from provpack.chunks.limits import U32

Order = Literal["little", "big"]
Peek = Callable[[int], bytes]
"""offset -> up to 8 bytes from there."""

KNOWN = frozenset(
    b"fmt |data|fact|LIST|bext|iXML|axml|bxml|sxml|chna|cue |id3 |ID3 |JUNK|PAD |FLLR|ds64|r64m|qlty|levl"
    b"|link|dbmd|cart|_PMX|DISP|smpl|inst|acid|PEAK|afsp|umid|minf|elm1|regn|DGDA|CSET|plst|list|junk".split(
        b"|"
    )
)
"""Ids seen in real WAVE files; used only to judge whether bytes are a chunk header."""

SUB_KNOWN = frozenset({b"labl", b"note", b"ltxt", b"file"})
"""Sub-chunks of LIST adtl. Those of LIST INFO all start with a capital I."""


def printable(chunk_id: bytes) -> bool:
    """Four ASCII characters, padded with spaces on the right (RIFF-1991, FOURCC)."""
    return len(chunk_id) == 4 and chunk_id[0] != 0x20 and all(0x20 <= b < 0x7F for b in chunk_id)


def likelihood(peek: Peek, offset: int, limit: int, order: Order = "little") -> int:
    """0: no chunk starts at offset; 1: one may; 2: a known one that fits before limit."""
    head = peek(offset)
    if len(head) < 8 or not printable(head[:4]):
        return 0
    size = int.from_bytes(head[4:8], order)
    known = head[:4] in KNOWN or head[:4] in SUB_KNOWN
    fits = size <= limit - offset - 8 or size == U32 or head[:4] == b"data"
    return int(known) + int(fits)


def after_odd(peek: Peek, end: int, limit: int, order: Order = "little") -> tuple[int, Pad]:
    """Where the next header is after an odd-sized body that stops at end, and what the pad byte was.

    A zero there is a pad byte, because no id starts with one. Otherwise the padded reading wins unless
    only, or better, the unpadded one looks like a chunk.
    """
    if end >= limit:
        return limit, "absent"
    if peek(end)[:1] == b"\0":
        return end + 1, "zero"
    if likelihood(peek, end, limit, order) > likelihood(peek, end + 1, limit, order):
        return end, "absent"
    return end + 1, "nonzero"


def chain_reaches(peek: Peek, offset: int, limit: int, order: Order = "little", steps: int = 256) -> bool:
    """Whether headers from offset lead to limit, or to a known chunk that fits, within so many steps.

    Used after a data chunk of size 0, to tell chunks from audio.
    """
    for _ in range(steps):
        rank = likelihood(peek, offset, limit, order)
        if rank == 2:
            return True
        if rank == 0:
            return False
        size = int.from_bytes(peek(offset)[4:8], order)
        offset += 8 + size + (size & 1)
        if offset in (limit, limit + 1):
            return True
        if offset > limit:
            return False
    return False
