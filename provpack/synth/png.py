"""PNG bytes from an array of pixels: 8-bit RGB, no interlace (W3C PNG, second edition, sections 5, 9, 11)."""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

SIGNATURE = b"\x89PNG\r\n\x1a\n"


def png_bytes(pixels: NDArray[np.uint8], *, text: tuple[tuple[str, str], ...] = ()) -> bytes:
    """Pixels of shape (height, width, 3) as one PNG file; text: keyword and Latin-1 text of tEXt chunks."""
    height, width, channels = pixels.shape
    if channels != 3 or not height or not width:
        raise ValueError("pixels must have the shape (height, width, 3) and not be empty")
    lines = np.zeros((height, 1 + 3 * width), dtype=np.uint8)
    lines[:, 0] = 2  # filter type Up: the difference to the line above, modulo 256
    rows = pixels.reshape(height, 3 * width)
    lines[0, 1:] = rows[0]
    lines[1:, 1:] = rows[1:] - rows[:-1]
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = [_chunk(b"IHDR", header)]
    body += [_chunk(b"tEXt", k.encode("latin-1") + b"\0" + v.encode("latin-1")) for k, v in text]
    body += [_chunk(b"IDAT", zlib.compress(lines.tobytes(), 6)), _chunk(b"IEND", b"")]
    return SIGNATURE + b"".join(body)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
