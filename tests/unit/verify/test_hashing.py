"""One read, many digests, one or two threads."""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from provpack.edge.hashing import digest_bytes, digest_file, hashlib_name
from provpack.errors import CouldNotCheck
from provpack.package.bagtext import DIGEST_LENGTH

DATA = bytes(range(256)) * 1000


@pytest.mark.parametrize("threads", [True, False])
@pytest.mark.parametrize("size", [0, 1, 99, 100, 101, 399, 400, 401, 256_000])
@pytest.mark.parametrize(
    "algorithms", [("sha512",), ("sha256", "sha512"), ("md5", "sha1", "sha256", "sha3512")]
)
def test_digests_are_right_for_every_length(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, threads: bool, size: int, algorithms: tuple[str, ...]
) -> None:
    monkeypatch.setattr("provpack.edge.hashing._SERIAL_BELOW", 50)
    path = tmp_path / "file"
    path.write_bytes(DATA[:size])
    told: list[int] = []
    digests = digest_file(path, algorithms, threads=threads, buffer=100, progress=told.append)
    assert sum(told) == size
    assert digests == digest_bytes(DATA[:size], algorithms)
    names = {"sha3512": "sha3_512"}
    assert digests == {a: hashlib.new(names.get(a, a), DATA[:size]).hexdigest() for a in algorithms}


def test_openssl_agrees(tmp_path: Path, tool: Callable[[str], str]) -> None:
    # source: openssl dgst, on a file larger than the buffers
    path = tmp_path / "file"
    path.write_bytes(DATA * 60)
    digests = digest_file(path, ("sha512", "sha256"))
    for name, digest in digests.items():
        command = [tool("openssl"), "dgst", "-r", f"-{name}", str(path)]
        assert subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()[0] == digest


def test_from_where_the_file_stands_and_left_open(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(DATA)
    with path.open("rb") as file:
        file.seek(1000)
        assert digest_file(file, ("md5",)) == digest_bytes(DATA[1000:], ("md5",))
        assert not file.closed
    assert digest_file(io.BytesIO(DATA), ("md5",)) == digest_bytes(DATA, ("md5",))


@pytest.mark.parametrize(
    ("spelling", "name"),
    [
        ("sha3256", "sha3_256"),
        ("SHA3-256", "sha3_256"),
        ("sha3_256", "sha3_256"),
        ("SHA-512", "sha512"),
        ("blake2b512", "blake2b"),
        ("shake128", None),
        ("shake_256", None),
        ("crc32", None),
        ("", None),
    ],
)
def test_algorithm_names(spelling: str, name: str | None) -> None:
    assert hashlib_name(spelling) == name


def test_every_known_length_is_that_of_the_algorithm() -> None:
    lengths = {a: len(digest_bytes(b"", (a,))[a]) for a in DIGEST_LENGTH if hashlib_name(a)}
    assert {"md5", "sha1", "sha224", "sha256", "sha384", "sha512", "sha3256"} <= lengths.keys()
    assert lengths == {a: DIGEST_LENGTH[a] for a in lengths}


def test_unknown_algorithm() -> None:
    with pytest.raises(CouldNotCheck):
        digest_bytes(b"", ("shake128",))


def test_a_failing_read_or_progress_leaves_no_thread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("provpack.edge.hashing._SERIAL_BELOW", 50)
    path = tmp_path / "file"
    path.write_bytes(DATA)
    before = threading.active_count()

    def stop(_amount: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        digest_file(path, ("sha512", "sha256"), buffer=100, progress=stop)

    class Fails(io.FileIO):
        def readinto(self, buffer: Any) -> int:
            if self.tell() > 5000:
                raise OSError(5, os.strerror(5))
            return super().readinto(buffer) or 0

    with Fails(path) as file, pytest.raises(OSError, match="Input/output"):
        digest_file(file, ("sha512", "sha256"), buffer=100)
    assert threading.active_count() == before
