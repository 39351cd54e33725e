"""The form of signatures: PROTOCOL.sshsig of OpenSSH, and Ed25519 by the vectors of RFC 8032."""

from __future__ import annotations

import base64
import hashlib
import random
import struct
from collections.abc import Callable

import pytest
from support.signing import ROOM, SPACE, key_of_seed, mutated

from provpack.edge.sshkeys import SigningKey, verify
from provpack.errors import CouldNotCheck, InputProblem
from provpack.jobs.signatures import judge_signature
from provpack.package.signers import parse_signers, signer_line
from provpack.package.sshsig import MAX_SIGNATURE, bytes_to_sign, parse_signature

# RFC 8032 section 7.1, tests 1, 2, 3 and SHA(abc): secret key, public key, message, signature. Written from
# memory; a slip would show, since public key and signature follow from secret key and message.
VECTORS = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
        "d25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c"
        "387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc659"
        "4a7c15e9716ed28dc027beceea1ec40a",
    ),
    (
        "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        hashlib.sha512(b"abc").hexdigest(),
        "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e030"
        "3dca179c138ac17ad9bef1177331a704",
    ),
]
L = 2**252 + 27742317777372353535851937790883648493  # order of the group, RFC 8032 section 5.1


@pytest.mark.parametrize(("secret", "public", "message", "signature"), VECTORS)
def test_ed25519_through_the_door(secret: str, public: str, message: str, signature: str) -> None:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    private = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert SigningKey(private).public_key.endswith(bytes.fromhex(public))
    key, raw, text = (bytes.fromhex(part) for part in (public, signature, message))
    assert private.sign(text) == raw
    assert verify(key, raw, text)
    assert not verify(key, raw, text + b"\0")
    for at in range(64):
        assert not verify(key, raw[:at] + bytes([raw[at] ^ 1]) + raw[at + 1 :], text)
    # RFC 8032 section 8.4: S must be below L, or anybody could write a second signature for the same text
    second = int.from_bytes(raw[32:], "little") + L
    assert not verify(key, raw[:32] + second.to_bytes(32, "little"), text)
    assert not verify(key[:31], raw, text) and not verify(key, raw[:63], text) and not verify(key, b"", text)


def string(value: bytes) -> bytes:
    return struct.pack(">I", len(value)) + value


def parts_of(signature: bytes) -> list[bytes]:
    """Taken apart by hand as section 2 of PROTOCOL.sshsig has it: five strings after magic and version."""
    body = base64.b64decode(b"".join(signature.strip().split(b"\n")[1:-1]))
    assert body[:10] == b"SSHSIG" + struct.pack(">I", 1)
    parts, at = [], 10
    while at < len(body):
        (size,) = struct.unpack_from(">I", body, at)
        parts.append(body[at + 4 : at + 4 + size])
        at += 4 + size
    return parts


def file_of(blob: bytes) -> bytes:
    return b"-----BEGIN SSH SIGNATURE-----\n" + base64.b64encode(blob) + b"\n-----END SSH SIGNATURE-----\n"


def put_together(
    parts: list[bytes], *, version: int = 1, magic: bytes = b"SSHSIG", after: bytes = b""
) -> bytes:
    return file_of(magic + struct.pack(">I", version) + b"".join(string(p) for p in parts) + after)


def test_a_signature_is_written_field_by_field_as_the_protocol_has_it() -> None:
    key = key_of_seed(1)
    signature = key.sign(b"message", SPACE)
    public, namespace, reserved, hashed, raw = parts_of(signature)
    assert public == key.public_key == string(b"ssh-ed25519") + string(public[-32:])
    assert (namespace, reserved, hashed) == (SPACE.encode(), b"", b"sha512")
    assert raw[:19] == string(b"ssh-ed25519") + struct.pack(">I", 64) and len(raw) == 19 + 64
    # section 3: what is signed
    digest = hashlib.sha512(b"message").digest()
    signed = b"SSHSIG" + string(SPACE.encode()) + string(b"") + string(b"sha512") + string(digest)
    assert bytes_to_sign(b"message", SPACE) == signed
    assert verify(public[-32:], raw[19:], signed)
    lines = signature.split(b"\n")
    assert {len(line) for line in lines[1:-3]} == {70} and lines[-1] == b""


@pytest.mark.parametrize("namespace", ["", "two\nlines", "ümlaut"])
def test_a_namespace_must_be_plain(namespace: str) -> None:
    with pytest.raises(InputProblem, match="namespace"):
        key_of_seed(1).sign(b"", namespace)


GOOD = key_of_seed(1).sign(b"message", SPACE)
PARTS = parts_of(GOOD)


def but(number: int, value: bytes) -> list[bytes]:
    return [*PARTS[:number], value, *PARTS[number + 1 :]]


UNREADABLE: dict[str, tuple[bytes, str]] = {
    "empty": (b"", "empty"),
    "too large": (b"A" * (MAX_SIGNATURE + 1), "larger than"),
    "text before": (b"hello\n" + GOOD, "does not begin"),
    "text after": (GOOD + b"hello\n", "after the line END"),
    "cut": (GOOD[:120], "cut short"),
    "CR LF": (GOOD.replace(b"\n", b"\r\n"), "line ends"),
    "a blank in it": (GOOD[:50] + b" " + GOOD[50:], "not base64"),
    "a dash in it": (GOOD[:50] + b"-" + GOOD[51:], "not base64"),
    "no padding": (file_of(b"x").replace(b"==", b""), "not base64"),
    "stray bits": (file_of(b"x").replace(b"eA==", b"eB=="), "not base64 as"),
    "magic": (put_together(PARTS, magic=b"SSHSIX"), "SSHSIG"),
    "version 0": (put_together(PARTS, version=0), "version 0"),
    "bytes after": (put_together(PARTS, after=b"\0"), "1 bytes too many"),
    "a string after": (put_together(PARTS, after=string(b"")), "4 bytes too many"),
    "four fields": (put_together(PARTS[:4]), "are left"),
    "a size beyond the end": (file_of(b"SSHSIG" + struct.pack(">II", 1, 200)), "200 bytes are declared"),
    "a huge size": (file_of(b"SSHSIG" + struct.pack(">II", 1, 2**32 - 1)), "field of 4294967295"),
    "no namespace": (put_together(but(1, b"")), "what it is for"),
    "namespace unprintable": (put_together(but(1, b"a\0b")), "printable"),
    "key too short": (put_together(but(0, PARTS[0][:-36] + string(b"x" * 31))), "31 bytes"),
    "key with more": (put_together(but(0, PARTS[0] + b"\0")), "too many"),
    "no key": (put_together(but(0, b"")), "are left"),
    "key type no word": (put_together(but(0, string(b"mud"))), "no key type"),
    "signature of other type": (
        put_together(but(4, string(b"ssh-rsa") + string(b"x" * 64))),
        "different kinds",
    ),
    "signature too short": (put_together(but(4, PARTS[4][:15] + string(b"x" * 63))), "63 bytes"),
    "signature with more": (put_together(but(4, PARTS[4] + b"\0")), "too many"),
}


@pytest.mark.parametrize(("data", "said"), UNREADABLE.values(), ids=UNREADABLE.keys())
def test_what_is_no_signature_is_refused(data: bytes, said: str) -> None:
    with pytest.raises(InputProblem) as caught:
        parse_signature(data, "x.sig")
    assert caught.value.code == "signature-unreadable" and said in caught.value.what
    verdict = judge_signature(b"message", data, namespace=SPACE, signers=None, at=None, where="x.sig")
    assert (verdict.state, verdict.fingerprint) == ("wrong", None)
    assert [(f.rule, f.severity) for f in verdict.findings] == [("sig-unreadable", "warning")]


UNSUPPORTED: dict[str, tuple[bytes, str]] = {
    "version 2": (put_together(PARTS, version=2), "version 2"),
    "RSA": (put_together(but(0, string(b"ssh-rsa") + string(b"\1\0\1"))), "an RSA key (ssh-rsa)"),
    "ECDSA": (put_together(but(0, string(b"ecdsa-sha2-nistp256"))), "an ECDSA key (ecdsa-sha2-nistp256)"),
    "security token": (
        put_together(but(0, string(b"sk-ssh-ed25519@openssh.com"))),
        "security token (sk-ssh-",
    ),
    "certificate": (put_together(but(0, string(b"ssh-ed25519-cert-v01@openssh.com"))), "a certificate (ssh-"),
    "later kind": (put_together(but(0, string(b"ssh-new99"))), "not known here (ssh-new99)"),
    "hash": (put_together(but(3, b"sha3-512")), "'sha3-512'"),
}


@pytest.mark.parametrize(("data", "said"), UNSUPPORTED.values(), ids=UNSUPPORTED.keys())
def test_what_we_cannot_check_is_not_called_wrong(data: bytes, said: str) -> None:
    with pytest.raises(CouldNotCheck) as caught:
        parse_signature(data, "x.sig")
    assert said in caught.value.what
    verdict = judge_signature(b"message", data, namespace=SPACE, signers=None, at=None, where="x.sig")
    assert verdict.state == "could_not_check"
    assert [(f.rule, f.severity) for f in verdict.findings] == [("sig-unsupported", "warning")]


def test_the_reserved_field_is_part_of_what_is_signed() -> None:
    assert parse_signature(put_together(but(2, b"tag")), "x").reserved == b"tag"
    verdict = judge_signature(
        b"message", put_together(but(2, b"tag")), namespace=SPACE, signers=None, at=None, where="x"
    )
    assert verdict.state == "wrong" and verdict.findings[0].rule == "sig-wrong"


@pytest.mark.parametrize(
    "change",
    [
        lambda p: but(1, b"provpack-receipt"),
        lambda p: but(3, b"sha256"),
        lambda p: but(0, key_of_seed(2).public_key),
    ],
    ids=["namespace", "hash", "key"],
)
def test_a_changed_field_spoils_the_signature(change: Callable[[list[bytes]], list[bytes]]) -> None:
    verdict = judge_signature(
        b"message", put_together(change(PARTS)), namespace=SPACE, signers=None, at=None, where="x"
    )
    assert verdict.state == "wrong"


def test_two_thousand_mutations_of_a_signature() -> None:
    rng, key = random.Random(2311), key_of_seed(1)
    signers = parse_signers(signer_line(ROOM, key.public_line(), [SPACE]).encode(), "allowed_signers")
    blob, states = (
        base64.b64decode(b"".join(GOOD.strip().split(b"\n")[1:-1])),
        dict.fromkeys(("valid", "wrong"), 0),
    )
    for _ in range(2000):
        data = mutated(rng, GOOD)
        verdict = judge_signature(
            b"message", data, namespace=SPACE, signers=signers, at=None, where="x", required=True
        )
        states[verdict.state] = states.get(verdict.state, 0) + 1
        if verdict.state == "valid":
            middle = data.split(b"-----END")[0].split(b"\n")[1:]
            assert base64.b64decode(b"".join(middle)) == blob, "valid for altered bytes"
        else:
            assert [f.severity for f in verdict.findings] == ["error"]
    assert states["wrong"] > 1500 and states["valid"] < 400
