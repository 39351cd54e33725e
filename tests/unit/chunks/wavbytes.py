"""WAVE files put together byte by byte, independently of the code under test."""

from __future__ import annotations

import struct

from provpack.chunks.layout import Layout
from provpack.chunks.source import BytesSource
from provpack.chunks.walk import read_layout

U32 = 0xFFFFFFFF
FMT = struct.pack("<HHIIHH", 1, 2, 44056, 44056 * 4, 4, 16)
"""16-bit stereo PCM at 44056 Hz."""
AUDIO = bytes(range(1, 41))
"""Ten frames of FMT; no byte is zero, and 0x21 to 0x28 are printable."""


def chunk(chunk_id: bytes, body: bytes, *, size: int | None = None, pad: bytes | None = None) -> bytes:
    """A chunk; size: another declared size; pad: other bytes than the lawful pad."""
    padding = b"\0" * (len(body) % 2) if pad is None else pad
    return chunk_id + struct.pack("<I", len(body) if size is None else size) + body + padding


def riff(*parts: bytes, form: bytes = b"RIFF", size: int | None = None) -> bytes:
    """A file of ready chunks; size: another RIFF size than the true one."""
    body = b"WAVE" + b"".join(parts)
    return form + struct.pack("<I", len(body) if size is None else size) + body


def ds64(
    riff_size: int, data_size: int, samples: int, table: bytes = b"", entries: int | None = None
) -> bytes:
    count = len(table) // 12 if entries is None else entries
    return chunk(b"ds64", struct.pack("<QQQI", riff_size, data_size, samples, count) + table)


def rf64(*parts: bytes, form: bytes = b"RF64", samples: int = 10, data_size: int = len(AUDIO)) -> bytes:
    """An RF64 file; parts stand after ds64."""
    total = 4 + 36 + sum(len(p) for p in parts)
    return riff(ds64(total, data_size, samples), *parts, form=form, size=U32)


def walk(data: bytes) -> Layout:
    return read_layout(BytesSource(data), "tape-12.wav")


def rule_ids(layout: Layout) -> list[str]:
    return [f.rule for f in layout.findings]
