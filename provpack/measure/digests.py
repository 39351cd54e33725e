"""Digests of a byte stream and of its fixed-length blocks."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from provpack.errors import Bug

Buffer = bytes | bytearray | memoryview


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamDigest:
    """Digest of everything fed: algorithm as hashlib names it, lower-case hex, number of bytes."""

    algorithm: str
    hexdigest: str
    size: int


class DigestSink:
    """One digest over all bytes fed, in order."""

    def __init__(self, algorithm: str) -> None:
        self._algorithm = algorithm
        self._hash = hashlib.new(algorithm)
        self._size = 0

    def feed(self, data: Buffer) -> None:
        self._hash.update(data)
        self._size += len(data)

    def finish(self) -> StreamDigest:
        return StreamDigest(algorithm=self._algorithm, hexdigest=self._hash.hexdigest(), size=self._size)


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockDigests:
    """SHA-256 of each block of block_bytes bytes; the last block may be shorter. size is the sum."""

    block_bytes: int
    size: int
    hexdigests: tuple[str, ...]


class BlockDigestSink:
    """SHA-256 of consecutive blocks of a fixed number of bytes.

    Years later a failing whole-file digest says only "something"; these say which second.
    """

    def __init__(self, block_bytes: int) -> None:
        if block_bytes <= 0:
            raise Bug("block-size", "A block needs at least one byte.", where="measure", todo="Report this.")
        self._block_bytes = block_bytes
        self._hash = hashlib.sha256()
        self._filled = 0
        self._size = 0
        self._done: list[str] = []

    def feed(self, data: Buffer) -> None:
        view = memoryview(data)
        self._size += len(view)
        while view:
            part = view[: self._block_bytes - self._filled]
            self._hash.update(part)
            self._filled += len(part)
            view = view[len(part) :]
            if self._filled == self._block_bytes:
                self._close_block()

    def _close_block(self) -> None:
        self._done.append(self._hash.hexdigest())
        self._hash = hashlib.sha256()
        self._filled = 0

    def finish(self) -> BlockDigests:
        if self._filled:
            self._close_block()
        return BlockDigests(block_bytes=self._block_bytes, size=self._size, hexdigests=tuple(self._done))


DIGESTS = (DigestSink, BlockDigestSink)
"""The sinks that let go of the interpreter lock for as long as they take."""
