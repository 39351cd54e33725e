"""Keys and signatures for tests: made here, or by stock ssh-keygen. All names are invented."""

from __future__ import annotations

import hashlib
import random
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from provpack.edge.sshkeys import SigningKey
from provpack.jobs.verified import UnitView

ROOM = "transfer-room@grauwell.example"
SPACE = "provpack-package"


def keygen(*words: str | Path, stdin: bytes = b"", zone: str = "UTC") -> subprocess.CompletedProcess[bytes]:
    """Run ssh-keygen; the caller looks at the exit code."""
    return subprocess.run(
        ["ssh-keygen", *(str(w) for w in words)],
        input=stdin,
        capture_output=True,
        check=False,
        timeout=60,
        env={"TZ": zone, "PATH": "/usr/bin:/bin", "SSH_ASKPASS_REQUIRE": "never"},
    )


def key_by_keygen(path: Path, *more: str, passphrase: str = "", kind: str = "ed25519") -> Path:
    done = keygen("-q", "-t", kind, "-N", passphrase, "-C", ROOM, "-f", path, *more)
    assert done.returncode == 0, done.stderr
    return path


def key_of_seed(seed: int) -> SigningKey:
    """The same key for the same seed."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    digest = hashlib.sha256(f"test key {seed}".encode()).digest()
    return SigningKey(Ed25519PrivateKey.from_private_bytes(digest), ROOM)


def view_of(files: Mapping[str, bytes], **more: Any) -> UnitView:
    """A bag in memory, as the examiners see it."""
    from provpack.errors import CouldNotCheck

    def read(path: str, limit: int) -> bytes:
        if len(files[path]) > limit:
            raise CouldNotCheck("too-large", "The file is too large.", where=path, todo="Look at it.")
        return files[path]

    shape: dict[str, Any] = {
        "name": "pcm-0001",
        "serialisation": None,
        "version": "1.0",
        "bag_info": (),
        "has_bag_info": True,
        "payload_algorithms": ("sha512",),
        "tag_algorithms": ("sha512",),
        "has_fetch": False,
        "files": {path: len(data) for path, data in files.items()},
        "read": read,
    }
    return UnitView(**(shape | more))


def mutated(rng: random.Random, data: bytes) -> bytes:
    """One to three changes: a bit, a byte, a piece cut out, doubled, or put elsewhere, or the end cut off."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        at, end = sorted(rng.randrange(len(out) + 1) for _ in range(2))
        end = min(end, at + 24)
        kind = rng.randrange(7)
        if kind == 0 and at < len(out):
            out[at] ^= 1 << rng.randrange(8)
        elif kind == 1 and at < len(out):
            out[at] = rng.choice(b'\0\n\r\t ",!*?=#A/+\\\xff')
        elif kind == 2:
            del out[at:end]
        elif kind == 3:
            out[at:at] = out[at:end]
        elif kind == 4:
            piece = bytes(out[at:end])
            del out[at:end]
            put = rng.randrange(len(out) + 1)
            out[put:put] = piece
        elif kind == 5:
            out[at:at] = bytes([rng.choice(b'\0\n\r\t ",!*?=#A/+\\\xff')])
        elif rng.random() < 0.2:
            del out[at:]
    return bytes(out)
