"""Where bytes come from: a size and positioned reads, nothing else. The room itself opens no file."""

from __future__ import annotations

import io
from typing import Any, Protocol


class ByteSource(Protocol):
    """Bytes of known length that can be read anywhere."""

    @property
    def size(self) -> int:
        """Length in bytes."""
        ...

    def read_at(self, offset: int, length: int) -> bytes:
        """Up to length bytes from offset; fewer at the end, b"" past it."""
        ...


class BytesSource:
    """A byte source over memory."""

    __slots__ = ("_data",)

    def __init__(self, data: bytes) -> None:
        self._data = data

    @property
    def size(self) -> int:
        return len(self._data)

    def read_at(self, offset: int, length: int) -> bytes:
        if offset < 0 or length <= 0:
            return b""
        return self._data[offset : offset + length]


class SourceReader(io.RawIOBase):
    """A byte source seen as a read-only, seekable binary file, for libraries that want one."""

    def __init__(self, source: ByteSource, name: str = "") -> None:
        super().__init__()
        self._source = source
        self._position = 0
        self.name = name

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._position

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._position, io.SEEK_END: self._source.size}[whence]
        if base + offset < 0:
            raise OSError("seek before the start")
        self._position = base + offset
        return self._position

    def read(self, size: int | None = -1) -> bytes:
        """Never allocates by a size the caller asks for: bounded by the bytes really there."""
        left = max(self._source.size - self._position, 0)
        wanted = left if size is None or size < 0 else min(size, left)
        data = self._source.read_at(self._position, wanted)
        self._position += len(data)
        return data

    def readinto(self, buffer: Any) -> int:
        data = self.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)
