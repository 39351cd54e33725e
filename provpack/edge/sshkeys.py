"""Keys in the files that ssh-keygen makes: read, make, sign, verify. The only door to `cryptography`.

File format: PROTOCOL.key of OpenSSH (openssh-key-v1), plain or encrypted (bcrypt); PKCS #8 in PEM as well
(RFC 5958, RFC 8410). Signatures: RFC 8032, in the wrapping of package.sshsig. Key material is never part of
a message, and a SigningKey shows its fingerprint only.
"""

from __future__ import annotations

import base64
import errno
import os
import re
import stat
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from provpack.edge.commit import explain
from provpack.edge.lasting import sync
from provpack.errors import DestinationProblem, InputProblem, UsageProblem
from provpack.findings import Finding
from provpack.package import signrules
from provpack.package.keystretch import check_stretching
from provpack.package.signers import MAX_SIGNERS, Signers, parse_signers
from provpack.package.sshsig import build_signature, bytes_to_sign
from provpack.package.sshwire import (
    ED25519,
    NotWire,
    WireReader,
    blob_of_line,
    ed25519_blob,
    ed25519_key,
    fingerprint,
    key_type,
    line_of_blob,
    plain_key_name,
    strict_base64,
    wire_number,
    wire_string,
)

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

MAX_KEY_FILE = 64 * 1024
MAX_PASSPHRASE = 4096
MAX_ROUNDS = 4096
"""Rounds of bcrypt that are worked off (ssh-keygen: 16 unless told otherwise); each takes about 10 ms."""
_MAGIC = b"openssh-key-v1\0"
_PEM = re.compile(rb"-----BEGIN ([A-Z0-9 ]+)-----\r?\n(.*?)-----END \1-----", re.DOTALL)
_PLAIN = re.compile(r"[^\x20-\x7e]")
_FORMAT_TODO = "Make one with `ssh-keygen -t ed25519`, and name the file without .pub."

Ask = Callable[[], str]


class SigningKey:
    """A private Ed25519 key, ready to sign.

    public_key: binary, with its type. comment: as the key's file or the .pub file beside it has it, "" when
    neither does. findings: what is to be said about the file. Nothing of it shows the private key.
    """

    __slots__ = ("_private", "comment", "findings", "fingerprint", "public_key")

    def __init__(
        self, private: Ed25519PrivateKey, comment: str = "", findings: tuple[Finding, ...] = ()
    ) -> None:
        self._private = private
        self.public_key = ed25519_blob(private.public_key().public_bytes_raw())
        self.fingerprint = fingerprint(self.public_key)
        self.comment = _PLAIN.sub("", comment).strip()[:200]
        self.findings = findings

    def __repr__(self) -> str:
        return f"SigningKey({self.fingerprint})"

    def __reduce__(self) -> str:
        raise TypeError("a private key is not copied")

    def public_line(self) -> str:
        """`ssh-ed25519 BASE64 comment`, without a line end."""
        return line_of_blob(self.public_key, self.comment)

    def sign(self, message: bytes, namespace: str) -> bytes:
        """The armoured SSHSIG over message, as a file. Raises InputProblem for an unusable namespace."""
        return build_signature(
            self.public_key, namespace, self._private.sign(bytes_to_sign(message, namespace))
        )


def verify(public_key: bytes, raw: bytes, message: bytes) -> bool:
    """Whether the 64 bytes raw are a signature over message by the 32 bytes of a key (RFC 8032, 5.1.7)."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(public_key).verify(raw, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def load_key(path: Path, ask: Ask | None) -> SigningKey:
    """Read a private key. ask is called for the passphrase, only when the key is encrypted; None: nobody can.

    Raises InputProblem (not a key, another type, wrong passphrase), UsageProblem (a public key, a passphrase
    is needed and nobody can be asked), EnvironmentProblem (no permission).
    """
    data, findings = _read(path)
    match = _PEM.search(data)
    label = match[1].decode("ascii") if match else ""
    if "PUBLIC KEY" in label or _is_public_line(data):
        raise UsageProblem(
            "key-is-public",
            "This is the public half of a key; signing needs the private one.",
            where=str(path),
            todo="Name the file without .pub, as a rule beside this one.",
        )
    if match is None or not label.endswith("PRIVATE KEY"):
        raise _refused("key-unreadable", "The file holds no private key as ssh-keygen makes them.", path)
    if label == "OPENSSH PRIVATE KEY":
        encrypted, comment, public = _outline(match[2], path)
    else:
        encrypted, comment, public = "ENCRYPTED" in label or b"ENCRYPTED" in match[2][:200], "", None
        if "ENCRYPTED" in label:
            check_stretching(match[2], str(path))
    private = _open(match[0] + b"\n", label, _passphrase(path, ask) if encrypted else None, path)
    key = SigningKey(private, comment, findings)
    if public not in (None, key.public_key):  # the library opens such a file, with a key that nobody made
        raise _refused("key-unreadable", "The private key is damaged: its two halves do not fit.", path)
    return key if key.comment else SigningKey(private, _comment_beside(path, key.public_key), findings)


def load_signers(path: Path) -> Signers:
    """Read a list of trusted signers (allowed_signers); what is wrong with its lines is in its findings.

    Raises InputProblem (no such file, too large), EnvironmentProblem.
    """
    try:
        with path.open("rb") as file:
            data = file.read(MAX_SIGNERS + 1)
    except FileNotFoundError:
        raise InputProblem(
            "signers-not-found",
            "There is no such list of signers.",
            where=str(path),
            todo="Name the allowed_signers file that you keep for this sender.",
        ) from None
    except OSError as err:
        raise explain(err, path, "read the list of signers") from None
    return parse_signers(data, str(path))


def make_key(path: Path, comment: str) -> SigningKey:
    """Make a new key: path (unencrypted, readable by its owner only) and path.pub, as ssh-keygen would.

    Raises DestinationProblem when one of the two exists, EnvironmentProblem when they cannot be written.
    """
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    private = Ed25519PrivateKey.generate()
    key = SigningKey(private, comment)
    public = path.with_name(f"{path.name}.pub")
    if os.path.lexists(public):
        raise _taken(public)
    _write_new(path, _key_file(private, key), 0o600)
    _write_new(public, key.public_line().encode("ascii") + b"\n", 0o644)
    return key


def read_passphrase(path: Path) -> tuple[str, tuple[Finding, ...]]:
    """The first line of a file (or pipe), without its end, and what is to be said about who may read it.

    Raises InputProblem (no such file, no passphrase in it), EnvironmentProblem (no permission).
    """
    try:
        with path.open("rb") as file:
            info, data = os.fstat(file.fileno()), file.read(MAX_PASSPHRASE + 1)
        if len(data) > MAX_PASSPHRASE or b"\0" in data or data[:2] in (b"\xff\xfe", b"\xfe\xff"):  # UTF-16
            raise ValueError
        passphrase = data.decode("utf-8", "surrogateescape").partition("\n")[0].removesuffix("\r")
    except (FileNotFoundError, NotADirectoryError):
        raise InputProblem(
            "passphrase-file-not-found",
            "There is no such passphrase file.",
            where=str(path),
            todo="Mend the path after --passphrase-file, or leave it out to be asked on the terminal.",
        ) from None
    except (ValueError, IsADirectoryError):
        raise InputProblem(
            "passphrase-file",
            "This is no file with a passphrase: one short line of text is expected.",
            where=str(path),
            todo="Write the passphrase alone into a file that only you can read.",
        ) from None
    except OSError as err:
        raise explain(err, path, "read the passphrase") from None
    mode = _open_mode(info)
    if mode is None:
        return passphrase, ()
    what = f"The passphrase file may be read or changed by others (mode {mode:04o})."
    return passphrase, (signrules.PASSPHRASE_OPEN.found(what, str(path)),)


def _open_mode(info: os.stat_result) -> int | None:
    """The mode of a file that others may read or change; None when they may not, or modes say nothing."""
    closed = os.name != "posix" or not stat.S_ISREG(info.st_mode) or not info.st_mode & 0o077
    return None if closed else stat.S_IMODE(info.st_mode)


def _read(path: Path) -> tuple[bytes, tuple[Finding, ...]]:
    """Bytes of the key file, and what is to be said about who may read it."""
    try:
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        fd = os.open(path, flags)
        try:
            info = os.fstat(fd)
            if not stat.S_ISREG(info.st_mode):
                raise _refused("key-unreadable", "This is not a file.", path)
            data = os.read(fd, MAX_KEY_FILE + 1)
        finally:
            os.close(fd)
    except OSError as err:
        if err.errno in (errno.ENOENT, errno.ENOTDIR):
            raise _refused("key-not-found", "There is no such key file.", path) from None
        raise explain(err, path, "read the key") from None
    if len(data) > MAX_KEY_FILE:
        raise _refused("key-unreadable", f"The file is larger than {MAX_KEY_FILE} bytes; no key is.", path)
    mode = _open_mode(info)
    if mode is None:
        return data, ()
    what = f"The private key may be read or changed by others (mode {mode:04o})."
    return data, (signrules.KEY_OPEN.found(what, str(path)),)


def _is_public_line(data: bytes) -> bool:
    try:
        blob_of_line(data.decode("ascii"))
    except (NotWire, UnicodeDecodeError):
        return False
    return True


def _outline(body: bytes, path: Path) -> tuple[bool, str, bytes]:
    """(encrypted, comment, public key) of an openssh-key-v1 file; an encrypted one shows no comment."""
    try:
        reader = WireReader(strict_base64(b"".join(body.split())))
        if reader.take(len(_MAGIC)) != _MAGIC:
            raise NotWire("it is not openssh-key-v1")
        cipher, kdf, options, count = reader.text(), reader.text(), reader.string(), reader.number()
        if count != 1:
            raise NotWire(f"it holds {count} keys")
        public = reader.string()
        kind = key_type(public)
        if kind != ED25519:
            raise _other_type(plain_key_name(kind), path)
        secret = reader.string()
        if kdf == "bcrypt":
            settings = WireReader(options)
            settings.string()
            _check_rounds(settings.number(), path)
        return cipher != "none", "" if cipher != "none" else _comment(secret), public
    except NotWire as err:
        raise _refused("key-unreadable", f"The private key is damaged: {err}.", path) from None


def _check_rounds(rounds: int, path: Path) -> None:
    if rounds > MAX_ROUNDS:
        raise _refused(
            "key-rounds",
            f"The key's passphrase is stretched by {rounds} rounds; up to {MAX_ROUNDS} are worked off here.",
            path,
            "Give a copy of the key fewer rounds with `ssh-keygen -p -a 100 -f FILE`.",
        )


def _comment(secret: bytes) -> str:
    """The comment in the unencrypted private part; PROTOCOL.key section 3."""
    reader = WireReader(secret)
    reader.take(8)
    for _ in range(3):  # type, public key, private key
        reader.string()
    return reader.string().decode("utf-8", "replace")


def _passphrase(path: Path, ask: Ask | None) -> bytes:
    if ask is None:
        raise UsageProblem(
            "key-needs-passphrase",
            "The key is encrypted, and there is no terminal to ask for its passphrase.",
            where=str(path),
            todo="Name a file that only you can read and that holds the passphrase: --passphrase-file FILE.",
        )
    return ask().encode("utf-8", "surrogateescape")  # bytes that are no UTF-8, as they were typed


def _open(pem: bytes, label: str, passphrase: bytes | None, path: Path) -> Ed25519PrivateKey:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key, load_ssh_private_key

    load: Callable[..., Any] = (
        load_ssh_private_key if label == "OPENSSH PRIVATE KEY" else load_pem_private_key
    )
    try:
        private = load(pem, passphrase)
    except UnsupportedAlgorithm:
        raise _refused(
            "key-cipher",
            "The key is encrypted in a way that is not known here.",
            path,
            "Encrypt a copy of the key anew with `ssh-keygen -p -Z aes256-ctr -f FILE`.",
        ) from None
    except (ValueError, TypeError):  # the library says the same for a wrong passphrase and for damage
        if passphrase is None:
            raise _refused("key-unreadable", "The private key is damaged.", path) from None
        raise _refused(
            "key-passphrase",
            "The key cannot be opened with this passphrase, or is damaged.",
            path,
            "Try again; `ssh-keygen -y -f FILE` asks for the passphrase too and shows whether it is right.",
        ) from None
    if not isinstance(private, Ed25519PrivateKey):
        kind = type(private).__name__.removesuffix("PrivateKey")
        raise _other_type(f"of another kind ({kind})", path)
    return private


def _comment_beside(path: Path, public_key: bytes) -> str:
    """The comment in the .pub file beside the key, when it is this key's; "" without one."""
    try:
        with path.with_name(f"{path.name}.pub").open("rb") as file:
            line = file.read(MAX_KEY_FILE).decode("utf-8").splitlines()[0]
        return line.split(None, 2)[2] if blob_of_line(line) == public_key else ""
    except (OSError, UnicodeDecodeError, IndexError, NotWire):
        return ""


def _key_file(private: Ed25519PrivateKey, key: SigningKey) -> bytes:
    """An unencrypted openssh-key-v1 file, with its comment (which the library cannot write)."""
    public = ed25519_key(key.public_key)
    check = os.urandom(4)
    secret = b"".join(
        (
            check,
            check,
            key.public_key,
            wire_string(private.private_bytes_raw() + public),
            wire_string(key.comment),
        )
    )
    secret += bytes(
        range(1, 1 + -len(secret) % 8)
    )  # PROTOCOL.key: padded with 1, 2, 3 to the block size of 8
    blob = b"".join(
        (
            _MAGIC,
            *(wire_string(part) for part in ("none", "none", b"")),
            wire_number(1),
            wire_string(key.public_key),
            wire_string(secret),
        )
    )
    lines = textwrap.wrap(base64.b64encode(blob).decode("ascii"), 70)
    name = "OPENSSH PRIVATE KEY"
    return "\n".join((f"-----BEGIN {name}-----", *lines, f"-----END {name}-----", "")).encode("ascii")


def _write_new(path: Path, data: bytes, mode: int) -> None:
    try:
        fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
        with os.fdopen(fd, "wb") as file:
            file.write(data)
            file.flush()
            sync(file.fileno())
    except FileExistsError:
        raise _taken(path) from None
    except OSError as err:
        raise explain(err, path, "write the key") from None


def _taken(path: Path) -> DestinationProblem:
    return DestinationProblem(
        "key-exists",
        "A key is never overwritten.",
        where=str(path),
        todo="Choose another name, or move the old key away if you are sure that nobody needs it.",
    )


def _refused(code: str, what: str, path: Path, todo: str = _FORMAT_TODO) -> InputProblem:
    return InputProblem(code, what, where=str(path), todo=todo)


def _other_type(words: str, path: Path) -> InputProblem:
    return _refused("key-type", f"The key is {words}; packages are signed with Ed25519 keys only.", path)
