"""Fixtures: small bags, a package in the shape we write, and the verification itself."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.bagmaking import MASTER, block_digests, digest, now, seal, wave

from provpack.jobs.progress import Silent
from provpack.jobs.verify import VerifyResult, verify_paths


@pytest.fixture
def bag(tmp_path: Path) -> Callable[..., Path]:
    """bag(name, {path: bytes}): a valid bag with that payload."""

    def make(name: str = "bag", files: dict[str, bytes] | None = None, **options: Any) -> Path:
        root = tmp_path / name
        for path, data in (
            files if files is not None else {"data/a.txt": b"alpha", "data/sub/b.txt": b"beta"}
        ).items():
            (root / path).parent.mkdir(parents=True, exist_ok=True)
            (root / path).write_bytes(data)
        (root / "data").mkdir(parents=True, exist_ok=True)
        seal(root, **options)
        return root

    return make


@pytest.fixture
def package(bag: Callable[..., Path]) -> Callable[..., Path]:
    """A package in the shape we write: master of 1050 frames, record, block digests."""

    def make(name: str = "tape-7", frames: int = 1050) -> Path:
        filler = struct.pack("<4sI", b"JUNK", 64) + bytes(64)
        data, offset = wave(frames, extra=filler)
        blocks = block_digests(MASTER, data, offset, frames)
        record = {
            "schema_version": "1.0.0",
            "audio_sha256": blocks["audio_sha256"],
            "measured": {"frames": frames},
            "signal": {"sampling_frequency": blocks["sampling_frequency"]},
            "files": [{"path": MASTER, "sha256": digest("sha256", data), "bytes": len(data)}],
        }
        return bag(
            name,
            {
                MASTER: data,
                "data/metadata/record.json": json.dumps(record).encode(),
                "data/metadata/block-digests.json": json.dumps(blocks).encode(),
            },
        )

    return make


@pytest.fixture
def verify() -> Callable[..., VerifyResult]:
    """verify(path, depth="bytes", **options)."""

    def run(*paths: Path, depth: Any = "bytes", **options: Any) -> VerifyResult:
        return verify_paths(paths, depth, progress=Silent(), clock=now, **options)

    return run
