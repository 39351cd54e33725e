"""Strings and public keys in the binary form of SSH, and as one line of text.

RFC 4251 section 5 (string, uint32), RFC 8709 section 4 (ssh-ed25519 public key); the fingerprint is the one
that `ssh-keygen -l` prints: SHA-256 of the binary public key, base64 without padding.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
import struct

ED25519 = "ssh-ed25519"
KEY_BYTES = 32
MAX_STRING = 65_536
"""Bytes of one string that are taken in; the largest keys in use have about two thousand."""

KEY_TYPE = re.compile(r"(?:sk-)?(?:ssh|ecdsa)-[A-Za-z0-9@.-]{1,80}")
"""What a key type looks like, also one that is not known here."""

_PLAIN_NAMES = (
    ("-cert-v0", "a certificate"),
    ("sk-", "a key on a security token"),
    ("ssh-rsa", "an RSA key"),
    ("ssh-dss", "a DSA key"),
    ("ecdsa-", "an ECDSA key"),
)


class NotWire(ValueError):
    """Bytes that do not have the form asked for; never leaves the package room and its callers."""


class WireReader:
    """Takes values off the front of bytes; every length is checked against what is there."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def take(self, count: int) -> bytes:
        """The next count bytes. Raises NotWire when fewer are left."""
        if count > len(self._data) - self._at:
            raise NotWire(f"{count} bytes are declared, {len(self._data) - self._at} are left")
        self._at += count
        return self._data[self._at - count : self._at]

    def number(self) -> int:
        """A uint32. Raises NotWire."""
        value: int = struct.unpack(">I", self.take(4))[0]
        return value

    def string(self) -> bytes:
        """A string: uint32 length, then the bytes. Raises NotWire, also beyond MAX_STRING."""
        length = self.number()
        if length > MAX_STRING:
            raise NotWire(f"a field of {length} bytes")
        return self.take(length)

    def text(self) -> str:
        """A string of printable ASCII. Raises NotWire."""
        value = self.string()
        if not value.isascii() or not value.decode("ascii").isprintable():
            raise NotWire("a name that is not printable ASCII")
        return value.decode("ascii")

    def end(self) -> None:
        """Raises NotWire when bytes are left."""
        left = len(self._data) - self._at
        if left:
            raise NotWire(f"{left} bytes too many")


def wire_string(value: bytes | str) -> bytes:
    """A string in binary form."""
    data = value.encode("ascii") if isinstance(value, str) else value
    return struct.pack(">I", len(data)) + data


def wire_number(value: int) -> bytes:
    """A uint32 in binary form."""
    return struct.pack(">I", value)


def ed25519_blob(key: bytes) -> bytes:
    """The binary public key of the 32 bytes of an Ed25519 key."""
    return wire_string(ED25519) + wire_string(key)


def ed25519_key(blob: bytes) -> bytes:
    """The 32 bytes of an Ed25519 key in its binary public key. Raises NotWire."""
    reader = WireReader(blob)
    if reader.text() != ED25519:
        raise NotWire("not an Ed25519 key")
    key = reader.string()
    reader.end()
    if len(key) != KEY_BYTES:
        raise NotWire(f"an Ed25519 key of {len(key)} bytes, not {KEY_BYTES}")
    return key


def key_type(blob: bytes) -> str:
    """The type that a binary public key begins with. Raises NotWire."""
    name = WireReader(blob).text()
    if not KEY_TYPE.fullmatch(name):
        raise NotWire("no key type")
    return name


def plain_key_name(name: str) -> str:
    """A key type in words, with its own name: "an RSA key (ssh-rsa)"."""
    words = next((said for part, said in _PLAIN_NAMES if part in name), "a key of a kind not known here")
    return f"{words} ({name})"


def fingerprint(blob: bytes) -> str:
    """`SHA256:` and the base64 digest of a binary public key, as ssh-keygen shows it."""
    digest = base64.b64encode(hashlib.sha256(blob).digest()).decode("ascii").rstrip("=")
    return f"SHA256:{digest}"


def strict_base64(text: str | bytes) -> bytes:
    """Decode base64 that has no foreign characters, full padding, and no stray bits. Raises NotWire."""
    given = text.encode("ascii", "replace") if isinstance(text, str) else text
    try:
        data = base64.b64decode(given, validate=True)
    except (binascii.Error, ValueError):
        raise NotWire("not base64") from None
    if base64.b64encode(data) != given:
        raise NotWire("not base64 as it is written by rule")
    return data


def blob_of_line(line: str) -> bytes:
    """The binary public key in `TYPE BASE64 [comment]`, a line of a .pub file. Raises NotWire."""
    parts = line.split(None, 2)
    if len(parts) < 2:
        raise NotWire("no public key")
    blob = strict_base64(parts[1])
    if key_type(blob) != parts[0]:
        raise NotWire("the key is not of the type that stands before it")
    return blob


def line_of_blob(blob: bytes, comment: str = "") -> str:
    """`TYPE BASE64 [comment]`, without a line end. Raises NotWire when blob is no key."""
    text = base64.b64encode(blob).decode("ascii")
    return f"{key_type(blob)} {text} {comment}".rstrip()
