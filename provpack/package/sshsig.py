"""SSHSIG: detached signatures as `ssh-keygen -Y sign` writes and `ssh-keygen -Y verify` reads them.

PROTOCOL.sshsig of OpenSSH (sections 1 to 3). Nothing is signed or verified here: that needs the key, or the
arithmetic, of edge.sshkeys. We write SHA-512 and Ed25519 (RFC 8709 section 6), and read SHA-256 as well.
"""

from __future__ import annotations

import base64
import hashlib
import textwrap
from dataclasses import dataclass

from provpack.errors import CouldNotCheck, InputProblem
from provpack.package.sshwire import (
    ED25519,
    NotWire,
    WireReader,
    ed25519_key,
    key_type,
    plain_key_name,
    strict_base64,
    wire_number,
    wire_string,
)

NAMESPACE_PACKAGE = "provpack-package"
"""For the tag manifest of a package."""
NAMESPACE_DELIVERY = "provpack-delivery"
"""For the delivery note."""
NAMESPACE_RECEIPT = "provpack-receipt"
"""For the receipt of the one who took a delivery in."""

MAX_SIGNATURE = 32 * 1024
"""Bytes of a signature file that are read; one of Ed25519 has about 300."""

BEGIN = b"-----BEGIN SSH SIGNATURE-----"
END = b"-----END SSH SIGNATURE-----"
_MAGIC = b"SSHSIG"
_VERSION = 1
_LINE = 70  # what ssh-keygen writes; PROTOCOL.sshsig proposes 76, and any length may be read
_SIGNATURE_BYTES = 64
_HASHES = ("sha256", "sha512")


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """An Ed25519 SSHSIG taken apart. public_key: binary, with its type; raw: the 64 bytes of the signature.

    reserved goes into what was signed, as section 3 has it; ssh-keygen 9.2 puts nothing there, so for a
    signature whose reserved field is not empty (nobody writes such) we are the stricter one.
    """

    public_key: bytes
    namespace: str
    reserved: bytes
    hash_algorithm: str
    raw: bytes

    def signed_bytes(self, message: bytes) -> bytes:
        """What the signature is over, for this message (section 3)."""
        return _signed(self.namespace, self.reserved, self.hash_algorithm, message)

    @property
    def key(self) -> bytes:
        """The 32 bytes of the public key."""
        return ed25519_key(self.public_key)


def _signed(namespace: str, reserved: bytes, hash_algorithm: str, message: bytes) -> bytes:
    digest = hashlib.new(hash_algorithm, message).digest()
    return b"".join((_MAGIC, *(wire_string(part) for part in (namespace, reserved, hash_algorithm, digest))))


def bytes_to_sign(message: bytes, namespace: str) -> bytes:
    """What a new signature is made over. namespace: printable ASCII, not empty. Raises InputProblem."""
    if not namespace or not namespace.isascii() or not namespace.isprintable():
        raise InputProblem(
            "namespace",
            "A signature needs a namespace of printable ASCII.",
            where=ascii(namespace)[:100],
            todo="Name what the signature is for, such as provpack-package.",
        )
    return _signed(namespace, b"", "sha512", message)


def build_signature(public_key: bytes, namespace: str, raw: bytes) -> bytes:
    """The armoured signature file. raw: 64 bytes made over bytes_to_sign(); public_key: binary, with type."""
    blob = b"".join(
        (
            _MAGIC,
            wire_number(_VERSION),
            wire_string(public_key),
            wire_string(namespace),
            wire_string(b""),
            wire_string("sha512"),
            wire_string(wire_string(ED25519) + wire_string(raw)),
        )
    )
    lines = textwrap.wrap(base64.b64encode(blob).decode("ascii"), _LINE)
    return b"\n".join((BEGIN, *(line.encode("ascii") for line in lines), END)) + b"\n"


def parse_signature(data: bytes, where: str) -> Envelope:
    """Read a signature file.

    Raises InputProblem when it is not one (text before or after, damaged, too large), CouldNotCheck when it
    is one of a kind we cannot check: another key type, a later version, another hash.
    """
    try:
        return _parse(_armoured(data), where)
    except NotWire as err:
        raise InputProblem(
            "signature-unreadable",
            f"The file is not readable as a signature: {err}.",
            where=where,
            todo="Fetch the file again from where it came; if it is the same there, ask whoever signed.",
        ) from None


def _armoured(data: bytes) -> bytes:
    """The binary signature between the first and the last line (section 1)."""
    if len(data) > MAX_SIGNATURE:
        raise NotWire(f"it is larger than {MAX_SIGNATURE} bytes")
    if b"\r" in data:
        raise NotWire("its line ends were converted for another system (CR LF)")
    if not data.strip():
        raise NotWire("it is empty")
    first, *lines = data.split(b"\n")
    if first != BEGIN:
        raise NotWire("it does not begin with the line BEGIN SSH SIGNATURE")
    if END not in lines:
        raise NotWire("the line END SSH SIGNATURE is missing, so it was cut short")
    end = lines.index(END)
    if b"".join(lines[end + 1 :]).strip():
        raise NotWire("there is something after the line END SSH SIGNATURE")
    return strict_base64(b"".join(lines[:end]))


def _parse(blob: bytes, where: str) -> Envelope:
    reader = WireReader(blob)
    if reader.take(len(_MAGIC)) != _MAGIC:
        raise NotWire("it does not hold the word SSHSIG")
    version = reader.number()
    if version > _VERSION:
        raise _unsupported(f"The signature has version {version} of the format; version 1 is known.", where)
    if version < _VERSION:
        raise NotWire(f"it has version {version}")
    public_key, namespace, reserved = reader.string(), reader.text(), reader.string()
    hash_algorithm, signature = reader.text(), reader.string()
    reader.end()
    if not namespace:
        raise NotWire("it does not say what it is for (its namespace is empty)")
    kind = key_type(public_key)
    if kind != ED25519:
        raise _unsupported(
            f"The signature was made with {plain_key_name(kind)}; only Ed25519 is checked here.", where
        )
    if hash_algorithm not in _HASHES:
        raise _unsupported(
            f"The signature uses the hash {hash_algorithm[:40]!r}, not sha512 or sha256.", where
        )
    ed25519_key(public_key)
    inner = WireReader(signature)
    if inner.text() != ED25519:
        raise NotWire("key and signature are of different kinds")
    raw = inner.string()
    inner.end()
    if len(raw) != _SIGNATURE_BYTES:
        raise NotWire(f"the signature has {len(raw)} bytes, not {_SIGNATURE_BYTES}")
    return Envelope(
        public_key=public_key, namespace=namespace, reserved=reserved, hash_algorithm=hash_algorithm, raw=raw
    )


def _unsupported(what: str, where: str) -> CouldNotCheck:
    return CouldNotCheck(
        "signature-unsupported",
        what,
        where=where,
        todo="Check it with `ssh-keygen -Y verify`, or ask for a signature made with an Ed25519 key.",
    )
