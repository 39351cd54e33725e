"""A byte source that holds its reader to the law."""

from __future__ import annotations

from provpack.chunks.limits import MAX_METADATA
from provpack.chunks.source import BytesSource


class Watched:
    """A source that fails the test when too much is asked of it."""

    def __init__(self, data: bytes) -> None:
        self._inner = BytesSource(data)
        self.reads = 0

    @property
    def size(self) -> int:
        return self._inner.size

    def read_at(self, offset: int, length: int) -> bytes:
        self.reads += 1
        assert 0 <= length <= MAX_METADATA and offset >= 0, f"{length} bytes asked at {offset}"
        return self._inner.read_at(offset, length)
