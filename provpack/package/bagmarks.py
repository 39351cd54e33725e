"""What tells a bag without tagmanifest-sha512.txt from another: one digest of all its payload manifests."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from provpack.package.bagtext import manifest_kind


def is_payload_manifest(name: str) -> bool:
    """Whether a file of that name in the base directory is a payload manifest."""
    kind = manifest_kind(name)
    return kind is not None and kind[0] == "payload"


def manifests_sha512(files: Mapping[str, bytes | None]) -> str | None:
    """SHA-512 (hex) of what sha512sum (GNU coreutils) prints about the payload manifests, in the order of
    their names as bytes: `LC_ALL=C sha512sum manifest-*.txt | sha512sum`. None when there is no payload
    manifest, or when one of them could not be read.

    files: name -> bytes of files in the bag's base directory, None for what could not be read; others than
    payload manifests count for nothing.
    """
    whole = hashlib.sha512()
    names = [name for name in files if is_payload_manifest(name)]
    for name in sorted(names, key=_as_bytes):
        data = files[name]
        if data is None:
            return None
        whole.update(f"{hashlib.sha512(data).hexdigest()}  ".encode("ascii") + _as_bytes(name) + b"\n")
    return whole.hexdigest() if names else None


def _as_bytes(name: str) -> bytes:
    return name.encode("utf-8", "surrogateescape")
