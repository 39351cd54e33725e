"""How much work the passphrase of a PKCS #8 key costs, told before any of it is done.

RFC 5958 section 3 (EncryptedPrivateKeyInfo); RFC 8018 appendix A (PBKDF2 and the older schemes: a count of
iterations); RFC 7914 section 7.1 (scrypt: N, r and p). The library that opens keys works off whatever number
stands there, which may be years of it, or more memory than there is.
"""

from __future__ import annotations

import math

from provpack.errors import InputProblem
from provpack.package.sshwire import NotWire, strict_base64

MOST_ITERATIONS = 20_000_000
"""Of PBKDF2; a million takes 0.2 to 0.3 s [measured]. In use are two thousand to a million."""
MOST_SCRYPT = 1 << 21
"""N x r x p; scrypt takes 128 bytes for each N x r (RFC 7914 section 5), here up to 256 MiB.
In use is 2^17 and more."""

_INTEGER, _SEQUENCE = 0x02, 0x30
_MOST_VALUES = 64


def check_stretching(body: bytes, where: str) -> None:
    """Refuse a key whose passphrase costs too much. body: between the first and last line of the file.

    Raises InputProblem; also for what is no EncryptedPrivateKeyInfo.
    """
    try:
        (outer,) = _values(strict_base64(b"".join(body.split())))
        numbers = _integers(_values(outer[1])[0])
    except (NotWire, ValueError, IndexError):
        raise InputProblem(
            "key-unreadable", "The private key is damaged: it is no encrypted PKCS #8 key.", where=where,
            todo="Take the copy of the key, or make a new one with `ssh-keygen -t ed25519`.",
        ) from None  # fmt: skip
    # N, r, p and perhaps a length of the key for scrypt; iterations and perhaps that length for all others.
    cost, most = (
        (math.prod(numbers[:3]), MOST_SCRYPT)
        if len(numbers) > 2
        else (max(numbers, default=0), MOST_ITERATIONS)
    )
    if cost > most:
        raise InputProblem(
            "key-rounds",
            "The key's passphrase is stretched by more work than is done here.",
            where=where,
            todo="Give a copy of the key less of it, for example with `openssl pkcs8 -topk8 -iter 100000`.",
        )


def _values(der: bytes) -> list[tuple[int, bytes]]:
    """(tag, content) of the values that stand one after the other (X.690 section 8.1, definite lengths)."""
    found: list[tuple[int, bytes]] = []
    at = 0
    while at < len(der) and len(found) < _MOST_VALUES:
        tag, length = der[at], der[at + 1]
        at += 2
        if length & 0x80:
            count = length & 0x7F
            if not 1 <= count <= 4:
                raise ValueError("a length that is no length")
            length = int.from_bytes(der[at : at + count], "big")
            at += count
        if length > len(der) - at:
            raise ValueError("a value longer than what is there")
        found.append((tag, der[at : at + length]))
        at += length
    return found


def _integers(value: tuple[int, bytes], depth: int = 0) -> list[int]:
    """All whole numbers in it, in order."""
    tag, content = value
    if tag == _INTEGER:
        return [int.from_bytes(content[:16], "big")] if len(content) <= 16 else [1 << 127]
    if tag != _SEQUENCE or depth > 8:
        return []
    return [number for inner in _values(content) for number in _integers(inner, depth + 1)]
