"""Digests of files: one read feeds every algorithm, with the work shared between two threads.

hashlib lets go of the interpreter lock while it works, so the costliest digest runs on a thread of its own
while this one reads ahead and computes the others. Buffers are allocated once and handed round.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Callable, Collection
from contextlib import nullcontext, suppress
from functools import lru_cache
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, BinaryIO

from provpack.errors import CouldNotCheck
from provpack.package.bagtext import DIGEST_LENGTH, normal_algorithm

if TYPE_CHECKING:
    from hashlib import _Hash

BUFFER = 2 * 1024 * 1024
"""Bytes per buffer; 1 to 4 MiB measured alike, smaller lost time in hand-overs."""

_BUFFERS = 3
_SERIAL_BELOW = 4 * BUFFER
"""A file smaller than this is not worth a thread."""

_HASHLIB_NAME = {
    "sha3224": "sha3_224",
    "sha3256": "sha3_256",
    "sha3384": "sha3_384",
    "sha3512": "sha3_512",
    "sha512224": "sha512_224",
    "sha512256": "sha512_256",
    "blake2b512": "blake2b",
    "blake2s256": "blake2s",
}

# Seconds per byte against SHA-512, on a processor with SHA instructions (it has none for SHA-512): only the
# order matters, to decide which digest gets the thread of its own.
_COST = {
    "sha256": 0.48,
    "sha224": 0.48,
    "sha1": 0.5,
    "md5": 1.0,
    "blake2b": 0.75,
    "sha512": 1.0,
    "sha384": 1.0,
}


@lru_cache(maxsize=256)
def hashlib_name(algorithm: str) -> str | None:
    """How hashlib calls an algorithm (any spelling: SHA3-256, sha3256, sha3_256), None when it cannot do it.

    Extendable-output functions (shake) have no fixed digest and are None.
    """
    normal = normal_algorithm(algorithm)
    name = _HASHLIB_NAME.get(normal, normal)
    if normal not in DIGEST_LENGTH:
        return None
    try:
        hashlib.new(name, usedforsecurity=False)
    except (ValueError, TypeError):
        return None
    return name


def _new(algorithm: str) -> _Hash:
    name = hashlib_name(algorithm)
    if name is None:
        raise CouldNotCheck(
            "algorithm-unknown",
            f"The digest algorithm {algorithm!r} is unknown here.",
            where=algorithm,
            todo="Check with a tool that knows it, or ask for a sha512 manifest.",
        )
    return hashlib.new(name, usedforsecurity=False)


def digest_bytes(data: bytes, algorithms: Collection[str]) -> dict[str, str]:
    """Lower-case hex digests of bytes in memory, by the names given. CouldNotCheck for an unknown one."""
    hashes = {name: _new(name) for name in algorithms}
    for each in hashes.values():
        each.update(data)
    return {name: each.hexdigest() for name, each in hashes.items()}


def digest_file(
    source: BinaryIO | Path,
    algorithms: Collection[str],
    *,
    threads: bool = True,
    progress: Callable[[int], None] | None = None,
    buffer: int = BUFFER,
) -> dict[str, str]:
    """Lower-case hex digests of the bytes from the source's position to its end, by the names given.

    threads: use a second thread for large files; switch it off when other files are being read at the same
    time. progress is told the bytes of each read and may raise to stop. Raises CouldNotCheck for an unknown
    algorithm, OSError when reading fails.
    """
    hashes = {name: _new(name) for name in algorithms}
    # SIM115 does not apply: nullcontext leaves the caller's file open.
    with source.open("rb", buffering=0) if isinstance(source, Path) else nullcontext(source) as file:
        size = _size_hint(file)
        told = progress or (lambda _amount: None)
        if not threads or not hashes or 0 <= size < _SERIAL_BELOW:
            length = buffer if size < 0 else max(min(buffer, size + 1), 1)
            _serial(file, list(hashes.values()), told, length)
        else:
            apart, here = _shares(hashes)
            _shared(file, apart, here, told, buffer)
    return {name: each.hexdigest() for name, each in hashes.items()}


def _size_hint(file: BinaryIO) -> int:
    """Bytes of the file, -1 when it does not say; sequential reading is announced on the way.

    A range of a larger file has no descriptor of its own, and says its length as known_size.
    """
    known = getattr(file, "known_size", None)
    if known is not None:
        return int(known)
    try:
        fd = file.fileno()
        size = os.fstat(fd).st_size
    except (OSError, AttributeError):
        return -1
    if hasattr(os, "posix_fadvise"):
        with suppress(OSError):
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_SEQUENTIAL)
    return size


def _shares(hashes: dict[str, _Hash]) -> tuple[list[_Hash], list[_Hash]]:
    """Two groups of about equal cost; the first gets the costliest digest and the thread of its own."""
    apart: list[_Hash] = []
    here: list[_Hash] = []
    load_apart = 0.0
    load_here = 0.15  # reading is done here too
    for name in sorted(hashes, key=lambda n: _COST.get(hashlib_name(n) or "", 2.0), reverse=True):
        cost = _COST.get(hashlib_name(name) or "", 2.0)
        if load_apart <= load_here:
            apart.append(hashes[name])
            load_apart += cost
        else:
            here.append(hashes[name])
            load_here += cost
    return apart, here


def _read(file: BinaryIO, view: memoryview) -> int:
    """readinto() where there is one; 0 at the end."""
    readinto = getattr(file, "readinto", None)
    if readinto is not None:
        return int(readinto(view) or 0)
    data = file.read(len(view))
    view[: len(data)] = data
    return len(data)


def _serial(file: BinaryIO, hashes: list[_Hash], told: Callable[[int], None], length: int) -> None:
    view = memoryview(bytearray(length))
    while count := _read(file, view):
        for each in hashes:
            each.update(view[:count])
        told(count)


def _shared(
    file: BinaryIO, apart: list[_Hash], here: list[_Hash], told: Callable[[int], None], buffer: int
) -> None:
    free: SimpleQueue[memoryview] = SimpleQueue()
    full: SimpleQueue[tuple[memoryview, int] | None] = SimpleQueue()
    for _ in range(_BUFFERS):
        free.put(memoryview(bytearray(buffer)))

    def work() -> None:
        while (item := full.get()) is not None:
            view, count = item
            for each in apart:
                each.update(view[:count])
            free.put(view)

    worker = threading.Thread(target=work, name="provpack-digest", daemon=True)
    worker.start()
    try:
        # A buffer is refilled only here, after this thread is through with it, and is only free again
        # after the other thread is through with it too.
        while count := _read(file, view := free.get()):
            full.put((view, count))
            for each in here:
                each.update(view[:count])
            told(count)
    finally:
        full.put(None)
        worker.join()
