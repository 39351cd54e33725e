"""One object elsewhere, open for reading: onwards with a block fetched ahead, or by position in ranges.

Memory stays flat: three blocks for the stream, one window for reading by position. Nothing is kept on disk.
"""

from __future__ import annotations

import io
import threading
from collections.abc import Callable
from contextlib import suppress
from queue import Full, Queue
from typing import Any, BinaryIO, Protocol, cast

from provpack.edge.remotefault import Broken, why
from provpack.edge.remotenames import Thing

BLOCK = 4 * 1024 * 1024
"""Bytes of one request when an object is read onwards."""

_FIRST_WINDOW = 64 * 1024
_SKIP = 1024 * 1024


class Storage(Protocol):
    """Where the object lies."""

    def look(self, name: str) -> Thing:
        """The object as it is now. Raises Broken."""
        ...

    def open(self, thing: Thing, *, ranges: bool = True) -> Any:
        """The object as a file of the driver. Raises Broken."""
        ...


class _Ranges:
    """Ranges of one object, one request at a time; whole ranges or Broken, never less."""

    def __init__(self, storage: Storage, thing: Thing) -> None:
        self._storage, self._thing = storage, thing
        self._file: Any = None
        self._onwards = False
        self._position = 0
        self._lock = threading.Lock()

    def fetch(self, offset: int, length: int) -> bytes:
        """Exactly these bytes. Raises Broken."""
        with self._lock:
            try:
                data = self._by_range(offset, length) if not self._onwards else None
                if data is None:
                    data = self._from_the_front(offset, length)
            except Exception as err:
                raise why(err) from None
        if len(data) != length:
            raise Broken(f"the server sent {len(data)} of {length} bytes (from byte {offset} on)")
        return data

    def _by_range(self, offset: int, length: int) -> bytes | None:
        """None when the server only knows how to send the whole object."""
        if self._file is None:
            self._file = self._storage.open(self._thing)
        try:
            self._file.seek(offset)
            return bytes(self._file.read(length))
        except ValueError:
            self.close()
            self._onwards = True
            return None

    def _from_the_front(self, offset: int, length: int) -> bytes:
        if self._file is None or offset < self._position:
            self.close()
            self._file = self._storage.open(self._thing, ranges=False)
            self._position = 0
        while self._position < offset:
            if not self._take(min(_SKIP, offset - self._position)):
                return b""
        parts: list[bytes] = []
        left = length
        while left > 0 and (data := self._take(left)):
            parts.append(data)
            left -= len(data)
        return b"".join(parts)

    def _take(self, length: int) -> bytes:
        data = bytes(self._file.read(length))
        self._position += len(data)
        return data

    def close(self) -> None:
        if self._file is not None:
            with suppress(Exception):
                self._file.close()
            self._file = None


class _Stream(io.RawIOBase):
    """The object from its beginning to its end; the next block is fetched while this one is worked on."""

    def __init__(self, fetch: Callable[[int, int], bytes], size: int) -> None:
        super().__init__()
        self.known_size = size
        self._fetch = fetch
        self._taken = 0
        self._block = memoryview(b"")
        self._ahead: Queue[bytes | BaseException] | None = None
        self._failed: BaseException | None = None
        self._stop = threading.Event()

    def readable(self) -> bool:
        return True

    def fileno(self) -> int:
        raise OSError("an object elsewhere has no descriptor")

    def readinto(self, buffer: Any) -> int:
        view = memoryview(buffer)
        if not self._block and self._taken < self.known_size and view.nbytes:
            self._block = memoryview(self._next())
            self._taken += len(self._block)
        count = min(len(view), len(self._block))
        view[:count] = self._block[:count]
        self._block = self._block[count:]
        return count

    def _next(self) -> bytes:
        if self.known_size <= BLOCK:
            return self._fetch(0, self.known_size)
        if self._ahead is None:
            self._ahead = Queue(maxsize=1)
            threading.Thread(target=self._run_ahead, name="provpack-fetch", daemon=True).start()
        found = self._failed or self._ahead.get()
        if isinstance(found, BaseException):
            self._failed = found  # nothing comes after it, however often one asks
            raise found
        return found

    def _run_ahead(self) -> None:
        offset = 0
        while offset < self.known_size and not self._stop.is_set():
            found: bytes | BaseException
            try:
                found = self._fetch(offset, min(BLOCK, self.known_size - offset))
            except BaseException as err:  # handed to the reader, whatever it is
                found = err
            self._put(found)
            if isinstance(found, BaseException):
                return
            offset += len(found)

    def _put(self, found: bytes | BaseException) -> None:
        while self._ahead is not None and not self._stop.is_set():
            with suppress(Full):
                self._ahead.put(found, timeout=0.5)
                return

    def close(self) -> None:
        self._stop.set()
        super().close()


class RemoteFile:
    """An object elsewhere; a PlacedFile."""

    def __init__(self, storage: Storage, thing: Thing) -> None:
        self.size = thing.size or 0
        self._storage, self._thing = storage, thing
        self._ranges = _Ranges(storage, thing)
        self._stream: _Stream | None = None
        self._lock = threading.Lock()
        self._start, self._window = 0, b""
        self._reach = _FIRST_WINDOW

    @property
    def stream(self) -> BinaryIO:
        if self._stream is None:
            self._stream = _Stream(self._ranges.fetch, self.size)
        return cast("BinaryIO", self._stream)

    def read_at(self, offset: int, length: int) -> bytes:
        """Up to length bytes from offset; whoever goes on reading onwards gets longer requests."""
        length = min(length, self.size - offset)
        if offset < 0 or length <= 0:
            return b""
        with self._lock:
            inside = offset - self._start
            if not 0 <= inside <= len(self._window) - length:
                self._fetch(offset, length)
                inside = 0
            return self._window[inside : inside + length]

    def read_into(self, offset: int, view: memoryview) -> int:
        """Fill the view from offset on; how many bytes there were. Raises Broken."""
        data = self.read_at(offset, len(view))
        view[: len(data)] = data
        return len(data)

    def _fetch(self, offset: int, length: int) -> None:
        end = self._start + len(self._window)
        onwards = bool(self._window) and self._start <= offset <= end
        self._reach = min(self._reach * 2, BLOCK) if onwards else _FIRST_WINDOW
        wanted = min(max(length, self._reach), self.size - offset)
        self._start, self._window = offset, self._ranges.fetch(offset, wanted)

    def held_still(self) -> bool:
        """Whether the server still describes the object as when it was listed. Raises Broken."""
        now = self._storage.look(self._thing.name)
        return (now.size, now.stamp) == (self._thing.size, self._thing.stamp)

    def objection(self) -> str | None:
        """An object has nothing to be held against but its digests."""
        return None

    def close(self) -> None:
        if self._stream is not None:
            self._stream.close()
        self._ranges.close()
