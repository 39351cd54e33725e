"""Find by how many bytes the blocks of a damaged master have moved, where nothing else tells.

SHA-256 cannot roll along a file, so this is trying: whole sectors first (as storage loses them), then byte by
byte nearby, within a bound on the work. It is the last resort before a block is called lost.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterable, Mapping

from provpack.chunks.source import ByteSource
from provpack.package.bagblocks import BlockDigests

SECTOR = 512
FAR = 1024 * 1024
"""Whole sectors are tried up to so many bytes away."""
NEAR = 4096
"""Every byte is tried up to so many away."""
EFFORT = 16 * 1024**3
"""Bytes hashed at most per file."""

_MOVES = (
    *(m for s in range(1, FAR // SECTOR + 1) for m in (s * SECTOR, -s * SECTOR)),
    *(m for s in range(1, NEAR + 1) if s % SECTOR for m in (s, -s)),
)


class Shifts:
    """Looks in one file. found: block number -> offset in it, as known by now (shared with the caller)."""

    def __init__(
        self, source: ByteSource, digests: BlockDigests, found: Mapping[int, int], told: Callable[[int], None]
    ) -> None:
        self._source, self._digests, self._found, self._told = source, digests, found, told
        self._left = EFFORT
        self._tried: set[int] = set()

    def next(self, lost: Collection[int]) -> int | None:
        """A shift under which one of the lost blocks is there; None when no more are found."""
        gone = set(lost)
        # What moved the bytes also broke the first block of a stretch, but perhaps not the next.
        for block in sorted(gone, key=lambda n: (n - 1 not in gone, n)):
            if block in self._tried or self._held_in(block):
                continue
            if self._left <= 0:
                return None
            self._tried.add(block)
            shift = self._block(block)
            if shift is not None:
                return shift
        return None

    def _shift_of(self, block: int) -> int:
        return self._found[block] - self._digests.audio_offset - self._digests.span(block)[0]

    def _held_in(self, block: int) -> bool:
        """Whether its neighbours, a block away at most, stand as they did: then it cannot have moved."""
        before, after = block, block
        while before not in self._found and before > 0:
            before -= 1
        while after not in self._found and after < len(self._digests.blocks) - 1:
            after += 1
        if before not in self._found or after not in self._found:
            return False
        return after - before <= 3 and self._shift_of(before) == self._shift_of(after)

    def of_head(self) -> int | None:
        """The shift of the bytes before the audio."""
        return self._sweep(0, self._digests.audio_offset, self._digests.head_sha256, self._bases(-1))

    def of_tail(self) -> int | None:
        """The shift of the bytes after the audio."""
        d = self._digests
        start = d.audio_offset + d.audio_bytes
        return self._sweep(start, d.file_bytes - start, d.tail_sha256, self._bases(len(d.blocks)))

    def _block(self, block: int) -> int | None:
        start, length = self._digests.span(block)
        at = self._digests.audio_offset + start
        return self._sweep(at, length, self._digests.blocks[block], self._bases(block))

    def _sweep(self, start: int, length: int, wanted: str, bases: Iterable[int]) -> int | None:
        for base in bases:
            at = start + base
            begin = max(0, at - FAR)
            data = self._window(begin, at + length + FAR)
            for move in _MOVES:
                here = at + move - begin
                if here < 0 or here + length > len(data):
                    continue
                if self._left <= 0:
                    return None
                self._left -= length
                if hashlib.sha256(data[here : here + length]).hexdigest() == wanted:
                    return base + move
            self._told(0)  # an interrupt is noticed
        return None

    def _bases(self, block: int) -> Iterable[int]:
        """From where to count: how the nearest found blocks before and after have moved, else not at all."""
        before = max((n for n in self._found if n < block), default=None)
        after = min((n for n in self._found if n > block), default=None)
        near = [self._shift_of(n) for n in (before, after) if n is not None]
        return dict.fromkeys(near or [0])

    def _window(self, begin: int, end: int) -> memoryview:
        parts, at = [], begin
        while at < min(end, self._source.size):
            try:
                part = self._source.read_at(at, min(end, self._source.size) - at)
            except OSError:
                part = bytes(min(SECTOR * 8, self._source.size - at))  # over a place that cannot be read
            if not part:
                break
            parts.append(part)
            at += len(part)
        return memoryview(b"".join(parts))
