"""Build small bags and masters byte by byte; run the verification on them."""

from __future__ import annotations

import hashlib
import random
import struct
from collections.abc import Sequence
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

from provpack.jobs.verify import VerifyResult
from provpack.package.bagwrite import BAGIT_TXT, build_bag_info, build_manifest

ALGORITHMS = ("sha256", "sha512")


def digest(algorithm: str, data: bytes) -> str:
    return hashlib.new(algorithm, data).hexdigest()


def seal(root: Path, algorithms: Sequence[str] = ALGORITHMS) -> None:
    """(Re)write every tag file for what lies in data/."""
    for old in root.glob("*manifest-*.txt"):
        old.unlink()
    payload = {
        p.relative_to(root).as_posix(): p.read_bytes()
        for p in sorted((root / "data").rglob("*"))
        if p.is_file()
    }
    (root / "bagit.txt").write_bytes(BAGIT_TXT)
    oxum = f"{sum(map(len, payload.values()))}.{len(payload)}"
    (root / "bag-info.txt").write_bytes(build_bag_info([("Payload-Oxum", oxum)]))
    for name in algorithms:
        (root / f"manifest-{name}.txt").write_bytes(
            build_manifest((p, digest(name, d)) for p, d in payload.items())
        )
    tags = {p.name: p.read_bytes() for p in root.iterdir() if p.is_file()}
    for name in algorithms:
        lines = build_manifest((p, digest(name, d)) for p, d in tags.items())
        (root / f"tagmanifest-{name}.txt").write_bytes(lines)


RATE = Fraction(44_100_000, 1001)
BLOCK_FRAMES = 100


def wave(frames: int, seed: int = 1, extra: bytes = b"") -> tuple[bytes, int]:
    """(a 16-bit stereo RIFF file of noise with `extra` chunks after the audio, offset of its audio)."""
    audio = random.Random(seed).randbytes(frames * 4)
    fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 2, 44056, 44056 * 4, 4, 16)
    body = b"WAVE" + fmt + struct.pack("<4sI", b"data", len(audio)) + audio + extra
    return b"RIFF" + struct.pack("<I", len(body)) + body, 8 + 4 + len(fmt) + 8


def block_digests(name: str, data: bytes, offset: int, frames: int) -> dict[str, Any]:
    """What is noted about a master when it is packaged (frames of 4 bytes, blocks of 100 frames)."""
    audio = data[offset : offset + frames * 4]
    size = BLOCK_FRAMES * 4
    return {
        "schema_version": "1.0.0",
        "file": name,
        "file_bytes": len(data),
        "audio_offset": offset,
        "audio_bytes": len(audio),
        "frame_bytes": 4,
        "frames": frames,
        "sampling_frequency": {"num": RATE.numerator, "den": RATE.denominator},
        "algorithm": "sha256",
        "block_frames": BLOCK_FRAMES,
        "audio_sha256": digest("sha256", audio),
        "head_sha256": digest("sha256", data[:offset]),
        "tail_sha256": digest("sha256", data[offset + len(audio) :]),
        "blocks": [digest("sha256", audio[i : i + size]) for i in range(0, len(audio), size)],
    }


MASTER = "data/master/tape-7.wav"


def now() -> datetime:
    return datetime(2031, 5, 4, 12, 0, tzinfo=UTC)


def rules_of(result: VerifyResult, *severities: str) -> list[str]:
    """Rule ids of all findings of all units, in order, of these severities (default: all)."""
    return [f.rule for u in result.units for f in u.findings if not severities or f.severity in severities]
