"""Sub-chunks of LIST chunks: reading them leniently, writing them with their pad bytes."""

from __future__ import annotations

from collections.abc import Iterator

from provpack.chunks import rules
from provpack.chunks.headers import after_odd, printable
from provpack.chunks.limits import MAX_SUB_CHUNKS, Collector, id_text


def chunk_bytes(chunk_id: bytes, body: bytes) -> bytes:
    """Header, body and, when the size is odd, a zero pad byte (RIFF-1991)."""
    return chunk_id + len(body).to_bytes(4, "little") + body + b"\0" * (len(body) % 2)


def sub_chunks(data: bytes, found: Collector) -> Iterator[tuple[bytes, int, bytes]]:
    """(id, offset of the header in data, body) of each sub-chunk after the 4-byte list type.

    Sizes are bound by what is there; a finding says where the list stops adding up.
    """

    def peek(offset: int) -> bytes:
        return data[offset : offset + 8]

    position = 4
    for _ in range(MAX_SUB_CHUNKS):
        left = len(data) - position
        if left < 8 or not printable(data[position : position + 4]):
            if left > 0 and data[position:].strip(b"\0"):
                found.add(
                    rules.LIST_BAD,
                    f"No sub-chunk starts here (found '{id_text(data[position : position + 4])}'); "
                    f"{left} bytes are left unread.",
                    offset=position,
                    chunk="LIST",
                )
            return
        chunk_id = data[position : position + 4]
        size = int.from_bytes(data[position + 4 : position + 8], "little")
        start = position + 8
        body = data[start : start + size]
        if len(body) < size:
            found.add(
                rules.LIST_BAD,
                f"Sub-chunk '{id_text(chunk_id)}' claims {size} bytes but {len(body)} remain.",
                offset=position,
                chunk="LIST",
            )
        yield chunk_id, position, body
        position = start + len(body)
        if size % 2 and len(body) == size:
            position, pad = after_odd(peek, position, len(data))
            if pad == "absent":
                found.add(
                    rules.PAD_MISSING,
                    f"Sub-chunk '{id_text(chunk_id)}' has the odd size {size} and no pad byte.",
                    offset=position,
                    chunk="LIST",
                )
    if data[position:].strip(b"\0"):
        found.add(
            rules.LIST_BAD,
            f"More than {MAX_SUB_CHUNKS} sub-chunks; {len(data) - position} bytes are left unread.",
            offset=position,
            chunk="LIST",
        )
